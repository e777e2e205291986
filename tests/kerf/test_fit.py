"""Parts in their grooves: clearance and its chances, stacks, trial cuts proved by sawing, centred grooves, datums."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.kerf.test_settings_by_painting import CELL_MM, SIDES, exact, paint, plan_of, walls
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.kerf.fit import FITS, DadoStack, choose_stack, judge_fit, learn_from_trial
from visioncheck.kerf.passes import lay_out
from visioncheck.kerf.plan import Groove, with_part
from visioncheck.kerf.read_plan import parse_plan, plan_from_data
from visioncheck.quantity import Quantity
from visioncheck.reading.sources import EDGE_BIAS_MM


def paint_overhanging(plan, settings, kerf, overhang):
    """Saw with a stack whose teeth reach farther to the flange's side: it lies that much towards the flange."""
    toward_fence = 1 if plan.saw.fence == plan.saw.flange else -1
    return paint(plan, [setting - toward_fence * overhang for setting in settings], kerf)


@pytest.mark.parametrize(("fence", "flange"), SIDES)
@pytest.mark.parametrize("overhang", [-0.2, 0.35])
@pytest.mark.parametrize(("kerf", "width"), [(19.05, 19.05), (6.35, 18.3)])
def test_a_known_overhang_puts_the_groove_where_it_is_wanted(fence, flange, overhang, kerf, width):
    plan = plan_of([Groove("g", "front", 50.0, width, exact(kerf))], fence, flange)
    plan = replace(plan, saw=replace(plan.saw, overhang=exact(overhang)))
    (cut,) = lay_out(plan).cuts
    (sawn,) = walls(paint_overhanging(plan, [one.setting_mm for one in cut.passes], kerf, overhang))
    assert sawn == pytest.approx((50.0, 50.0 + width), abs=1.01 * CELL_MM)
    assert (cut.near_mm, cut.far_mm) == pytest.approx((50.0, 50.0 + width), abs=1e-9)


@pytest.mark.parametrize(("fence", "flange"), SIDES)
@pytest.mark.parametrize("told", ["left", "right"])
@pytest.mark.parametrize("overhang", [-0.3, 0.0, 0.25])
def test_one_trial_cut_tells_flange_and_overhang(fence, flange, told, overhang):
    """Whatever the plan says of the flange, the trial finds it, and the next groove lies where it is wanted."""
    kerf, setting = 12.7, 80.0
    truth = plan_of([Groove("g", "front", 50.0, kerf, exact(kerf))], fence, flange)
    ((near, far),) = walls(paint_overhanging(truth, [setting], kerf, overhang))
    learned = learn_from_trial(setting, exact(near), exact(far - near), exact(3.175), fence, told)
    assert learned is not None
    assert learned.flange == flange
    assert learned.overhang.value == pytest.approx(overhang, abs=2.01 * CELL_MM)
    assert learned.offset.value == pytest.approx(setting - near)
    plan = replace(truth, saw=replace(truth.saw, flange=learned.flange, overhang=learned.overhang))
    (cut,) = lay_out(plan).cuts
    (sawn,) = walls(paint_overhanging(truth, [one.setting_mm for one in cut.passes], kerf, overhang))
    assert sawn == pytest.approx((50.0, 50.0 + kerf), abs=3.01 * CELL_MM)


def test_a_stack_hardly_wider_cannot_tell_the_flange():
    learned = learn_from_trial(80.0, exact(79.8), exact(3.4), exact(3.175), "right", "left")
    assert learned is not None
    assert learned.flange is None
    assert learned.overhang.value == pytest.approx(3.4 - 3.175 - 0.2)
    assert learn_from_trial(80.0, exact(75.0), exact(12.7), exact(3.175), "right") is None


def test_the_chances_hold_in_simulation():
    rng = np.random.default_rng(5)
    width, part = Quantity(18.22, 0.07, "mm"), Quantity(18.12, 0.03, "mm")
    fitted = judge_fit(FITS["glue"], part, width)
    clear = rng.normal(width.value, width.u, 200_000) - rng.normal(part.value, part.u, 200_000)
    assert fitted.too_tight == pytest.approx(np.mean(clear < FITS["glue"].least_mm), abs=0.004)
    assert fitted.too_loose == pytest.approx(np.mean(clear > FITS["glue"].most_mm), abs=0.004)
    low, high = (fitted.clearance.value + sign * fitted.clearance.expanded() for sign in (-1, 1))
    assert 0.92 <= np.mean((clear > low) & (clear < high)) <= 0.99


