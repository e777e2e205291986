"""Cuts that are not square: both halves, and regular frames, cut and laid together on the computer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fence.cutting import board, clip, corner_at, cut, edge, neighbour_names, rotate, seat, shift, turned_over
from tests.fence.test_signs_by_photo import lay, sled_of, told
from visioncheck.errors import InputError, UserError
from visioncheck.fence.mitre import frame_corner_deg, made_at, read_nominal
from visioncheck.fence.signs import ClosedFrame, OneCut, fence_error
from visioncheck.fence.typed import compute_typed
from visioncheck.quantity import Quantity
from visioncheck.saw import Saw
from visioncheck.sled.file import parse_sled
from visioncheck.sled.write import default_answers, sled_text

CASES = [(piece, fence) for piece in ("left", "right") for fence in ("rear", "front")]
errors = st.floats(-0.4, 0.4).filter(lambda e: abs(e) > 1e-4)
MITRES = (45.0, 30.0, 22.5, 36.0, -45.0, -22.5)


def frame_pieces(sides, e, piece, fence, at_fence):
    """Pieces of a regular frame, all against one fence: one end cut, turned over, the other end cut likewise."""
    corner = frame_corner_deg(sides) if at_fence == "outer" else 180.0 - frame_corner_deg(sides)
    pieces = []
    for length in np.linspace(460.0, 500.0, sides):  # their lengths do not matter
        whole = [(p, {"a": "at fence", "c": "other"}.get(name, name)) for p, name in board(1100.0, 60.0)]
        first, _ = cut(whole, "at fence", 180, e, piece=piece, fence=fence, fresh="end 1", nominal_deg=corner)
        over = turned_over(first)
        at = seat(over, "at fence", (corner - 90) * Saw(fence, piece).sense, fence)
        ends = edge(at, "at fence")
        far, near = sorted(ends, key=lambda p: p[0] * (1 if piece == "left" else -1))  # from the blade, and next to it
        blade = far + (near - far) * length / np.linalg.norm(near - far)
        every = [p[0] for p, _ in at]
        spare = max(every) - blade[0] if piece == "left" else blade[0] - min(every)
        how = {"piece": piece, "fence": fence, "fresh": "end 2", "nominal_deg": corner}
        second, _ = cut(over, "at fence", spare, e, **how)
        pieces.append(second)
    return pieces


def wedge_left(pieces, outer):
    """Lay the pieces end to end round a frame; signed gap at the last joint, deg, positive where it opens outside."""
    first, last = (neighbour_names(pieces[0], outer)[k] for k in (0, 1))
    laid = [pieces[0]]
    for each in pieces[1:]:
        a, b = edge(laid[-1], last)
        c, d = edge(each, first)
        turned = rotate(each, math.degrees(math.atan2(*(a - b)[::-1]) - math.atan2(*(d - c)[::-1])))
        laid.append(shift(turned, a - edge(turned, first)[1]))
    a, b = edge(laid[-1], last)  # from the outside to the inside, the wood on its left
    c, d = edge(laid[0], first)  # from the inside to the outside
    # pushed together at the outside: apart at the inside if the first piece's face then lies clear, on the right
    mine, other = b - a, c - d
    return math.degrees(math.atan2(mine[0] * other[1] - mine[1] * other[0], mine @ other))


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize("sides", [3, 4, 5, 6, 8, 12])
@pytest.mark.parametrize("at_fence", ["outer", "inner"])
@given(e=errors)
@settings(max_examples=6, deadline=None)
def test_the_gap_left_in_a_frame(piece, fence, sides, at_fence, e):
    pieces = frame_pieces(sides, e, piece, fence, at_fence)
    wedge = wedge_left(pieces, "at fence" if at_fence == "outer" else "other")
    assert abs(wedge) == pytest.approx(2 * sides * abs(e), abs=1e-7)
    nominal = frame_corner_deg(sides) if at_fence == "outer" else 180 - frame_corner_deg(sides)
    opens = "outside" if wedge > 0 else "inside"
    closed = ClosedFrame(Quantity(abs(wedge), 0.0, "deg"), opens, 2 * sides, at_fence)
    assert fence_error(closed, Saw(fence, piece, nominal)).value == pytest.approx(e, abs=1e-8)
    given_ = {"wedge": f"{abs(wedge):.8f}deg", "frame": str(sides), "opens": opens, "at_fence": at_fence}
    found = compute_typed(given_, None, piece, fence)
    assert found.error.value == pytest.approx(e, abs=1e-7)
    joint = found.notes[0].fields
    assert joint["joint_deg"] == pytest.approx(2 * abs(e), abs=1e-7)
    assert joint["cut_deg"] == pytest.approx(abs(e), abs=1e-7)


def test_frames_from_twice_as_many_pieces():
    """Each side butted from two pieces with one mitre and one square end: the same 2 n mitres, the same gap."""
    sides, e = 4, 0.1
    halves = []
    for whole in frame_pieces(sides, e, "left", "rear", "outer"):
        a, b = edge(whole, "at fence")
        level = rotate(whole, -math.degrees(math.atan2(*(b - a)[::-1])))
        level = shift(level, -np.mean([p for p, _ in level], axis=0))
        halves += [clip(level, keep, "butt") for keep in (1, -1)]
    mitres = sum(1 for half in halves for _, name in half if name in {"end 1", "end 2"})
    assert (len(halves), mitres) == (2 * sides, 2 * sides)
    total = sum(
        corner_at(half, "at fence", name) - 45.0 for half in halves for _, name in half if name.startswith("end")
    )
    assert total == pytest.approx(2 * sides * e, abs=1e-8)


def test_published_mitre_settings_of_regular_frames():
    """Off square by 180°/n: 45, 36, 30 and 22.5 for 4, 5, 6 and 8 sides (common practice, no source)."""
    assert [90 - frame_corner_deg(n) for n in (3, 4, 5, 6, 8, 12)] == [60.0, 45.0, 36.0, 30.0, 22.5, 15.0]


def sled_set(mitre, fence, piece):
    forward = "right" if mitre > 0 else "left"
    answers = replace(
        default_answers("mm"), mitre=f"{abs(mitre)}deg", forward=forward, fence_side=fence, piece_side=piece
    )
    return parse_sled(sled_text(answers), "s.toml")


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize("mitre", MITRES)
@given(e=errors)
@settings(max_examples=5, deadline=None)
def test_a_sled_set_off_square_by_its_file(piece, fence, mitre, e):
    """The corner that the file's words lead to is the one that a fence turned so cuts; both halves give e."""
    sled = sled_set(mitre, fence, piece)
    for side in ("left", "right"):
        saw = Saw(fence, side)
        nominal = 90 + saw.sense * mitre
        kept, _ = cut(board(), "a", 300, e, piece=side, fence=fence, fresh="fresh", nominal_deg=nominal)
        angle = corner_at(kept, "a", "fresh")
        if side == piece:
            assert sled.saw.nominal_deg == pytest.approx(nominal)
        made = made_at(angle, sled.saw)
        assert (made.piece, made.fence) == (side, fence)
        assert fence_error(OneCut(Quantity(angle, 0.0, "deg")), made).value == pytest.approx(e, abs=1e-9)
        # typed, for a sled whose file says the other side
        typed = compute_typed({"angle": f"{angle:.9f}"}, sled)
        assert typed.error.value == pytest.approx(e, abs=1e-7)
        assert [note.code for note in typed.notes] == ([] if side == piece else ["other half"])
        assert compute_typed({"angle": f"{angle:.9f}"}, sled, side).error.value == pytest.approx(e, abs=1e-7)


