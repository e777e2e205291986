"""The tolerance from the work, from option to sentence, and what a fence's error does to the work."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import numpy as np
import pytest
from PIL import Image

import visioncheck
from visioncheck.cli import main
from visioncheck.fence.decision import Verdict
from visioncheck.log.entry import EntryDraft
from visioncheck.log.now import sled_now
from visioncheck.log.store import Log
from visioncheck.present.work import tolerance_text
from visioncheck.quantity import Quantity
from visioncheck.sled.file import load_sled
from visioncheck.units import deg_from_slope, parse_slope
from visioncheck.work.asked import ask
from visioncheck.work.effects import box, joint

SLED = "fixtures/sleds/alder-lane.toml"


def told(capsys, *arguments, code=0):
    assert main(["tolerance", *arguments]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return " ".join((out if code == 0 else err).split())


def test_the_finest_of_several_decides():
    asked = ask(box(300.0, 100.0), {"gap": 0.1, "wind": 0.5})
    by_gap, by_wind = math.degrees(math.atan(0.1 / 100)), math.degrees(math.asin(0.5 / 300)) / 2
    assert asked.tolerance_deg == pytest.approx(min(by_gap, by_wind), rel=1e-12)
    assert asked.decides.code == "wind"


def test_both_worlds_say_the_same(capsys):
    arguments = ("--gap", "0.1mm", "--json")
    inches = json.loads(told(capsys, "joint", "--width", "12in", *arguments))
    millimetres = json.loads(told(capsys, "joint", "--width", "304.8mm", *arguments))
    assert inches == millimetres
    assert inches["mm_per_m"] == pytest.approx(1000 * 0.1 / 304.8)
    assert inches["in_per_ft"] == pytest.approx(12 * 0.1 / 304.8)


def test_what_is_said(capsys, tmp_path):
    said = told(
        capsys, "drawer", "--depth", "16in", "--height", "4in", "--sled", SLED, "--picture", str(tmp_path / "d.png")
    )
    assert "drawer with butted sides 406.4 mm long and 101.6 mm high" in said
    assert "a sheet of paper" in said
    assert "common practice" in said
    assert "Alder Lane's file allows 0.30 mm/m, which this work bears" in said
    picture = np.asarray(Image.open(tmp_path / "d.png").convert("L"))
    assert picture.std() > 10
    said = told(capsys, "frame", "--width", "2in", "--last-gap", "4thou", "--sled", SLED)
    assert "times what this work bears" in said
    assert "a fence set to 45°" in said


@pytest.mark.parametrize(
    ("error", "verdict", "says"),
    [
        ("0.01deg", Verdict.INSIDE, "good enough for this work"),
        ("-0.09deg", Verdict.OUTSIDE, "not good enough for this work"),
        ("0.055deg", Verdict.CANNOT_TELL, "can't tell whether"),
    ],
)
def test_the_other_way_round(capsys, error, verdict, says):
    arguments = ("box", "--depth", "300mm", "--height", "100mm", "--error", error, "--plus-minus", "0.01deg")
    found = json.loads(told(capsys, *arguments, "--json"))["today"]
    assert found["verdict"] == verdict.value
    value = abs(float(error.removesuffix("deg")))
    gap = found["faults_mm"]["gap"]
    assert gap["value"] == pytest.approx(100 * math.tan(math.radians(value)), rel=0.03)
    assert gap["low"] <= gap["value"] <= gap["high"]
    assert says in told(capsys, *arguments)


def test_the_stated_interval_of_a_fault_holds_the_truth():
    """The shortest interval of |e| through a function that grows with it: 92 to 99 % of readings hold the truth."""
    work = joint(300.0)
    held = total = 0
    spread = NormalDist(0, 0.01)
    for truth in (0.004, 0.05):
        for k in range(50):  # readings at even steps of chance
            value = truth + spread.inv_cdf((k + 0.5) / 50)
            (fault,) = ask(work, {}, error=Quantity(float(value), 0.01, "deg")).today.faults
            held += fault.low <= work.effects[0].fault_mm(truth) <= fault.high
            total += 1
    assert 0.92 <= held / total <= 0.99


def test_the_sled_as_its_log_has_it_is_the_fence_now(capsys, tmp_path):
    day = datetime(2026, 3, 1, 12, tzinfo=UTC)
    with visioncheck.open_log(tmp_path / "log", create=True) as log:
        for k, angle in enumerate((90.08, 90.085, 90.075)):
            log.add(visioncheck.compute(angle=angle, sled=SLED, u="0.01deg"), time=day + timedelta(hours=k))
    arguments = ("joint", "--width", "100mm", "--sled", SLED, "--log", str(tmp_path / "log"))
    found = json.loads(told(capsys, *arguments, "--json"))["today"]["fence_error_deg"]
    with Log.open(tmp_path / "log", readonly=True) as log:
        state = sled_now(log, "Alder Lane").state
    assert state is not None
    assert (found["value"], found["u"]) == pytest.approx((state.error.value, state.error.u))
    assert found["value"] == pytest.approx(0.08, abs=0.003)
    with Log.open(tmp_path / "log") as log:
        refused = {"schema": 2, "kind": "withdrawn", "status": "refused", "withdrawn": "none", "flags": []}
        log.attach(
            EntryDraft("Alder Lane", refused, kind="typed", time=day + timedelta(days=1), adjusted="half a turn")
        )
    assert "was adjusted (half a turn) since its newest reading" in told(capsys, *arguments, code=2)


def test_a_log_without_the_sled_is_said(capsys, tmp_path):
    with visioncheck.open_log(tmp_path / "log", create=True):
        pass
    arguments = ("joint", "--width", "100mm", "--sled", SLED, "--log", str(tmp_path / "log"))
    assert "has no reading of Alder Lane" in told(capsys, *arguments, code=2)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["cup", "--width", "3in"], "choose one of joint, panel, box, drawer, frame"),
        (["frame"], "A frame also needs --width"),
        (["joint", "--width", "3in", "--depth", "3in"], "--depth does not belong to a joint"),
        (["joint", "--width", "3in", "--sides", "5"], "--sides does not belong to a joint"),
        (["frame", "--width", "3in", "--sides", "2"], "--sides is 2"),
        (["joint", "--width", "3in", "--ends", "3"], "--ends is 3"),
        (["joint", "--width", "3"], "'3' has no unit"),
        (["joint", "--width", "0.1mm"], "--width is 0.1 mm"),
        (["joint", "--width", "3in", "--wind", "1mm"], "--wind is no fault of a joint; say --gap"),
        (["joint", "--width", "3in", "--gap", "0mm"], "--gap"),
        (["joint", "--width", "3in", "--gap", "3in"], "coarser than any sled"),
        (["joint", "--width", "9m", "--gap", "0.01mm"], "finer than any sled"),
        (["joint", "--width", "3in", "--error", "0.1deg"], "--error needs its --plus-minus"),
        (["joint", "--width", "3in", "--plus-minus", "0.1deg"], "--plus-minus belongs to --error"),
        (["joint", "--width", "3in", "--error", "9deg", "--plus-minus", "0.1deg"], "more than any fence"),
        (["joint", "--width", "3in", "--error", "0.1deg", "--plus-minus", "0deg"], "no reading is exact"),
        (["joint", "--width", "3in", "--log", "nowhere"], "say which with --sled"),
        (["joint", "--width", "3in", "--picture", "x.jpg"], "ends in .png"),
    ],
)
def test_each_slip_is_named(capsys, arguments, says):
    assert says in told(capsys, *arguments, code=2)


@pytest.mark.parametrize("units", ["in", "mm"])
@pytest.mark.parametrize("tolerance", [0.0006, 0.0171887, 0.0573, 1.4])
def test_the_text_for_a_sleds_file_is_no_coarser(units, tolerance):
    read = deg_from_slope(parse_slope(tolerance_text(tolerance, units)))
    assert tolerance * 0.99 < read <= tolerance * (1 + 1e-6)


def test_a_round_tolerance_stays_round():
    assert tolerance_text(deg_from_slope(0.0003), "mm") == "0.300mm/m"


def test_the_sleds_questions_offer_it(tmp_path, monkeypatch, capsys):
    said = iter(["mm", "Oak", "work", "banana", "work", "box", "300mm", "100mm", "0.1mm"])
    monkeypatch.setattr("typer.prompt", lambda _, default="": next(said, default))
    path = tmp_path / "oak.toml"
    assert main(["sled", str(path)]) == 0
    assert load_sled(path).tolerance_deg == pytest.approx(math.degrees(math.atan(0.001)), rel=1e-6)
    assert "box with butted sides 300 mm long and 100 mm high, gap up to 0.10 mm" in path.read_text(encoding="utf-8")
    out = capsys.readouterr().out
    assert "'banana' is no kind of work" in out
    assert "That asks for 1.00mm/m" in out
