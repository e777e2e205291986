"""Work of another shape: the straight sides in its border, however many, and what lies between them.

The border is cut into pieces at its corners (U. Ramer, 1972; D. H. Douglas and T. K. Peucker, 1973), and a straight
line is laid through each by random samples (M. A. Fischler and R. C. Bolles, 1981). Pieces of an arc or of a break
bend, or are short: what lies there is a side that is not straight.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.geometry import intersection

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

_BENDS_PX = 2.5
"""How far a border may stray from the straight line between two of its corners."""
_NEAR_PX = 1.5
_LEAST_PX = 30.0
"""Straight stretches shorter than this are no side (15 mm at 2 px a millimetre)."""
_LEAST_ON = 0.8
"""Share of a stretch that lies on its line: the rest is tear-out."""
_BENT_PX, _BENT_SHARE = 1.0, 0.01
"""A stretch whose middle stands farther off its ends' line, px or in its length, is bent."""
_ALIKE_DEG = 4.0
_LEAST_TURN_DEG = 12.0
_MEET_PX = 40.0
"""Sides meet where their lines cross within this of both (20 mm): a corner may be broken, rounded or covered."""
_SAMPLES = 60


@dataclass(frozen=True)
class Polygon:
    """A closed outline.

    Attributes
    ----------
    corners : (n, 2) ndarray
        px; side i runs from corner i to corner i + 1.
    straight : (n,) tuple of bool
        Whether a side is; one that is not is bent or broken, and only its ends are meant.
    """

    corners: Array
    straight: tuple[bool, ...]

    @classmethod
    def of_straight_sides(cls, corners: Array) -> Polygon:
        """All of whose sides are straight."""
        return cls(corners, (True,) * len(corners))

    def reversed(self) -> Polygon:
        """The same, run through the other way; its last corner comes first, and with it the side before that."""
        straight = self.straight[::-1]
        return Polygon(self.corners[::-1], (*straight[1:], straight[0]))


@dataclass(frozen=True)
class _Side:
    start: Array
    end: Array

    @property
    def along(self) -> Array:
        run = self.end - self.start
        return np.asarray(run / np.linalg.norm(run))

    def off(self, places: Array) -> Array:
        x, y = self.along
        return np.asarray((places - self.start) @ np.array([-y, x]))


def polygon_of(piece: Mask, beyond: Mask) -> Polygon | None:
    """Find the outline of the largest thing in a mask by its straight sides.

    Parameters
    ----------
    piece : (h, w) uint8 ndarray
        1 where it looks like the piece.
    beyond : (h, w) uint8 ndarray
        1 where nothing can be told; what reaches there ends there by chance, with a straight side or without.

    Returns
    -------
    Polygon or None
        None where no two straight sides of it meet.
    """
    contours, _ = cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    border = max(contours, key=cv2.contourArea)[::-1, 0].astype(np.float64)
    column, row = border.astype(int).T
    if cv2.dilate(beyond, np.ones((5, 5), np.uint8))[row, column].any():
        return None
    sides = _joined([side for stretch in _stretches(border) if (side := _side(stretch)) is not None])
    if len(sides) < 2:
        return None
    return _closed(sides)


def _stretches(border: Array) -> list[Array]:
    """The border between its corners, in order."""
    from skimage.measure import approximate_polygon  # lazy: most work has four sides

    # a closed line is cut where it is farthest from its middle: at a corner
    first = int(np.argmax(np.linalg.norm(border - border.mean(axis=0), axis=1)))
    ring = np.concatenate([border[first:], border[: first + 1]])
    corners: Array = approximate_polygon(ring, _BENDS_PX)  # type: ignore[no-untyped-call]
    at = [0]
    for corner in corners[1:-1]:
        # a border that goes along a spur and back passes a place twice
        beyond = ring[at[-1] + 1 : -1]
        at.append(at[-1] + 1 + int(np.flatnonzero((beyond == corner).all(axis=1))[0]))
    return [ring[a : b + 1] for a, b in zip(at, [*at[1:], len(ring) - 1], strict=True)]


def _side(stretch: Array) -> _Side | None:
    """The straight line through a stretch of the border; None where it is short or bent."""
    from skimage.measure import LineModelND, ransac

    if np.linalg.norm(stretch[-1] - stretch[0]) < _LEAST_PX:
        return None
    model, on = ransac(stretch, LineModelND, 2, _NEAR_PX, max_trials=_SAMPLES, rng=0)  # type: ignore[no-untyped-call]
    if model is None or on.mean() < _LEAST_ON:
        return None
    origin, along = model.origin, model.direction
    along = along * np.sign(along @ (stretch[-1] - stretch[0]))
    at = (stretch - origin) @ along
    off = (stretch - origin) @ np.array([-along[1], along[0]])
    bend = np.polyfit(at[on] - at[on].mean(), off[on], 2)[0] * float(np.ptp(at[on]) / 2) ** 2
    if abs(bend) > min(_BENT_PX, _BENT_SHARE * float(np.ptp(at[on]))):
        return None
    return _Side(origin + at[on].min() * along, origin + at[on].max() * along)


def _joined(sides: list[_Side]) -> list[_Side]:
    """Stretches of one line made one: what lies between them lies against the side or over it."""
    found: list[_Side] = []
    for side in sides:
        for k, earlier in enumerate(found):
            straight = earlier.along @ side.along > np.cos(np.radians(_ALIKE_DEG))
            on_line = np.abs(earlier.off(np.array([side.start, side.end]))).max() < 2 * _NEAR_PX
            if straight and on_line:
                places = np.array([earlier.start, earlier.end, side.start, side.end])
                at = (places - earlier.start) @ earlier.along
                found[k : len(found)] = [_Side(places[int(np.argmin(at))], places[int(np.argmax(at))])]
                break
        else:
            found.append(side)
    return found


def _closed(sides: list[_Side]) -> Polygon | None:
    corners: list[Array] = []
    straight: list[bool] = []
    for side, after in zip(sides, [*sides[1:], sides[0]], strict=True):
        straight.append(True)
        meeting = _meeting(side, after)
        if meeting is not None:
            corners.append(meeting)
        else:
            corners += [side.end, after.start]
            straight.append(False)
    if len(corners) == sum(not each for each in straight) * 2:
        return None  # no two sides meet
    # a corner ends its side; here every corner begins one
    return Polygon(np.roll(np.array(corners), 1, axis=0), tuple(straight))


def _meeting(side: _Side, after: _Side) -> Array | None:
    """Where two sides meet in a corner of the work, which is one that juts out."""
    turn = np.degrees(np.arctan2(np.linalg.det([side.along, after.along]), side.along @ after.along))
    if not _LEAST_TURN_DEG < turn < 180 - _LEAST_TURN_DEG:
        return None
    place = intersection(side.end, side.along, after.start, after.along)
    beyond = np.array([(place - side.end) @ side.along, (after.start - place) @ after.along])
    return place if (np.abs(beyond) < _MEET_PX).all() else None
