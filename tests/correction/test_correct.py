"""The move: which end, which way, how far, with what, and what it leaves."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from visioncheck.correction.correct import correct
from visioncheck.correction.means import Passes, Stack, best_stack, means_for
from visioncheck.fence.decision import Verdict
from visioncheck.present.correction import describe, format_leaf
from visioncheck.quantity import Quantity
from visioncheck.results.advice import correction_json
from visioncheck.sled.model import Screw, Shims, Sled

SLED = Sled(
    name="Birch sled",
    units="in",
    tolerance_deg=0.0239,
    fence_side="rear",
    pivot="left",
    adjuster_distance_mm=609.6,
    fence_length_mm=762.0,
    adjuster=Shims(tuple(25.4 * t / 1000 for t in (1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20))),
    kerf_mm=3.175,
    tip_width_mm=3.175,
    piece_side="left",
)
SCREW = replace(SLED, adjuster=Screw(1.0, "forward"), units="mm")


@pytest.mark.parametrize(
    ("pivot", "e", "end", "way"),
    [("left", 0.1, "right", "back"), ("left", -0.1, "right", "forward"),
     ("right", 0.1, "left", "forward"), ("right", -0.1, "left", "back")],
)  # fmt: skip
@pytest.mark.parametrize("fence", ["rear", "front"])
def test_every_quadrant_turns_the_fence_square(pivot, e, end, way, fence):
    done = correct(Quantity(e, 0.001, "deg"), replace(SLED, pivot=pivot, fence_side=fence))
    assert (done.end, done.way) == (end, way)
    assert done.move.value == pytest.approx(609.6 * math.tan(math.radians(0.1)))
    # prove it by turning the fence: pivot at the origin, the moving end at ± D along the fence
    x = 609.6 if end == "right" else -609.6
    y = x * math.tan(math.radians(e)) + done.move.value * (1 if way == "forward" else -1)
    assert math.degrees(math.atan(y / x)) == pytest.approx(0, abs=1e-12)


@given(st.floats(-1, 1), st.sampled_from(["left", "right"]), st.booleans())
def test_error_afterwards_is_what_the_made_move_leaves(e, pivot, screw):
    sled = replace(SCREW if screw else SLED, pivot=pivot)
    done = correct(Quantity(e, 0.001, "deg"), sled)
    made = done.move.value - done.left_over_mm
    x = 609.6 if done.end == "right" else -609.6
    y = x * math.tan(math.radians(e)) + made * (1 if done.way == "forward" else -1)
    assert done.after.value == pytest.approx(math.degrees(math.atan(y / x)), abs=1e-10)
    assert done.after.u > 0.001 or made == 0


def test_best_stack_is_the_best_of_all():
    rng = np.random.default_rng(0)
    shims = Shims(tuple(rng.uniform(0.03, 0.6, 9)))
    for move in rng.uniform(0, 1.5, 30):
        stack = best_stack(move, shims)
        assert len(stack.leaves_mm) <= 3
        leaves = [*shims.leaves_mm, 0.0, 0.0, 0.0]
        every = [
            leaves[i] + leaves[j] + leaves[k]
            for i in range(12) for j in range(i + 1, 12) for k in range(j + 1, 12)
        ]  # fmt: skip
        assert abs(stack.thickness_mm - move) <= min(abs(s - move) for s in every) + 2.01e-4


def test_a_leaf_is_used_once_for_each_one_owned_and_no_more_leaves_than_needed():
    assert best_stack(0.2, Shims((0.1,))).leaves_mm == (0.1,)
    assert best_stack(0.2, Shims((0.1, 0.1))).leaves_mm == (0.1, 0.1)
    assert best_stack(0.3, Shims((0.1, 0.2, 0.3))).leaves_mm == (0.3,)
    assert best_stack(0.01, Shims((0.1, 0.2))) == Stack(())
    assert best_stack(9.0, Shims((0.1, 0.2, 0.3, 0.4))).leaves_mm == (0.4, 0.3, 0.2)


def test_screw_turns_to_the_nearest_sixteenth():
    done = correct(Quantity(0.05, 0.001, "deg"), SCREW)  # 0.532 mm back; clockwise moves it forward
    assert done.means.turns == Fraction(9, 16)
    assert done.means.way_round == "anticlockwise"
    assert done.left_over_mm == pytest.approx(0.53198 - 0.5625, abs=1e-4)
    other = correct(Quantity(-0.05, 0.001, "deg"), SCREW)
    assert other.means.way_round == "clockwise"
    left_handed = replace(SCREW, adjuster=Screw(1.0, "back"))
    assert correct(Quantity(0.05, 0.001, "deg"), left_handed).means.way_round == "clockwise"


@pytest.mark.parametrize(
    ("e", "u", "advice", "verdict"),
    [(0.005, 0.001, "leave it", Verdict.INSIDE), (0.1, 0.001, "move it", Verdict.OUTSIDE),
     (0.022, 0.004, "move it", Verdict.CANNOT_TELL),  # whichever side of the limit it is on, it gets squarer
     (0.022, 0.008, "measure again", Verdict.CANNOT_TELL),
     (0.256, 0.128, "measure again", Verdict.CANNOT_TELL),  # whoever moved by this would often double the error
     (0.29, 0.1, "measure again", Verdict.OUTSIDE)],
)  # fmt: skip
def test_whether_to_do_it(e, u, advice, verdict):
    done = correct(Quantity(e, u, "deg"), SLED)
    assert done.advice == advice
    assert done.now.verdict is verdict


def test_a_coarse_adjuster_is_said_to_be_too_coarse():
    coarse = replace(SLED, adjuster=Shims((5.0,)))
    done = correct(Quantity(0.05, 0.001, "deg"), coarse)
    assert done.advice == "finer means needed"
    words = {line.label: line.text for line in describe(Quantity(0.05, 0.001, "deg"), coarse)}
    assert "too coarse" in words["Do"]
    assert "a leaf of about that" in words["Do"]
    assert "Move" not in words


def test_words():
    words = {line.label: line.text for line in describe(Quantity(0.1, 0.001, "deg"), SLED)}
    assert words["Fence"].startswith("0.100° ± 0.002° (0.0209 in/ft, 1.75 mm/m, 52.4 thou over 30 in)")
    assert words["Fence"].endswith("the right end is too far forward")
    assert words["Move"] == (
        "RIGHT end BACK, towards the operator, by 41.9 ± 0.8 thou (1.064 ± 0.021 mm) at the adjuster, "
        "24 in from the left end"
    )
    assert words["With"] == "3 leaves, 0.020 in + 0.012 in + 0.010 in"
    assert words["Left over"] == "0.1 thou (0.003 mm) too much"
    assert "behind the fence" in words["How"]
    assert "outside" in words["Verdict"]
    screw = {line.label: line.text for line in describe(Quantity(-0.1, 0.001, "deg"), SCREW)}
    assert screw["Move"].startswith("RIGHT end FORWARD, away from the operator, by 1.064 ± 0.021 mm (41.9 ± 0.8 thou)")
    assert screw["With"].startswith("1 1/16 turns of the adjusting screw clockwise")
    assert screw["Fence"].endswith("the right end is too far back")


def test_an_open_reading_names_the_next_step_and_no_move():
    words = {line.label: line.text for line in describe(Quantity(0.018, 0.006, "deg"), SLED)}
    assert set(words) == {"Fence", "Verdict", "Do"}
    assert "fresh cuts in all and take their mean" in words["Do"]
    assert "leaves about ± 0.0" in words["Do"]


FEW = replace(SLED, adjuster=Shims((0.3, 0.2, 0.1)), units="mm")


def test_where_one_pass_does_not_reach_the_plan_goes_on():
    done = correct(Quantity(0.14, 0.001, "deg"), FEW)  # 1.490 mm
    assert done.means == Passes((Stack((0.3, 0.2, 0.1)), Stack((0.3, 0.2, 0.1)), Stack((0.3,))))
    assert done.advice == "move it"
    assert done.left_over_mm == pytest.approx(1.4895 - 1.5, abs=1e-3)
    lines = describe(Quantity(0.14, 0.001, "deg"), FEW)
    means = [line.text for line in lines if line.label == "With"]
    assert means[0] == "pass 1 of 3: 3 leaves, 0.30 mm + 0.20 mm + 0.10 mm"
    assert means[2] == "pass 3 of 3: one leaf of 0.30 mm"
    (how,) = (line.text for line in lines if line.label == "How")
    assert "each further pass" in how
    assert correction_json(done)["passes_mm"] == [[0.3, 0.2, 0.1], [0.3, 0.2, 0.1], [0.3]]


def test_where_no_passes_reach_the_leaf_to_buy_is_named():
    done = correct(Quantity(0.5, 0.001, "deg"), FEW)  # 5.32 mm, and three passes make 1.8 mm
    assert len(done.means.stacks) == 3
    assert done.means.buy_mm == pytest.approx(5.32 - 1.8, abs=0.006)
    said = [line.text for line in describe(Quantity(0.5, 0.001, "deg"), FEW) if line.label == "With"]
    assert format_leaf(done.means.buy_mm, "mm") in said[-1]
    # with that leaf it comes out
    richer = replace(FEW, adjuster=Shims((*FEW.adjuster.leaves_mm, done.means.buy_mm)))
    assert correct(Quantity(0.5, 0.001, "deg"), richer).then.verdict is Verdict.INSIDE


def test_nothing_is_to_be_bought_for_a_fence_that_will_do():
    single = replace(FEW, adjuster=Shims((0.5,)))
    wide, narrow = Quantity(0.06, 0.001, "deg"), replace(single, tolerance_deg=0.01)  # 0.638 mm
    assert correct(wide, single).means == Passes((Stack((0.5,)),), None)
    assert correct(wide, narrow).means.buy_mm == pytest.approx(0.14)


@given(
    st.floats(0.05, 6), st.lists(st.sampled_from([0.05, 0.1, 0.2, 0.4, 1.0]), min_size=1, max_size=4),
    st.floats(0.01, 0.3),
)  # fmt: skip
def test_passes_come_near_enough_or_name_a_leaf_that_does(move, leaves, enough):
    sled = replace(SLED, units="mm", adjuster=Shims(tuple(leaves)))
    plan = means_for(move, "back", sled, enough)
    assert abs(move - plan.made_mm) <= move
    if plan.buy_mm is None:
        assert abs(move - plan.made_mm) <= enough + 1e-9
    else:
        without = plan.made_mm if plan.made_mm < move else plan.made_mm - plan.stacks[-1].thickness_mm
        assert abs(move - without - plan.buy_mm) <= 0.0051 or plan.buy_mm == pytest.approx(0.01)


def test_json_has_no_bare_infinity():
    found = correction_json(correct(Quantity(0.1, 0.001, "deg"), SLED))
    assert found["move_mm"]["dof"] is None
    assert (found["end"], found["way"]) == ("right", "back")
    assert sum(sum(leaves) for leaves in found["passes_mm"]) == pytest.approx(
        found["move_mm"]["value"] - found["left_over_mm"]
    )


def test_json_names_a_move_only_where_one_is_advised():
    found = correction_json(correct(Quantity(0.018, 0.006, "deg"), SLED))
    assert found["advice"] == "measure again"
    assert not {"end", "way", "move_mm", "passes_mm", "turns"} & found.keys()
    assert found["next_step"]["code"] == "repeats"


@pytest.mark.parametrize("e_deg", [0.5, -4.0])
def test_the_moves_uncertainty_is_that_of_the_tangent(e_deg):
    # d(D tan e)/de = D (1 + tan² e), by calculus; with a step of its own beside it
    move = correct(Quantity(e_deg, 0.01, "deg"), SCREW).move
    by_step = [609.6 * abs(math.tan(math.radians(e_deg + step))) for step in (-0.01, 0.01)]
    assert move.u == pytest.approx(abs(by_step[1] - by_step[0]) / 2, rel=1e-6)
