"""The drawn fence and its arrow, the words and the wall names: each against the fence as it is turned on the saw."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.report.hand_made import SLED, corner_piece
from visioncheck.correction.correct import correct
from visioncheck.present.assumed import assumed_lines
from visioncheck.present.correction import format_fence_error, format_move
from visioncheck.present.fence_marks import fence_marks
from visioncheck.present.picture_caption import headline
from visioncheck.present.reading import reading_lines
from visioncheck.present.slot import format_open, wall_name
from visioncheck.quantity import Quantity

OUT = {"bottom": (0.0, 1.0), "top": (0.0, -1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}
# whoever stands at the saw looks forward, and has right at hand: turn the picture until forward is up, right is right
RIGHT_OF_FORWARD = {"top": "right", "right": "bottom", "bottom": "left", "left": "top"}
OPPOSITE = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}


@pytest.mark.parametrize("fence", ["rear", "front"])
@pytest.mark.parametrize("pivot", ["left", "right"])
@pytest.mark.parametrize("e", [0.3, -0.3])
@pytest.mark.parametrize("at", OUT)
def test_the_arrow_moves_the_drawn_fence_square_again(fence, pivot, e, at):
    sled = replace(SLED, fence_side=fence, pivot=pivot)
    correction = correct(Quantity(e, 0.001, "deg"), sled)
    marks = fence_marks(np.array([500.0, 400.0]), 300.0, np.array(OUT[at]), fence, correction, 70.0)
    # a rear fence lies behind the work: forward is from the fence into the work
    forward = OPPOSITE[at] if fence == "rear" else at
    right = np.array(OUT[RIGHT_OF_FORWARD[forward]])
    assert (marks.ends["right"] - marks.ends["left"]) @ right == pytest.approx(600.0)
    # the fence as it stands, turned by e: the right end farther forward for e > 0, about the end that stays
    length = sled.adjuster_distance_mm
    ahead = {"left": 0.0, "right": 0.0}
    moving = "right" if pivot == "left" else "left"
    ahead[moving] = length * math.tan(math.radians(e)) * (1 if moving == "right" else -1)
    start, tip = marks.arrow
    # no end's name stands under the arrow, which is some 26 px wide; a name half 24 px long
    for name in marks.names.values():
        assert abs((name - start) @ right) > 24 + 13
    nearest = min(marks.ends, key=lambda name: float(np.linalg.norm(marks.ends[name] - start)))
    assert nearest == moving == correction.end
    way = (tip - start) / np.linalg.norm(tip - start)
    ahead[moving] += correction.move.value * float(way @ np.array(OUT[forward]))
    assert ahead["right"] - ahead["left"] == pytest.approx(0.0, abs=1e-9)


def test_no_arrow_without_a_move():
    correction = correct(Quantity(0.0, 0.001, "deg"), SLED)
    assert fence_marks(np.zeros(2), 300.0, np.array(OUT["top"]), "rear", correction, 70.0).arrow is None


@pytest.mark.parametrize(
    ("e", "said"), [(0.3, "the right end is too far forward"), (-0.3, "the right end is too far back")]
)
def test_the_words_say_where_the_fence_stands_and_the_move_undoes_it(e, said):
    error = Quantity(e, 0.001, "deg")
    assert said in format_fence_error(error)
    for pivot in ("left", "right"):
        words = format_move(correct(error, replace(SLED, pivot=pivot)), replace(SLED, pivot=pivot))
        back = (e > 0) == (pivot == "left")
        assert words.startswith(f"{'RIGHT' if pivot == 'left' else 'LEFT'} end {'BACK' if back else 'FORWARD'}")


def test_what_was_assumed_is_said_beside_the_answer_and_in_the_picture():
    reading = replace(corner_piece(), assumed={"fence": "rear", "piece_side": "left"})
    (line,) = [line.text for line in reading_lines(reading) if line.label == "Assumed"]
    assert "the fence at the rear" in line
    assert "the piece kept on the left of the blade" in line
    assert line in headline(reading)
    assert not [line for line in reading_lines(corner_piece(), SLED) if line.label == "Assumed"]
    assert assumed_lines({}) == []


def gap(**known):
    named = {"piece": "gap", "ways": ("left", "bottom", "right", "top"), "open_end": 3}
    return replace(corner_piece(), **named, fence_edge=None, taper=Quantity(-0.1, 0.01, "deg"), **known)


def test_halves_are_named_by_where_they_lay_at_the_saw_or_by_the_picture():
    assert [wall_name(gap(), k) for k in (0, 2)] == ["left half", "right half"]
    known = gap(left_half=2, turned_half="right")
    assert [wall_name(known, k) for k in (0, 2)] == ["right half, turned over", "left half"]


def test_the_open_end_is_named():
    assert format_open(gap()) == "at its top end in the picture"
    assert format_open(replace(gap(), fence_edge=3)) == "at its top end in the picture, at the straightedge"
    assert format_open(replace(gap(), fence_edge=1)) == "at its top end in the picture, away from the straightedge"
    assert "by less than the ±" in format_open(replace(gap(), taper=Quantity(-0.01, 0.01, "deg")))
