"""Repeat cuts: the spread of a stop, a second stop's zero and line; typed, simulated, sawn as polygons and painted."""

from __future__ import annotations

import json

import numpy as np
import pytest

from tests.fence.cutting import board, corner_at, cut, edge, seat
from tests.flags.painted import photo, rectangle
from tests.hard.scene import Lamp, piece, shoot
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.log.store import Log
from visioncheck.measuring.lengths import measure_lengths
from visioncheck.quantity import Quantity
from visioncheck.results.schema import validate
from visioncheck.work.lengths import PieceLength, compare_stops, spread

SLED = "fixtures/sleds/alder-lane.toml"


def pieces(lengths, u=0.01, **shared):
    return [PieceLength(str(k), float(each), u, **shared) for k, each in enumerate(lengths)]


def test_spread_in_closed_form():
    """NIST/SEMATECH e-Handbook, 1.3.5.6: s of 1, 2, 3, 4, 5 is the root of 2.5; less the readings' own variance."""
    stop = spread(pieces([101, 102, 103, 104, 105], u=0.5))
    assert stop.sd_mm == pytest.approx(np.sqrt(2.5))
    assert stop.stop_sd_mm == pytest.approx(np.sqrt(2.5 - 0.25))
    assert stop.mean.value == 103
    assert stop.mean.u == pytest.approx(np.sqrt(2.5 / 5))
    assert stop.mean.dof == pytest.approx(4)


def test_what_is_shared_moves_the_mean_and_no_difference():
    shared = {"u_shared_rel": 1e-3, "u_shared_mm": 0.2}
    first, second = spread(pieces([300, 300.02, 300.04], **shared)), spread(pieces([300.1, 300.12, 300.14], **shared))
    assert first.mean.u > 0.3
    zero = compare_stops(first, second).zero
    assert zero.value == pytest.approx(0.1)
    assert zero.u == pytest.approx(np.hypot(*[0.02 / np.sqrt(3)] * 2), rel=1e-3)


def test_settings_are_taken_off():
    first, second = spread(pieces([300.0, 300.1]), 300.0), spread(pieces([450.2, 450.3]), 450.0)
    assert compare_stops(first, second).zero.value == pytest.approx(0.2)


@pytest.mark.parametrize("true_sd", [0.0, 0.03, 0.1])
def test_simulated_coverage(true_sd):
    """Means, differences of stops, and the stop's own spread hold the truth in 92 to 99 % of cases or more."""
    rng = np.random.default_rng(11)
    held = {"mean": 0, "zero": 0, "sd": 0}
    rounds = 300
    for _ in range(rounds):
        scale = 1 + rng.normal(0, 1e-4)
        read = [
            scale * (rng.normal(200, true_sd, 6) if true_sd else np.full(6, 200.0)) + rng.normal(0, 0.02, 6)
            for _ in range(2)
        ]
        stops = [spread(pieces(each, u=0.02, u_shared_rel=1e-4)) for each in read]
        held["mean"] += abs(stops[0].mean.value - 200) <= stops[0].mean.expanded()
        zero = compare_stops(*stops).zero
        held["zero"] += abs(zero.value) <= zero.expanded()
        held["sd"] += stops[0].low_mm <= true_sd <= stops[0].high_mm
    assert all(share >= 0.92 * rounds for share in held.values()), held
    if true_sd > 0.05:
        assert held["zero"] <= 0.99 * rounds


@pytest.mark.parametrize("piece_side", ["left", "right"])
@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("kink", [-0.3, 0.2])
def test_a_kinked_extension_sawn(kink, piece_side, fence):
    """Pieces that lie on an extension turned by `kink` are sawn with the fence's error plus that kink."""
    e = 0.05
    groups = []
    for turn in (e, e + kink):
        kept, _ = cut(board(), "a", 300, turn, piece=piece_side, fence=fence, fresh="end")
        angle = Quantity(corner_at(kept, "a", "end"), 0.01, "deg")
        groups.append(spread([PieceLength(str(k), 300.0, 0.01, angle=angle) for k in range(3)]))
    sense = 1 if (piece_side == "left") == (fence == "rear") else -1
    line = compare_stops(*groups).line
    assert line is not None
    assert line.value == pytest.approx(sense * kink, abs=1e-9)


def test_a_step_turns_a_piece_that_bears_on_both_faces():
    """t = atan(h / L): the board seated on a fence turned by t lies on the end of the extension, h farther on."""
    step, bearing = 0.4, 250.0
    turned = seat(board(), "a", np.degrees(np.arctan2(step, bearing)), "rear")
    a, b = edge(turned, "a")
    assert (b - a)[1] / (b - a)[0] * bearing == pytest.approx(step)


