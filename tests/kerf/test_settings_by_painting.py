"""The fence settings proved by sawing: cells of a board removed on a number line, for every fence and flange side.

Nothing of the formula under test is used here. The line is the saw seen by its operator, x to the right; the fixed
flange's face is at x = 0, the blade stands against it; the fence is where the scale, zeroed with the zero blade,
reads the setting; the board lies against the fence with its fence edge.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from visioncheck.kerf.passes import lay_out, scale_offset_mm
from visioncheck.kerf.plan import Groove, Plan, TableSaw
from visioncheck.quantity import Quantity

CELL_MM = 0.005
INCH = 25.4
SIDES = list(itertools.product(("left", "right"), ("left", "right")))


def exact(mm: float) -> Quantity:
    return Quantity(mm, 0.0, "mm")


def plan_of(grooves, fence, flange, *, zero=3.175, board=200.0, overlap=0.8) -> Plan:
    return Plan(
        name="test",
        units="mm",
        board_mm=board,
        fence_edge="front",
        other_edge="back",
        saw=TableSaw(fence, flange, exact(zero)),
        overlap_mm=overlap,
        tolerance_mm=0.25,
        grooves=tuple(grooves),
    )


def blade_on_arbor(kerf: float, flange: str) -> tuple[float, float]:
    return (0.0, kerf) if flange == "left" else (-kerf, 0.0)


def paint(plan: Plan, settings: list[float], kerf: float) -> np.ndarray:
    """Saw the board; returns which cells are gone, counted from the edge at the fence."""
    fence, flange = plan.saw.fence, plan.saw.flange
    zero_left, zero_right = blade_on_arbor(plan.saw.zero_kerf.value, flange)
    left, right = blade_on_arbor(kerf, flange)
    from_fence = (np.arange(round(plan.board_mm / CELL_MM)) + 0.5) * CELL_MM
    gone = np.zeros(from_fence.size, bool)
    for setting in settings:
        x = zero_right + setting - from_fence if fence == "right" else zero_left - setting + from_fence
        gone |= (x > left) & (x < right)
    return gone


def walls(gone: np.ndarray) -> list[tuple[float, float]]:
    turns = np.flatnonzero(np.diff(np.concatenate([[0], gone.astype(int), [0]]))) * CELL_MM
    return list(zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True))


@pytest.mark.parametrize(("fence", "flange"), SIDES)
@pytest.mark.parametrize("edge", ["front", "back"])
@pytest.mark.parametrize(
    "size",
    [(19.05, 50.0, 19.05), (6.0, 31.0, 18.3), (2.2, 12.5, 6.35), (3.175, 77.0, 9.0), (19.05, 0.0, 30.0)],
)
def test_the_sawn_groove_lies_where_the_plan_wants_it(fence, flange, edge, size):
    kerf, at, width = size
    plan = plan_of([Groove("g", edge, at, width, exact(kerf))], fence, flange)
    (cut,) = lay_out(plan).cuts
    (sawn,) = walls(paint(plan, [one.setting_mm for one in cut.passes], kerf))
    wanted = (at, at + width) if edge == "front" else (200.0 - at - width, 200.0 - at)
    assert sawn == pytest.approx(wanted, abs=1.01 * CELL_MM)
    assert (cut.near_mm, cut.far_mm) == pytest.approx(wanted, abs=1e-9)
    assert (cut.place.value, cut.width.value) == pytest.approx((at, width), abs=1e-9)


@pytest.mark.parametrize(("fence", "flange"), SIDES)
def test_the_zero_blade_itself_needs_no_correction(fence, flange):
    plan = plan_of([Groove("g", "front", 40.0, 3.175)], fence, flange)
    (cut,) = lay_out(plan).cuts
    assert [one.setting_mm for one in cut.passes] == [pytest.approx(40.0)]
    (sawn,) = walls(paint(plan, [40.0], 3.175))
    assert sawn == pytest.approx((40.0, 43.175), abs=1.01 * CELL_MM)


@pytest.mark.parametrize(("fence", "flange"), SIDES)
def test_every_pass_paints_what_it_says_and_the_last_makes_the_width(fence, flange):
    plan = plan_of([Groove("g", "front", 20.0, 25.0, exact(6.0))], fence, flange)
    (cut,) = lay_out(plan).cuts
    settings = [one.setting_mm for one in cut.passes]
    for k, one in enumerate(cut.passes):
        (sawn,) = walls(paint(plan, [one.setting_mm], 6.0))
        assert sawn == pytest.approx((one.near_mm, one.far_mm), abs=1.01 * CELL_MM)
        if k:
            assert cut.passes[k - 1].far_mm - one.near_mm >= plan.overlap_mm - 1e-9
    before = walls(paint(plan, settings[:-1], 6.0))[0]
    assert before[1] < 45.0 - 1.0


@pytest.mark.parametrize(("fence", "flange"), SIDES)
def test_settings_of_the_owner_come_out_as_sawn(fence, flange):
    settings = (30.0, 41.0, 36.0)  # 41 leaves a sliver of 0.5 between it and 36
    plan = plan_of([Groove("g", "front", 30.0, 15.0, exact(4.5), settings_mm=settings)], fence, flange)
    layout = lay_out(plan)
    (cut,) = layout.cuts
    sawn = walls(paint(plan, list(settings), 4.5))
    assert (cut.near_mm, cut.far_mm) == pytest.approx((sawn[0][0], sawn[-1][1]), abs=1.01 * CELL_MM)
    assert len(sawn) == 3
    assert sum("sliver" in warning for warning in layout.warnings) == 2


def test_three_quarter_stack_on_an_eighth_zero_is_five_eighths_off():
    # common practice, no source
    saw = TableSaw("right", "left", exact(INCH / 8))
    groove = Groove("dado", "front", 100.0, 0.75 * INCH, exact(0.75 * INCH))
    assert scale_offset_mm(groove, saw) == pytest.approx(0.625 * INCH)
    # with the fence on the flange's side it is right as it reads
    assert scale_offset_mm(groove, TableSaw("left", "left", exact(INCH / 8))) == 0


@pytest.mark.parametrize(("fence", "flange"), SIDES)
@pytest.mark.parametrize("edge", ["front", "back"])
@pytest.mark.parametrize("width", [6.0, 20.0])
def test_uncertainty_agrees_with_sawing_many_boards(fence, flange, edge, width):
    """Monte Carlo in place of the linear law: settings kept, kerfs and settings drawn (JCGM 101)."""
    u_kerf, u_zero, u_set = 0.04, 0.03, 0.02
    groove = Groove("g", edge, 50.0, width, Quantity(6.0, u_kerf, "mm"))
    saw = TableSaw(fence, flange, Quantity(3.175, u_zero, "mm"), u_set)
    (cut,) = lay_out(replace(plan_of([groove], fence, flange), saw=saw)).cuts
    draw = np.random.default_rng(3)
    n = 40_000
    kerf, zero = draw.normal(6.0, u_kerf, n), draw.normal(3.175, u_zero, n)
    settings = np.array([one.setting_mm for one in cut.passes])[:, None] + draw.normal(0, u_set, (len(cut.passes), n))
    # the faces nearest the fence, on the saw's own line
    towards = 1 if fence == "right" else -1
    face = {"left": (0 * kerf, kerf), "right": (-kerf, 0 * kerf)}[flange]
    zero_face = {"left": (0 * zero, zero), "right": (-zero, 0 * zero)}[flange]
    index = 1 if fence == "right" else 0
    near = (zero_face[index] + towards * settings - face[index]) * towards
    near_wall, far_wall = near.min(0), near.max(0) + kerf
    place = near_wall if edge == "front" else 200.0 - far_wall
    assert cut.place.u == pytest.approx(place.std(), rel=0.03)
    assert cut.width.u == pytest.approx((far_wall - near_wall).std(), rel=0.03)