@pytest.mark.parametrize(("piece", "fence"), CASES)
@pytest.mark.parametrize("mitre", [45.0, -22.5])
@pytest.mark.parametrize("e", [0.13, -0.07])
@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize("other", [False, True])
def test_by_photo(piece, fence, mitre, e, down, other):
    """A mitred offcut of either half, either face up, through the way of a photo; also told on the wrong edge."""
    sled = sled_set(mitre, fence, piece)
    side = {"left": "right", "right": "left"}[piece] if other else piece
    nominal = 90 + Saw(fence, side).sense * mitre
    offcut, _ = cut(board(320.0, 70.0), "a", 170, e, piece=side, fence=fence, fresh="fresh", nominal_deg=nominal)
    for at_fence in ("a", "c"):
        reading = told(offcut, at_fence, None, sled, lay(offcut, 5.0, down=down))
        assert reading.piece == "corner"
        assert reading.fence_error.value == pytest.approx(e, abs=1e-3)
    reading = told(offcut, "a", None, sled, lay(offcut, 5.0, down=down))
    assert reading.nominal_deg == pytest.approx(nominal)
    assert reading.other_half == (side if other else None)
    # with nothing told of a mitre no error is said
    asked = told(offcut, "a", "corner", sled_of(fence, side), lay(offcut, 5.0))
    assert (asked.fence_error, asked.question.code) == (None, "nominal")


def sled_set_square():
    return parse_sled(sled_text(default_answers("mm")), "s.toml")


def test_what_cannot_be():
    for bad in ("banana", "5", "175", "nan"):
        with pytest.raises(InputError, match="is no angle from 10 to 170 degrees"):
            read_nominal(bad)
    assert (read_nominal("45°"), read_nominal(67.5), read_nominal(None)) == (45.0, 67.5, None)
    with pytest.raises(InputError, match="not within 5° of 135"):
        compute_typed({"angle": "90.1"}, sled_set(45.0, "rear", "left"))
    with pytest.raises(InputError, match="asks for a corner of 60°"):
        compute_typed(
            {"wedge": "0.5deg", "frame": "6", "opens": "inside", "at_fence": "outer"}, sled_set(45.0, "rear", "left")
        )
    # a square sled's log is no place for another setting's readings
    frame = {"wedge": "0.5deg", "frame": "4", "opens": "inside", "at_fence": "outer"}
    for told_, nominal in (({"angle": "45.1"}, 45), (frame, None)):
        with pytest.raises(InputError, match="a sled file of its own"):
            compute_typed(told_, sled_set_square(), nominal=nominal)
    assert compute_typed({"angle": "45.1"}, nominal=45).error.value == pytest.approx(0.1)
    with pytest.raises(InputError, match="no whole number from 3 to 60"):
        compute_typed({"wedge": "0.5deg", "frame": "2"})
    asked = compute_typed({"wedge": "0.8deg", "frame": "4"})
    assert (asked.error.value, asked.question.code) == (pytest.approx(0.1), "frame")
    with pytest.raises(UserError, match="belong together"):
        parse_sled(
            sled_text(default_answers("mm"))
            .replace("[adjuster]", "[x]")
            .replace('side = "rear"', 'side = "rear"\nmitre = "45deg"')
            .replace("[x]", "[adjuster]"),
            "s.toml",
        )
