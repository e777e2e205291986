"""Typed readings in the log: what was typed and how well it was read stays with them, through every copy."""

from __future__ import annotations

import json

import pytest

from visioncheck.cli import main
from visioncheck.fence.typed import compute_typed
from visioncheck.log.store import Log
from visioncheck.present.typed import format_inputs

SLED = "fixtures/sleds/alder-lane.toml"
STRIP = ("--rear", "30.42", "--front", "30.10mm", "--length", "300mm", "--cuts", "6", "--u", "0.01mm")


def run(capsys, *arguments, code=0):
    assert main([str(each) for each in arguments]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return out if code == 0 else err


@pytest.fixture
def log(tmp_path, capsys):
    folder = tmp_path / "log"
    arguments = ("--sled", SLED, "--log", folder, "--note", "new callipers", "--time", "2026-03-01 10:00")
    run(capsys, "reckon", *STRIP, *arguments)
    return folder


def readings(folder):
    with Log.open(folder, readonly=True) as opened:
        return [entry.reading for entry in opened.entries()]


def test_what_was_typed_gives_the_same_error_again(log):
    (reading,) = readings(log)
    inputs = reading["inputs"]
    assert inputs["typed"] == {"rear": "30.42", "front": "30.10mm", "length": "300mm", "cuts": "6", "u": "0.01mm"}
    assert (inputs["units"], inputs["fence"], inputs["piece_side"], inputs["nominal_deg"]) == ("mm", "rear", "left", 90)
    assert inputs["u"] == {"reading_mm": 0.01, "length_mm": 0.5}
    typed = {key: text if text != "30.42" else "30.42mm" for key, text in inputs["typed"].items()}
    again = compute_typed(typed, None, inputs["piece_side"], inputs["fence"], inputs["nominal_deg"]).error
    assert again.value == pytest.approx(reading["fence_error_deg"]["value"], abs=1e-15)
    assert again.u == pytest.approx(reading["fence_error_deg"]["u"], abs=1e-15)


def test_list_show_and_report_say_it(log, tmp_path, capsys):
    listed = run(capsys, "log", "list", log)
    assert "typed: rear 30.42, front 30.10mm, length 300mm, u 0.01mm, cuts 6, new callipers" in listed
    shown = run(capsys, "log", "show", log, listed.splitlines()[1][:8])
    said = "rear 30.42, front 30.10mm, apart 300mm, cuts 6; u of a reading 0.01 mm; fence rear, piece left of the blade"
    assert said in shown
    run(capsys, "report", log, "-o", tmp_path / "report.html")
    assert said in (tmp_path / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("ending", ["json", "csv"])
def test_every_copy_keeps_it_and_is_whole(log, tmp_path, capsys, ending):
    exported = tmp_path / f"out.{ending}"
    run(capsys, "log", "export", log, "-o", exported)
    run(capsys, "log", "import", tmp_path / "again", exported)
    assert readings(tmp_path / "again") == readings(log)
    for folder in (log, tmp_path / "again"):
        assert "is whole" in run(capsys, "log", "check", folder)


def test_an_older_reading_orders_no_move(log, capsys):
    angle = ("reckon", "--angle", "90.2", "--sled", SLED, "--log", log)
    late = run(capsys, *angle, "--time", "2026-02-01")
    assert "this is not the newest reading of the sled" in " ".join(late.split())
    assert "Unplug" not in late
    found = json.loads(run(capsys, *angle, "--time", "2026-02-02", "--json"))
    assert "move_mm" not in found["correction"]
    assert "Unplug" in run(capsys, *angle)


def test_a_log_needs_a_sled_and_notes_a_log(tmp_path, capsys):
    assert "--sled SLED.toml" in run(capsys, "reckon", "--angle", "90", "--log", tmp_path / "log", code=2)
    assert not (tmp_path / "log").exists()
    for option in ("--note", "--person", "--adjusted", "--time"):
        assert f"{option} goes into a log" in run(capsys, "reckon", "--angle", "90", option, "2026-01-01", code=2)
    wrong = ("--sled", SLED, "--log", tmp_path / "log", "--time", "noon")
    assert "--time 'noon' is no time" in run(capsys, "reckon", "--angle", "90", *wrong, code=2)
    assert not (tmp_path / "log").exists()


def test_a_reading_whose_sign_is_asked_keeps_what_was_typed(tmp_path, capsys):
    run(capsys, "reckon", "--taper", "0.2deg", "--sled", SLED, "--log", tmp_path / "log")
    (reading,) = readings(tmp_path / "log")
    assert (reading["status"], reading["inputs"]["typed"]) == ("sign unknown", {"taper": "0.2deg"})
    assert reading["inputs"]["u"] == {"reading_deg": 0.05}


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (("--bevel", "90.1", "--height", "40mm"), "tilt 0.100 ± 0.098°"),
        (("--edge-gap", "0.1mm", "--length", "500mm", "--opens", "middle"), "bow 0.050 ± 0.020 mm"),
        (("--lifted", "2.62mm,2.58mm", "--length", "200mm"), "heel 0.011 ± 0.016°"),
    ],
)
def test_what_is_no_fence_error_is_listed_by_its_own_name(tmp_path, capsys, typed, said):
    run(capsys, "reckon", *typed, "--sled", SLED, "--log", tmp_path / "log")
    assert f"  {said}" in run(capsys, "log", "list", tmp_path / "log")


def test_a_tilt_is_kept_with_the_angle_that_it_was_counted_from(tmp_path, capsys):
    arguments = ("--bevel", "45.2", "--nominal", "45", "--height", "40mm")
    run(capsys, "reckon", *arguments, "--sled", SLED, "--log", tmp_path / "log")
    (reading,) = readings(tmp_path / "log")
    inputs = reading["inputs"]
    assert inputs["nominal_deg"] == 45
    again = compute_typed(inputs["typed"], None, inputs["piece_side"], None, inputs["nominal_deg"]).error
    assert again.value == pytest.approx(reading["blade_tilt_deg"]["value"], abs=1e-12)
    assert format_inputs(reading).endswith("nominal 45°")
