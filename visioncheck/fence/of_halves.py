"""What the gap between two butted halves of one cut says of the fence, one half being turned over."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from visioncheck.codes import Question
from visioncheck.errors import InputError
from visioncheck.fence.signs import ButtedHalves, at_the_saw, fence_error

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from visioncheck.fence.signs import WedgeEnd
    from visioncheck.reading.model import Reading
    from visioncheck.saw import PieceSide, Saw

_WALLS = (0, 2)
_LAST_END, _FIRST_END = ENDS = (1, 3)
"""Edges of a gap's reading: the first two are the halves' fresh edges, the others its ends."""


def with_halves_error(
    reading: Reading, turned: PieceSide | None, tag_mm: NDArray[np.float64] | None, saw: Saw
) -> Reading:
    """Complete a gap's reading by its open end and the fence error, or by the question that stands in its way.

    Parameters
    ----------
    reading : Reading
        Of a gap, with its taper; its `fence_edge` is the end of the gap that the straightedge lay at, where known.
    turned : {"left", "right"} or None
        Which half was turned over, as the user says.
    tag_mm : (2,) ndarray or None
        Where the one tag lies, table frame. A tag lies on the half that was not turned.
    saw : Saw
        Where the fence stood.

    Raises
    ------
    InputError
        The tag lies on the half that is said to have been turned.
    """
    wedge = reading.taper
    assert wedge is not None
    reading = replace(reading, open_end=_LAST_END if wedge.value > 0 else _FIRST_END)
    straightedge = reading.fence_edge
    if straightedge not in ENDS:
        return _asking(replace(reading, fence_edge=None), saw, half=turned is None, end=True)
    # seen from the saw the left half lies on the left again, whichever was turned
    reading = replace(reading, left_half=_left_half(reading, straightedge, saw))
    if tag_mm is not None:
        turned = _by_tag(reading, tag_mm, turned)
    if turned is None:
        return _asking(reading, saw, half=True, end=False)
    # a positive taper is wider at the last end
    open_end: WedgeEnd = "straightedge" if straightedge == _LAST_END else "far"
    error = fence_error(ButtedHalves(wedge, open_end, turned), saw)
    return replace(reading, turned_half=turned, fence_error=error)


def _left_half(reading: Reading, straightedge: int, saw: Saw) -> int:
    """Number of the wall that is the left half's fresh edge."""
    middles = [(edge.start_mm + edge.end_mm) / 2 for edge in reading.edges]
    _, right = at_the_saw(middles[straightedge] - np.mean(middles, axis=0), saw.fence)
    return min(_WALLS, key=lambda wall: float(middles[wall] @ right))


def _by_tag(reading: Reading, tag_mm: NDArray[np.float64], said: PieceSide | None) -> PieceSide:
    """The half that was turned: the one that the tag is not on."""
    walls = [reading.edges[k] for k in _WALLS]
    away = [abs(_distance(tag_mm, wall.start_mm, wall.end_mm)) for wall in walls]
    on_left = _WALLS[int(np.argmin(away))] == reading.left_half
    turned: PieceSide = "right" if on_left else "left"
    if said not in {None, turned}:
        raise InputError(
            "turned_half",
            f"the {said} half is said to have been turned over (<turned_half>), but the tag lies on it"
            " and belongs on the half that was not turned; say nothing of it if the tag is right, else lay the tag on"
            " the other half, its arrow to the straightedge, and take the photo again",
        ).of(reading.photo)
    return turned


def _distance(point: NDArray[np.float64], start: NDArray[np.float64], end: NDArray[np.float64]) -> float:
    run = (end - start) / np.linalg.norm(end - start)
    return float((point - start) @ np.array([-run[1], run[0]]))


def _asking(reading: Reading, saw: Saw, *, half: bool, end: bool) -> Reading:
    """The size alone, and what is missing for the sign."""
    assert reading.taper is not None
    error = fence_error(ButtedHalves(reading.taper, "far", "left"), saw)
    ends = tuple(reading.ways[k] for k in ENDS)
    if not half:
        question = Question("straightedge", ends)
    elif not end:
        question = Question("turned half", ("left", "right"))
    else:
        question = Question("half and straightedge", ends)
    return replace(reading, fence_error_size=replace(error, value=abs(error.value)), question=question)