def test_a_phone_that_draws_edges_outwards_counts_against_both_in_a_clearance():
    """Drawn: one shift of all edges widens the part and narrows the groove (JCGM 101:2008, by propagation)."""
    rng, count, own = np.random.default_rng(6), 200_000, 0.01
    shift = rng.normal(0, EDGE_BIAS_MM, count)
    width = 18.2 - 2 * shift + rng.normal(0, own, count)
    part = 18.1 + 2 * shift + rng.normal(0, own, count)
    u = float(np.hypot(own, 2 * EDGE_BIAS_MM))
    found = judge_fit(FITS["glue"], Quantity(18.1, u, "mm"), Quantity(18.2, u, "mm"), both_seen=True).clearance
    assert found.u == pytest.approx(np.std(width - part), rel=0.01)
    assert 0.94 <= np.mean(np.abs(width - part - 0.1) <= found.expanded()) <= 0.96
    apart = judge_fit(FITS["glue"], Quantity(18.1, u, "mm"), Quantity(18.2, u, "mm")).clearance
    assert np.mean(np.abs(width - part - 0.1) <= apart.expanded()) < 0.9


def test_fits_are_in_order():
    tight, glue, slide = FITS["press"], FITS["glue"], FITS["slide"]
    assert tight.aim_mm < 0 < glue.aim_mm < slide.aim_mm
    assert all(each.least_mm < each.aim_mm < each.most_mm for each in FITS.values())


def test_the_nearest_stack_is_found():
    owned = DadoStack(6.4, (3.2, 3.2, 2.4, 1.6), (0.1, 0.1, 0.2, 0.5))
    for wanted in (6.4, 9.9, 12.83, 18.0):
        chosen = choose_stack(wanted, owned)
        assert chosen is not None
        every = [
            6.4 + sum(chippers) + sum(shims)
            for n in range(5) for chippers in itertools.combinations(owned.chippers_mm, n)
            for m in range(4) for shims in itertools.combinations(owned.shims_mm, m)
        ]  # fmt: skip
        assert abs(chosen.total_mm - wanted) == pytest.approx(min(abs(total - wanted) for total in every), abs=1e-5)
    assert choose_stack(5.0, owned) is None


PLAN = """
units = "mm"
[board]
width = "300mm"
edges = ["front", "back"]
[saw]
fence = "right"
flange = "left"
zero_kerf = "2.4mm"
setting_plus_minus = "0.1mm"
[blade]
kerf = "6.35mm"
plus_minus = "0.03mm"
[stack]
outer = "6.4mm"
chippers = ["3.2mm", "2.4mm"]
shims = ["0.1mm"]
[[groove]]
name = "shelf"
at = "80mm"
mating = "18.12mm"
mating_plus_minus = "0.06mm"
fit = "glue"
[[groove]]
name = "insert"
from = "back"
at = "centre"
width = "13mm"
"""


def test_a_part_makes_the_width_and_the_middle_the_place():
    shelf, insert = parse_plan(PLAN, "p.toml").grooves
    assert shelf.width_mm == pytest.approx(18.12 + FITS["glue"].aim_mm)
    assert shelf.mating is not None
    assert shelf.mating.expanded() == pytest.approx(0.06)
    assert insert.at_mm == pytest.approx((300 - 13) / 2)


def test_two_settings_alike_centre_a_groove_on_a_board_of_another_width():
    """Sawn once from each edge at one setting: the middle is the board's own, its width takes the board's error."""
    plan = parse_plan(PLAN, "p.toml")
    cut = lay_out(plan).cuts[1]
    near = min(one.near_mm for one in cut.passes)
    board, kerf = 301.0, 6.35
    from_front, from_back = (near, near + kerf), (board - near - kerf, board - near)
    assert (min(from_front[0], from_back[0]) + max(from_front[1], from_back[1])) / 2 == pytest.approx(board / 2)
    assert max(from_front[1], from_back[1]) - min(from_front[0], from_back[0]) == pytest.approx(13 + 1.0)


