"""The four straight sides of a piece, from the border of what looks like it, however it is interrupted.

A pencil or a finger beside the piece adds to what looks like it, one that lies over it takes away; neither bends the
straight stretches between. So lines are drawn along every straight stretch of the border, and the four that enclose
most of what looks like the piece, and least else, are its sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.geometry import intersection

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

_LEAST_PX = 12.0
"""Straight stretches shorter than this are no side (6 mm at 2 px a millimetre)."""
_BY_PX = 5
"""A border's direction is taken over as many of its points to either side ..."""
_NEAR_PX = 1.6
_ALIKE_DEG = 12.0
"""... and a point belongs to a line that it lies near and runs along."""
_ANGLES = 90
_MOST_LINES = 12
_LEAST_CORNER_DEG = 35.0
_COARSE = 2
_LACK, _BESIDE = 1.0, 0.35
"""What a place within the four sides costs that looks like the sheet, and one beyond that looks like the piece."""
_LEAST_FILLED = 0.6
"""Share of the quadrilateral that must look like the piece, or be covered; a wide slot takes a quarter of a board."""
_LEAST_SIDE = 0.3
"""Share of every side that must be seen ..."""
_LEAST_MEAN = 0.6
"""... and of all four in the mean: a round thing touches any side over a third of it."""
_AS_GOOD, _WELL_SEEN = 0.05, 0.5
"""Quadrilaterals whose worth differs by less are told apart by their least seen side, if that is seen less than this:
what is covered costs nothing, so that one may reach under a clamp as far as any line allows."""


@dataclass(frozen=True)
class Quad:
    """Corners (4, 2), px, in order round it, and how well it stands: 1 where piece and quadrilateral are one.

    `seen` is the least share of a side along which the border runs.
    """

    corners: Array
    worth: float
    seen: float = 1.0


@dataclass(frozen=True)
class _Line:
    """A point of it, its unit direction, and how many points of the border support it."""

    point: Array
    along: Array
    support: int

    def distance(self, places: Array) -> Array:
        return np.asarray((places - self.point) @ np.array([-self.along[1], self.along[0]]))


def best_quad(piece: Mask, covered: Mask) -> Quad | None:
    """Find the quadrilateral that a mask shows.

    Straight stretches are found by the Hough transformation (R. O. Duda and P. E. Hart, 1972), one after the other.

    Parameters
    ----------
    piece : (h, w) uint8 ndarray
        1 where it looks like the piece.
    covered : (h, w) uint8 ndarray
        1 where it looks neither like the piece nor like the sheet: what lies there may hide either.

    Returns
    -------
    Quad or None
        None where no four straight sides enclose what is seen.
    """
    places, directions = _border(piece)
    if len(places) < 4 * _LEAST_PX:
        return None
    lines = _lines(places, directions)
    found = _quads(lines, piece, covered)
    least = max((quad.worth for quad in found), default=0.0) - _AS_GOOD
    looked_at = [_looked_at(quad, places, directions) for quad in found if quad.worth >= least]
    best, mean = max(looked_at, key=lambda pair: (min(pair[0].seen, _WELL_SEEN), pair[0].worth), default=(None, 0.0))
    return best if best is not None and best.seen >= _LEAST_SIDE and mean >= _LEAST_MEAN else None


