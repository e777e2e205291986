"""The typed-readings command, from option to sentence."""

from __future__ import annotations

import json

import pytest

from visioncheck.cli import main


@pytest.fixture
def sleds(tmp_path):
    for units, more in (("in", []), ("mm", ["--kind", "screw", "--pivot", "right"])):
        assert main(["sled", str(tmp_path / f"{units}.toml"), "--defaults", "--units", units, *more]) == 0
    return tmp_path


def reckon(capsys, *arguments, code=0):
    capsys.readouterr()
    assert main(["reckon", *arguments]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return out if code == 0 else err


def found(capsys, *arguments):
    return json.loads(reckon(capsys, *arguments, "--json"))


def test_five_cuts(capsys, sleds):
    arguments = ["--cuts", "5", "--rear", "1.0235in", "--front", "1.0210in", "--length", "23in"]
    arguments += ["--sled", str(sleds / "in.toml")]
    result = found(capsys, *arguments)
    assert result["fence_error_deg"]["value"] == pytest.approx(0.0015570, rel=1e-4)
    assert result["in_per_ft"] == pytest.approx(12 * 0.0025 / 92, rel=1e-4)
    assert result["correction"]["verdict"] == "inside"
    out = " ".join(reckon(capsys, *arguments).split())
    assert "leave the fence as it is" in out
    assert out.count("Unplug the saw") == 1


@pytest.mark.parametrize(
    ("arguments", "e"),
    [
        (["--angle", "90.05", "--side", "left"], 0.05),
        (["--angle", "90.05°", "--side", "right"], -0.05),
        (["--angle", "90.05", "--side", "left", "--fence", "front"], -0.05),
        (["--angle", "44.9", "--nominal", "45"], -0.1),
        (["--corners", "90.02,90.02,90.02,89.94"], 0.02),
        (["--corners", "90.02,90.02,90.02,89.94", "--side", "right"], -0.02),
        (["--corners", "90.2,90.2,89.4,90.2", "--unordered", "--u", "0.01deg"], 0.2),
        (["--taper", "0.4deg", "--wide", "rear"], 0.1),
        (["--taper", "0.4deg", "--wide", "front"], -0.1),
        (["--taper", "0.4deg", "--wide", "rear", "--side", "right"], -0.1),
        (["--taper", "0.4deg", "--wide", "rear", "--fence", "front"], 0.1),
        (["--taper", "0.4deg", "--wide", "rear", "--cuts", "4"], 0.1),
        (["--taper", "0.24deg", "--wide", "rear", "--cuts", "3"], 0.1),
        (["--taper", "0.4deg", "--wide", "rear", "--cuts", "8"], 0.1),
        (["--taper", "0.6deg", "--wide", "rear", "--cuts", "7", "--nominal", "120"], 0.1),
        (["--wedge", "0.2deg", "--turned", "right", "--opens", "straightedge"], 0.1),
        (["--wedge", "0.2deg", "--turned", "left", "--opens", "straightedge"], -0.1),
        (["--wedge", "1/32in", "--length", "12in", "--turned", "right", "--opens", "far"], -0.0746),
    ],
)
def test_every_way_to_read_it(capsys, arguments, e):
    result = found(capsys, *arguments)
    assert result["status"] == "measured"
    assert result["fence_error_deg"]["value"] == pytest.approx(e, abs=1e-5)
    assert reckon(capsys, *arguments)


@pytest.mark.parametrize(
    ("arguments", "asks", "size"),
    [
        (["--taper", "0.4deg"], "--wide rear or --wide front", 0.1),
        (["--wedge", "0.2deg", "--turned", "left"], "--opens straightedge or far", 0.1),
        (["--corners", "90.02,90.03,90.01,89.94", "--unordered"], "in the order cut", None),
    ],
)
def test_where_the_sign_cannot_be_known_it_asks(capsys, sleds, arguments, asks, size):
    arguments = [*arguments, "--sled", str(sleds / "in.toml")]
    result = found(capsys, *arguments)
    assert result["status"] == "sign unknown"
    assert "correction" not in result
    if size:
        assert result["fence_error_deg"]["value"] == pytest.approx(size)
    out = " ".join(reckon(capsys, *arguments).split())
    assert asks in out
    assert "end is too far" not in out
    assert "RIGHT end" not in out


def test_callipers_uncertainty(capsys):
    widths = ["--rear", "25.1mm", "--front", "25mm", "--length", "400mm"]
    usual = found(capsys, *widths)["fence_error_deg"]["u"]
    fine = found(capsys, *widths, "--u", "0.01mm")["fence_error_deg"]["u"]
    assert usual == pytest.approx(0.0010, abs=2e-5)  # 0.02 mm each over 4 · 400 mm
    assert fine == pytest.approx(usual / 2, rel=0.01)


def test_bare_numbers_take_the_sleds_units(capsys, sleds):
    result = found(capsys, "--rear", "1.0235", "--front", "1.0210", "--length", "23", "--sled", str(sleds / "in.toml"))
    assert result["fence_error_deg"]["value"] == pytest.approx(0.0015570, rel=1e-4)


def test_move_in_words(capsys, sleds):
    arguments = ["--angle", "90.05", "--u", "0.005", "--sled", str(sleds / "mm.toml")]
    out = " ".join(reckon(capsys, *arguments).split())
    assert "LEFT end FORWARD, away from the operator, by 0.524 ± 0.103 mm (20.6 ± 4.0 thou)" in out
    assert "1/2 turn of the adjusting screw clockwise" in out


@pytest.mark.parametrize(
    ("corners", "says"),
    [
        ("90.5,90,90,89.5 --u 0.02", "four cuts with one fence error miss these corners by 0.333°"),
        ("90,90,89.5,90.5", "four cuts with one fence error miss these corners by 0.333°"),
        ("90,90,90,89", "the four sum to 359.000°"),
        ("90.3,90.2,90.2,90.3", "the four sum to 361.000°"),
        ("90.05,90.05,90.05,90.05 --u 0.01deg", "the four sum to 360.200°"),
        ("90,90,90,89 --unordered", "the four sum to 359.000°"),
    ],
)
def test_corners_that_no_four_cuts_make_are_refused(capsys, corners, says):
    assert main(["reckon", "--corners", *corners.split()]) == 2
    told = capsys.readouterr()
    assert says in told.err
    assert "Move" not in told.out


def test_corners_that_close_within_their_uncertainty_are_not(capsys):
    assert "Closure" in reckon(capsys, "--corners", "90.05,90.05,90.05,90.05", "--u", "0.06deg")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "Give one reading"),
        (["--angle", "90", "--taper", "1deg"], "Give one reading"),
        (["--rear", "25mm"], "--front and --length"),
        (["--rear", "25", "--front", "25mm", "--length", "400mm"], "has no unit"),
        (["--rear", "nanmm", "--front", "25mm", "--length", "400mm"], "--rear"),
        (["--rear", "-25mm", "--front", "25mm", "--length", "400mm"], "--rear is -25"),
        (["--rear", "25mm", "--front", "25mm", "--length", "0mm"], "--length"),
        (["--rear", "250mm", "--front", "25mm", "--length", "400mm"], "check them"),
        (["--angle", "90", "--length", "4in"], "--length does not belong"),
        (["--angle", "ninety"], "--angle"),
        (["--angle", "1.2.3"], "--angle"),
        (["--angle", "nan"], "--angle"),
        (["--angle", "45"], "nominal"),
        (["--angle", "90", "--side", "top"], "--side is 'top'"),
        (["--angle", "90", "--u", "0deg"], "--u"),
        (["--angle", "90", "--nominal", "nan"], "--nominal"),
        (["--corners", "90,90,90"], "four angles"),
        (["--corners", "90,90,90,x"], "--corners"),
        (["--taper", "1deg", "--wide", "left"], "--wide"),
        (["--taper", "1deg", "--cuts", "1"], "--cuts 1"),
        (["--taper", "1deg", "--nominal", "100"], "--cuts 5"),
        (["--wedge", "1mm", "--nominal", "45"], "--wedge"),
        (["--cuts", "five", "--taper", "1deg"], "--cuts"),
        (["--cuts", "5", "--angle", "90"], "--cuts does not belong"),
        (["--angle", "90", "--sled", "no.toml"], "No sled file no.toml"),
        (["--angel", "90"], "--angel"),
    ],
)
def test_bad_input_is_one_sentence(capsys, arguments, says):
    err = reckon(capsys, *arguments, code=2)
    assert says in err
    assert err.startswith("visioncheck: ")
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("given", "told", "assumed"),
    [
        ("--angle 90.1", "", {"fence": "rear", "piece_side": "left"}),
        ("--angle 90.1", "--side right", {"fence": "rear"}),
        ("--corners 90.1,90.1,90.1,89.7", "--fence front", {"piece_side": "left"}),
        ("--rear 30mm --front 29.9mm --length 300mm", "", {"piece_side": "left"}),
        ("--taper 0.1deg --wide rear", "", {"piece_side": "left"}),
        ("--wedge 0.2deg --turned-half right --opens far", "", {"fence": "rear"}),
    ],
)
def test_what_the_sign_hangs_on_and_was_not_told_is_said(capsys, given, told, assumed):
    assert json.loads(reckon(capsys, *given.split(), *told.split(), "--json"))["assumed"] == assumed
    assert "Assumed" in reckon(capsys, *given.split(), *told.split())
    # what is listed or told turns the sign, and nothing else does
    e = {}
    for fence in ("rear", "front"):
        for side in ("left", "right"):
            found = json.loads(reckon(capsys, *given.split(), "--fence", fence, "--side", side, "--json"))
            e[fence, side] = found["fence_error_deg"]["value"]
    assert (e["rear", "left"] == -e["front", "left"]) == ("fence" in assumed or "--fence" in told)
    assert (e["rear", "left"] == -e["rear", "right"]) == ("piece_side" in assumed or "--side" in told)


def test_nothing_is_assumed_with_a_sled_or_without_a_sign(capsys):
    for given in ("--angle 90.1 --fence rear --side left", "--taper 0.1deg"):
        assert "assumed" not in json.loads(reckon(capsys, *given.split(), "--json"))
        assert "Assumed" not in reckon(capsys, *given.split())
