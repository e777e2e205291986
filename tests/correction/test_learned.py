"""What is done at the adjuster, read from words, and what it teaches: against an adjuster moved by hand on paper."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from visioncheck.correction.correct import correct
from visioncheck.correction.done import Done, read_done
from visioncheck.correction.learned import Adjustment, Learned, Level, check_move, learn
from visioncheck.correction.means import ScrewStep, means_for
from visioncheck.quantity import Quantity
from visioncheck.sled.file import parse_sled
from visioncheck.sled.model import Screw

SLEDS = Path(__file__).parents[2] / "fixtures" / "sleds"
SCREW = parse_sled((SLEDS / "alder-lane.toml").read_text(), "")  # 1 mm a turn, clockwise forward, 610 mm
LEAVES = parse_sled((SLEDS / "harbour-shed.toml").read_text(), "")


@pytest.mark.parametrize(
    ("text", "turns"),
    [
        ("1 turn anticlockwise", (-1.0,)),
        ("1 turn of the adjusting screw anticlockwise", (-1.0,)),
        ("1 1/2 turns clockwise, then 1/2 turn counter-clockwise; new bolt", (1.5, -0.5)),
        ("0,25 turns cw", (0.25,)),
        ("3/16 turn ccw.", (-0.1875,)),
    ],
)
def test_turns_as_people_write_them(text, turns):
    assert read_done(text, SCREW) == Done(turns)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("0.35mm back", -0.35),
        ("right end forward by 0.012in", 0.3048),
        ("moved right end back 3thou", -0.0762),
        ("0.3mm + 0.05mm back", -0.35),
        ("back 0.3", -0.3),
    ],
)
def test_distances_as_people_write_them(text, mm):
    assert read_done(text, SCREW).forward_mm == pytest.approx(mm)


@pytest.mark.parametrize(
    "text",
    [
        "tightened the bolt",
        "3/8 turn back",
        "not 1 turn clockwise",
        "left end back 0.1mm",
        "1/0 turn cw",
        "-0.3mm back",
        "",
    ],
)
def test_nothing_is_guessed(text):
    """`left end`: of this sled the right end moves, so that the words contradict its file."""
    assert read_done(text, SCREW) is None


def test_turns_of_a_sled_without_a_screw_are_not_understood():
    assert read_done("1 turn clockwise", LEAVES) is None


def test_as_told_is_what_was_told():
    ordered = correct(Quantity(0.09, 0.002, "deg"), SCREW)
    assert read_done("as told", SCREW, ordered) == Done((-float(ordered.means.turns),))
    assert read_done("as told", SCREW) is None


@pytest.mark.parametrize("adjuster", [Screw(1.0, "forward"), Screw(1.0, "back"), LEAVES.adjuster])
@pytest.mark.parametrize("pivot", ["left", "right"])
@pytest.mark.parametrize("e", [0.2, -0.2])
def test_what_was_told_and_done_squares_the_fence(adjuster, pivot, e):
    """The fence is turned about its pivot by the steps that the words make: what is left is less than a leaf's."""
    sled = replace(SCREW, adjuster=adjuster, pivot=pivot)
    ordered = correct(Quantity(e, 0.002, "deg"), sled)
    forward = sum(read_done("as told", sled, ordered).steps_mm(sled))
    along = sled.adjuster_distance_mm if pivot == "left" else -sled.adjuster_distance_mm
    left = math.degrees(math.atan2(along * math.sin(math.radians(e)) + forward, along * math.cos(math.radians(e))))
    left = (left + 90) % 180 - 90
    assert left == pytest.approx(ordered.after.value, abs=2e-3)
    assert abs(left) < 0.02


def adjusted(steps, before_deg, after_deg, k=0, u=0.001):
    levels = [Level(f"state {k + n}", Quantity(e, u, "deg")) for n, e in enumerate((before_deg, after_deg))]
    return Adjustment(steps, *levels, u_made_mm=0.018)


def deg(mm):
    return math.degrees(mm / SCREW.adjuster_distance_mm)


def test_a_screw_that_does_as_its_file_says():
    one = adjusted((-1.0,), deg(1.0), 0.0)
    found = learn([one], SCREW)
    assert found.ratio.value == pytest.approx(1.0, abs=0.08)
    assert not found.is_reversed
    assert found.last_sense == -1
    assert check_move([one], SCREW).outcome == "as expected"


def test_a_screw_the_other_way_round_and_the_turns_that_then_work():
    one = adjusted((-1.0,), deg(1.0), deg(2.0))
    assert check_move([one], SCREW).outcome == "the other way"
    found = learn([one], SCREW)
    assert found.is_reversed
    now = correct(Quantity(deg(2.0), 0.001, "deg"), SCREW, None, found)
    assert now.end == "right"
    assert now.way == "back"
    assert now.means.way_round == "clockwise"  # the file alone would say anticlockwise
    assert correct(Quantity(deg(2.0), 0.001, "deg"), SCREW).means.way_round == "anticlockwise"


def test_a_fence_that_pivots_at_its_right_end_turns_the_other_way():
    """Its left end forward: clockwise from above, so that e becomes less."""
    other = replace(SCREW, pivot="right")
    good, bad = adjusted((1.0,), deg(1.0), 0.0), adjusted((1.0,), deg(1.0), deg(2.0))
    assert check_move([good], other).outcome == "as expected"
    assert not learn([good], other).is_reversed
    assert check_move([bad], other).outcome == "the other way"