def _looked_at(quad: Quad, places: Array, directions: Array) -> tuple[Quad, float]:
    """It with its sides on the border and its least seen one; and what is seen of the four in the mean."""
    corners = _snapped(quad.corners, places, directions)
    seen = [_seen_share(start, end, places) for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    return Quad(corners, quad.worth, min(seen)), float(np.mean(seen))


def _border(piece: Mask) -> tuple[Array, Array]:
    """Points (n, 2) of all outer borders, and the unit directions (n, 2) in which they run."""
    contours, _ = cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    places, directions = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for contour in contours:
        at = contour[::-1, 0].astype(np.float64)  # so that directions turn with the angle
        if len(at) < 4 * _BY_PX:
            continue
        run = np.roll(at, -_BY_PX, axis=0) - np.roll(at, _BY_PX, axis=0)
        length = np.linalg.norm(run, axis=1)
        keep = length > _BY_PX  # at a spike it runs to and fro
        places.append(at[keep])
        directions.append(run[keep] / length[keep, None])
    return np.concatenate(places), np.concatenate(directions)


def _lines(places: Array, directions: Array) -> list[_Line]:
    """The border's straight stretches, longest first."""
    found: list[_Line] = []
    left = np.ones(len(places), bool)
    while len(found) < _MOST_LINES and left.sum() > _LEAST_PX:
        line = _strongest(places[left], directions[left])
        if line is None:
            break
        on = (np.abs(line.distance(places)) < 2 * _NEAR_PX) & _runs_along(directions, line.along)
        if not (on & left).any():
            break
        left &= ~on
        found.append(line)
    return found


def _strongest(places: Array, directions: Array) -> _Line | None:
    way = np.arctan2(directions[:, 1], directions[:, 0])
    step = 2 * np.pi / (2 * _ANGLES)
    sector = np.floor(way / step).astype(int)
    best: tuple[int, float, float] = (0, 0.0, 0.0)
    for turn in (-1, 0, 1):
        angle = (sector + turn + 0.5) * step
        rho = -np.sin(angle) * places[:, 0] + np.cos(angle) * places[:, 1]
        bins = np.floor(rho / _NEAR_PX).astype(int)
        keys = np.stack([(sector + turn) % (2 * _ANGLES), bins], axis=1)
        cells, votes = np.unique(keys, axis=0, return_counts=True)
        top = int(np.argmax(votes))
        if votes[top] > best[0]:
            best = int(votes[top]), (cells[top, 0] + 0.5) * step, (cells[top, 1] + 0.5) * _NEAR_PX
    support, way_rad, offset = best
    along = np.array([np.cos(way_rad), np.sin(way_rad)])
    line = _Line(offset * np.array([-along[1], along[0]]), along, support)
    for reach in (3 * _NEAR_PX, 1.5 * _NEAR_PX, _NEAR_PX):
        on = (np.abs(line.distance(places)) < reach) & _runs_along(directions, line.along)
        if on.sum() < _LEAST_PX:
            return None
        line = _fitted(places[on], line.along)
    return line


def _runs_along(directions: Array, along: Array) -> NDArray[np.bool_]:
    return np.asarray(directions @ along > np.cos(np.radians(_ALIKE_DEG)))


def _fitted(places: Array, along: Array) -> _Line:
    vx, vy, x, y = cv2.fitLine(places.astype(np.float32), cv2.DIST_WELSCH, 0, 0.01, 0.01).ravel()
    fitted = np.array([vx, vy], np.float64)
    return _Line(np.array([x, y], np.float64), fitted * np.sign(fitted @ along), len(places))


def _quads(lines: list[_Line], piece: Mask, covered: Mask) -> list[Quad]:
    """Every quadrilateral of four of the lines that is filled by what looks like the piece."""
    small = [
        np.asarray(cv2.resize(mask, None, fx=1 / _COARSE, fy=1 / _COARSE, interpolation=cv2.INTER_AREA), np.uint8)
        for mask in (piece, covered)
    ]
    total = float(small[0].sum())
    # all borders run the same way round, so lines in the order of their directions are the sides in order
    ordered = sorted(lines, key=lambda line: np.arctan2(line.along[1], line.along[0]))
    found = []
    for four in combinations(ordered, 4):
        turns = [_turn_deg(four[k - 1].along, four[k].along) for k in range(4)]
        if not all(_LEAST_CORNER_DEG < abs(turn) < 180 - _LEAST_CORNER_DEG for turn in turns):
            continue
        corners = np.array([intersection(four[k - 1].point, four[k - 1].along, four[k].point, four[k].along)
                            for k in range(4)])  # fmt: skip
        if not all((corners[(k + 1) % 4] - corners[k]) @ four[k].along > _LEAST_PX for k in range(4)):
            continue
        worth = _worth(corners, small[0], small[1], total)
        if worth is not None:
            found.append(Quad(corners, worth))
    return found


def _turn_deg(first: Array, second: Array) -> float:
    return float(np.degrees(np.arctan2(first[0] * second[1] - first[1] * second[0], first @ second)))


def _worth(corners: Array, piece: Mask, covered: Mask, total: float) -> float | None:
    within = np.zeros(piece.shape, np.uint8)
    low, high = corners.min(axis=0) / _COARSE, corners.max(axis=0) / _COARSE
    height, width = piece.shape
    if np.any(low < -0.1 * width) or np.any(high > 1.1 * np.array([width, height])):
        return None
    cv2.fillConvexPoly(within, np.round(corners / _COARSE * 16).astype(np.int32), 1, shift=4)
    window = (slice(max(int(low[1]), 0), int(high[1]) + 2), slice(max(int(low[0]), 0), int(high[0]) + 2))
    inside = within[window]
    area = float(inside.sum())
    own = float((piece[window] & inside).sum())
    hidden = float((covered[window] & inside & ~piece[window]).sum())
    if own + hidden < _LEAST_FILLED * area or own < 0.5 * area:
        return None
    return (own - _LACK * (area - own - hidden) - _BESIDE * (total - own)) / max(total, 1.0)


def _snapped(corners: Array, places: Array, directions: Array) -> Array:
    """Each side moved to the robust line through the border beside it; corners where they meet."""
    lines = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        reach = float(np.linalg.norm(end - start))
        along = (end - start) / reach
        at, off = (places - start) @ along, (places - start) @ np.array([-along[1], along[0]])
        near = (at > 0.04 * reach) & (at < 0.96 * reach) & (np.abs(off) < 2 * _NEAR_PX) & _runs_along(directions, along)
        line = _fitted(places[near], along) if near.sum() > _LEAST_PX else _Line(start, along, 0)
        lines.append((line.point, line.along))
    return np.array([intersection(*lines[k - 1], *lines[k]) for k in range(4)])


def _seen_share(start: Array, end: Array, places: Array) -> float:
    reach = float(np.linalg.norm(end - start))
    along = (end - start) / reach
    at, off = (places - start) @ along, (places - start) @ np.array([-along[1], along[0]])
    on = (at > 0) & (at < reach) & (np.abs(off) < 2 * _NEAR_PX)
    return len(np.unique(np.floor(at[on] / 2))) / (reach / 2)