def run(capsys, *arguments, code=0):
    assert main(["lengths", *[str(each) for each in arguments]]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return " ".join((out if code == 0 else err).split())


TYPED = ("--read", "300.02mm,300.05mm,299.99mm,300.10mm", "--set", "300mm", "--second-read", "450.2mm,450.15mm,450.3mm")
ANGLES = ("--angles", "90.02,90.03,90.01,90.02", "--second-angles", "90.3,90.32,90.25")


def test_typed_into_words_log_and_report(tmp_path, capsys):
    arguments = (*TYPED, "--second-set", "450mm", *ANGLES, "--sled", SLED, "--log", tmp_path / "log")
    said = run(capsys, *arguments, "--picture", tmp_path / "lengths.png")
    assert "the second stop's pieces come out 0.177 mm ± 0.159 mm too long" in said
    assert "its right end too far forward" in said
    assert "the offcut must lie free" in said
    assert (tmp_path / "lengths.png").stat().st_size > 5000
    with Log.open(tmp_path / "log", readonly=True) as log:
        (entry,) = log.entries()
    assert entry.fence_error is None
    validate(entry.reading)
    assert main(["report", str(tmp_path / "log"), "-o", str(tmp_path / "r.html")]) == 0
    assert "lengths 300.04 mm, 450.22 mm; longest less shortest 0.150 mm" in (tmp_path / "r.html").read_text("utf-8")


def test_inches(capsys):
    said = run(capsys, "--read", "12in, 12.001in, 12.003in, 11.999in")
    assert "longest less shortest 4.0 thou" in said


TWO = ("--read", "300mm,300.1mm", "--second-read", "300mm,300.1mm")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "either photos of the pieces or their lengths"),
        (("--read", "300mm"), "--read has 1 lengths"),
        (("--read", "12in,12.001"), "has no unit"),
        (("--read", "300mm,350mm"), "no repeat cuts"),
        (("--read", "300mm,300.1mm", "--u", "0mm"), "no reading is exact"),
        ((*TWO, "--angles", "90", "--second-angles", "90,90"), "one for each"),
        ((*TWO, "--angles", "90,80", "--second-angles", "90,90"), "near 90"),
        ((*TWO, "--angles", "90,90"), "--angles and --second-angles go together"),
        (("--read", "300mm,300.1mm", "--angles", "90,90"), "--angles has no effect of one stop alone"),
        (("--read", "300mm,300.1mm", "--second-set", "90mm"), "--second-set has no effect of one stop alone"),
        (("--read", "300mm,300.1mm", "--cut-edge", "left"), "--cut-edge has no effect"),
        (("--read", "300mm,300.1mm", "--note", "x"), "--note goes into a log"),
        (("--read", "300mm,300.1mm", "--log", "x"), "--sled SLED.toml"),
        (("--read", "300mm,300.1mm", "--set", "0mm"), "--set is 0 mm"),
        (("x.jpg", "--u", "0.1mm"), "--u has no effect without --read"),
        (
            ("x.jpg", "--second", "y.jpg", "--fence-edge", "bottom", "--cut-edge", "sideways"),
            "--cut-edge 'sideways' is not known",
        ),
        (("x.jpg", "--second", "y.jpg", "--cut-edge", "left"), "--cut-edge needs --fence-edge"),
    ],
)
def test_each_slip_is_named(capsys, arguments, says):
    assert says in run(capsys, *arguments, code=2)


LENGTHS = (120.0, 120.06, 119.94, 120.1)


@pytest.fixture(scope="module")
def four(tmp_path_factory):
    """Four pieces laid on one sheet, in a true camera's picture."""
    blocks = [
        piece(rectangle((length, 34.0), (105.0, 72.0 + 50 * k), 1.0 + 0.7 * k, (90.1, 89.9, 90.0)), 12.0, "oak", seed=k)
        for k, length in enumerate(LENGTHS)
    ]
    return shoot(photo("survey-1"), blocks, Lamp()).save(tmp_path_factory.mktemp("lengths") / "four.jpg")


@pytest.mark.photos
def test_pieces_laid_together_are_read_each(four, rig_file):
    found, shapes, _ = measure_lengths(four, load_rig(rig_file), Quantity(12.0, 0.05, "mm"), "bottom", "right")
    assert len(found) == len(shapes) == 4
    by_length = sorted(found, key=lambda each: each.length_mm)
    for each, length in zip(by_length, sorted(LENGTHS), strict=True):
        # the middle line of a piece with these corners is as long as it was laid out
        assert each.length_mm == pytest.approx(length, abs=0.15)
        assert each.u_own_mm < 0.05
    # laid out at 89.9° where the lower edge meets the right end, or at the corner across, as the piece lies
    assert all(each.angle is not None and abs(each.angle.value - 90) < 0.2 for each in found)
    stop = spread(found)
    assert stop.range_mm == pytest.approx(np.ptp(LENGTHS), abs=0.06)


@pytest.mark.photos
def test_photos_into_the_log(four, rig_file, tmp_path, capsys):
    arguments = (four, "--rig", rig_file, "--thickness", "12mm", "--sled", SLED, "--log", tmp_path / "log", "--json")
    assert main(["lengths", *[str(each) for each in arguments]]) == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found["stops"][0]["pieces"]) == 4
    with Log.open(tmp_path / "log", readonly=True) as log:
        (entry,) = log.entries()
    assert entry.photo_sha256 is not None
    assert main(["log", "check", str(tmp_path / "log")]) == 0


def test_one_piece_is_no_spread():
    with pytest.raises(UserError, match="at least 2"):
        spread(pieces([300.0]))


@pytest.mark.parametrize("told", [(300.0, None), (None, 450.0), (None, None)])
def test_without_both_settings_the_stops_are_taken_to_be_set_alike(told):
    first, second = (spread(pieces((300.0, 300.02)), told[0]), spread(pieces((300.1, 300.12)), told[1]))
    assert compare_stops(first, second).zero.value == pytest.approx(0.1)


def test_the_lines_uncertainty_is_no_less_than_the_readings_own():
    def read(*angles):
        return spread([
            PieceLength(str(k), 300.0 + 0.01 * k, 0.01, angle=Quantity(angle, 0.05, "deg"))
            for k, angle in enumerate(angles)
        ])  # fmt: skip

    calm = compare_stops(read(90.0, 90.0, 90.0, 90.0), read(90.1, 90.1)).line
    assert calm.value == pytest.approx(0.1)
    # u/√n each, in quadrature: 0.05 √(1/4 + 1/2)
    assert calm.u == pytest.approx(0.05 * (1 / 4 + 1 / 2) ** 0.5)