def test_what_is_learnt_is_no_surer_than_the_readings_before_and_after():
    sharp, blurred = Quantity(0.0, 0.0005, "deg"), Quantity(deg(1.0), 0.05, "deg")
    one = Adjustment((-1.0,), Level("before", blurred), Level("after", sharp))
    assert learn([one], SCREW).ratio.u > 0.12  # what was thought before: 0.15


def test_a_bad_reading_between_two_moves_cancels():
    """1 mm and 1 mm; the reading between them says 1.5 mm, but hardly counts: it stands in both changes."""
    first, last = Level("0", Quantity(0.0, 0.0005, "deg")), Level("2", Quantity(deg(2.0), 0.0005, "deg"))
    middle = Level("1", Quantity(deg(1.5), deg(0.4), "deg"))
    found = learn([Adjustment((1.0,), first, middle), Adjustment((1.0,), middle, last)], SCREW)
    assert found.ratio.value == pytest.approx(1.0, abs=0.06)
    assert found.ratio.u < 0.09


def test_where_the_screw_stood_in_its_play_before_the_first_turn_is_not_known():
    there = learn([adjusted((1.0,), 0.0, deg(0.7))], SCREW)
    back = learn([adjusted((-1.0,), 0.0, deg(-0.7))], SCREW)
    assert there.play.value == pytest.approx(back.play.value)
    assert there.probability_play == pytest.approx(back.probability_play)
    assert there.probability_play > learn([], SCREW).probability_play + 0.05


def test_after_a_move_that_is_not_known_play_may_have_to_be_taken_up_again():
    there = adjusted((2.0,), 0.0, deg(2.0))
    lossy = adjusted((1.0,), deg(2.0), deg(2.7), k=2)
    lost = learn([there, adjusted((), deg(2.0), deg(2.0), k=1), lossy], SCREW)
    assert lost.probability_play > learn([there, lossy], SCREW).probability_play + 0.1


def test_a_fence_that_did_not_move_and_one_that_moved_too_little():
    assert check_move([adjusted((-1.0,), deg(1.0), deg(1.0))], SCREW).outcome == "not at all"
    assert check_move([adjusted((-1.0,), deg(1.0), deg(0.5))], SCREW).outcome == "less"
    assert check_move([adjusted((-1.0,), deg(1.0), deg(-0.9))], SCREW).outcome == "further"
    assert check_move([adjusted((), deg(1.0), 0.0)], SCREW) is None


def test_play_is_what_differs_between_the_senses():
    """By hand: play 0.3 mm. −1 turn twice in the same sense, then +1 moves 0.7, +0.5 moves 0.5, −1 moves 0.7."""
    at, found = 2.0, []
    for k, (turns, moved) in enumerate([(-1, -1.0), (-1, -1.0), (1, 0.7), (0.5, 0.5), (-1, -0.7)]):
        found.append(adjusted((float(turns),), deg(at), deg(at + moved), k))
        at += moved
    # the first step began with its play taken up
    learned = learn(found, SCREW)
    assert learned.play.value == pytest.approx(0.3, abs=0.05)
    assert learned.ratio.value == pytest.approx(1.0, abs=0.05)
    assert learned.has_play


def test_a_move_against_the_last_sense_goes_too_far_and_back():
    at, found = 2.0, []
    for k, (turns, moved) in enumerate([(-1, -1.0), (1, 0.7), (-1, -0.7)]):
        found.append(adjusted((float(turns),), deg(at), deg(at + moved), k))
        at += moved
    learned = learn(found, SCREW)
    forward = correct(Quantity(-0.06, 0.002, "deg"), SCREW, None, learned).means
    back = correct(Quantity(0.06, 0.002, "deg"), SCREW, None, learned).means
    assert back.all_steps == (ScrewStep(back.turns, "anticlockwise"),)
    first, second = forward.all_steps
    assert (first.way_round, second.way_round) == ("clockwise", "anticlockwise")
    assert first.turns - second.turns == forward.turns
    # far enough back that the play is taken up whatever it is
    assert second.turns >= Fraction(1, 4) + Fraction(learned.play.value).limit_denominator(1000)


def test_leaves_have_no_play_and_teach_how_far_the_fence_goes():
    distance = LEAVES.adjuster_distance_mm
    went = math.degrees(0.24 / distance)
    sign = 1 if LEAVES.pivot == "left" else -1
    one = adjusted((0.3,), 0.0, sign * went)
    found = learn([one], LEAVES)
    assert found.play.value == 0
    assert found.ratio.value < 1


def test_what_two_adjustments_have_between_them_is_counted_once():
    """The level between two is in both, with opposite signs: an error of it alone moves nothing."""
    first, second = adjusted((-1.0,), deg(2.0), deg(1.0), 0), adjusted((-1.0,), deg(1.0), 0.0, 1)
    off = 0.004
    wrong = Level("state 1", Quantity(deg(1.0) + off, 0.004, "deg"))
    tied = learn([replace(first, after=wrong), replace(second, before=wrong)], SCREW)
    assert tied.ratio.value == pytest.approx(1.0, abs=0.04)


@pytest.mark.parametrize(("play_mm", "u_mm", "quarters"), [(0.2, 0.02, 2), (0.2, 0.03, 3), (0.24, 0, 2), (0.26, 0, 3)])
def test_how_far_past_takes_the_play_up_for_certain(play_mm, u_mm, quarters):
    # a quarter turn more than play and twice its u, rounded up, of a screw of 1 mm a turn
    learned = Learned(Quantity(1.0, 0.02, "1"), 0.0, Quantity(play_mm, u_mm, "mm"), 0.99, -1, 3)
    means = means_for(0.5, "forward", SCREW, enough_mm=0.01, learned=learned)
    assert means.past == Fraction(quarters, 4)