def test_what_a_plan_with_parts_says(tmp_path, capsys):
    path = tmp_path / "p.toml"
    path.write_text(PLAN)
    assert main(["groove", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for part in (
        "glue: 0.100 mm ± 0.157 mm clearance on a part of 18.12 mm ± 0.060 mm",
        "chance of too tight 19 %, of too loose 10 %",
        "once with 'front' and once with 'back' at the fence",
        "marked from different edges, 'front' and 'back'",
        "1 % of moisture (common practice)",
        "6.40 mm outside cutters, 3.20 mm chipper, 2.40 mm chipper",
        "the saw's manual allows it",
    ):
        assert part in said
    assert main(["groove", str(path), "--json"]) == 0
    shelf, _ = json.loads(capsys.readouterr().out)["grooves"]
    assert shelf["fit"]["probability_too_tight"] == pytest.approx(0.19, abs=0.01)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('fit = "glue"', "", "needs fit beside it"),
        ('mating = "18.12mm"', "", "needs mating beside it"),
        ('width = "13mm"', "", "groove[2].width is missing"),
        ('fit = "glue"', 'fit = "loose"', "groove[1].fit"),
        ('at = "centre"', 'at = "middle"', "groove[2].at"),
        ('from = "back"', 'from = "groove shelf"', "groove[2].from"),
        ("[saw]", '[saw]\noverhang = "3mm"', "saw.overhang"),
    ],
)
def test_slips_in_a_plan_with_parts(old, new, says):
    assert old in PLAN
    with pytest.raises(UserError) as caught:
        parse_plan(PLAN.replace(old, new, 1), "p.toml")
    assert says in str(caught.value)


ONE = (
    "--at",
    "80mm",
    "--board",
    "300mm",
    "--kerf",
    "6.35mm",
    "--zero-kerf",
    "2.4mm",
    "--fence",
    "right",
    "--flange",
    "left",
)


def groove(capsys, *arguments, code=0):
    assert main(["groove", *arguments]) == code
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return " ".join((out if code == 0 else err).split())


def test_one_groove_for_a_part(capsys):
    said = groove(capsys, *ONE, "--mating", "18.1mm", "--mating-plus-minus", "0.05mm", "--fit", "press")
    assert "press: 0.020 mm ± " in said
    assert "interference" in said


def test_one_trial_cut_typed(capsys):
    said = groove(capsys, *ONE, "--width", "6.35mm", "--trial-setting", "84mm", "--trial-at", "80.2mm")
    assert "on the left, the side away from the fence" in said
    assert 'flange = "left", overhang = "0.150mm"' in said


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--mating", "6.35mm"), "--fit"),
        (("--width", "7mm", "--trial-at", "80mm"), "--trial-at has no effect without --trial-setting"),
        (("--width", "7mm", "--trial-setting", "80mm"), "--trial-at, or --photo"),
        (("--width", "7mm", "--trial-setting", "80mm", "--trial-at", "60mm"), "fits neither flange"),
        (("--width", "7mm", "--mating-thickness", "18mm"), "--mating-thickness has no effect without --mating-photo"),
    ],
)
def test_each_slip_is_named(capsys, arguments, says):
    assert says in groove(capsys, *ONE, *arguments, code=2)


def test_a_measured_part_is_laid_out_as_if_it_had_been_typed():
    def read(mating):
        saw = {"zero_kerf": "3.2mm", "fence": "right", "flange": "left"}
        fitted = {"mating": mating, "fit": "slide"}
        grooves = [
            {"name": "first", "at": "20mm"} | fitted,
            {"name": "next", "at": "5mm", "from": "groove first"} | fitted,
            {"name": "middle", "at": "centre"} | fitted,
            {"name": "own", "at": "150mm", "width": "9mm"} | fitted,
        ]
        return plan_from_data(
            {"name": "Box", "units": "mm", "board": {"width": "200mm"}, "saw": saw, "groove": grooves}, "x", Path()
        )

    part = Quantity(8.4, 0.02, "mm")
    for found, typed in zip(with_part(read("8mm"), part).grooves, read("8.4mm").grooves, strict=True):
        assert (found.at_mm, found.width_mm) == pytest.approx((typed.at_mm, typed.width_mm))
        assert found.mating == part


def test_an_outer_pair_as_wide_as_the_groove_is_no_wider():
    # lengths within 0.005 mm are one (`checks.PLAN_SAME_MM`)
    owned = DadoStack(6.0, (), ())
    assert choose_stack(6.0 - 0.004, owned).total_mm == 6.0
    assert choose_stack(6.0 - 0.006, owned) is None
