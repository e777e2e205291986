"""Both walls of a slot of any width: two long lines that run alike, each with wood on one side and slot on the other.

What lies between them may be anything: dark side faces, the sheet in light or shade, its print, a floor of wood. So it
is not looked for; what is looked for is where the top face's own look ends.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.lens import GREEN
from visioncheck.camera.view import View
from visioncheck.outline.guide import Guide
from visioncheck.outline.slot import PITCH_MM, Patch
from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]

_NARROWEST_MM, WIDEST_MM = 2.0, 66.0
_RIM_MM = 8.0
_SQUARE_MM = 2.5
"""A place within a printed square, from its corner."""
_DARKER = 0.7
"""Natural log of light: so much darker than the top face is no top face at all."""
_SMOOTH_MM = 0.4
_STEEP = 0.25
"""Share of the steepest possible step (a smoothed step of 1) from which a place counts as an edge."""
_ASKEW_DEG = 12.0
_BIN_MM = 0.4
_TOP = 6
_STRAY_MM = 6.0
_ACROSS_MM: Array = np.array([0.8, 1.2, 1.6, 2.0, 2.4])
"""Where to look beside a wall."""
_LIKE, _LEAST_STEP = 0.5, 0.3
_SAME_MM = 1.0
_ENDS_MM = 4.0


@dataclass(frozen=True)
class Walls:
    """Both walls, rough, on the plane of the paper; the slot lies at each one's normal, and they run opposite ways."""

    first: Guide
    second: Guide

    @property
    def width_mm(self) -> float:
        """Distance between the walls' middles, square to the first."""
        middle = (self.second.start_mm + self.second.end_mm) / 2
        return float((middle - self.first.start_mm) @ self.first.normal)


def paper_tint(bgr: NDArray[np.uint8], view: View, saddles_px: Array) -> Array:
    """Logarithm of the paper's light less that of its green, BGR, (3,): from the white squares of the print.

    Parameters
    ----------
    saddles_px : (n, 2) ndarray
        Places where black and white squares meet.
    """
    places = view.to_table(saddles_px)
    around = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * _SQUARE_MM
    seen = view.to_image((places[:, None] + around).reshape(-1, 2)).astype(np.float32).reshape(-1, 4, 2)
    light = linear_light(cv2.remap(bgr, seen, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))  # type: ignore[call-overload]
    lightest = np.take_along_axis(light, np.argmax(light[..., [GREEN]], axis=1)[:, None], axis=1)[:, 0]
    log = np.log(np.median(lightest, axis=0) + 1e-3)
    return np.asarray(log - log[GREEN], np.float64)


def find_walls(patch: Patch, unlike: Array, along: Array | None = None) -> tuple[Walls, ...]:
    """Every pair of lines that may be a slot's two walls, the likeliest first; the rest are rivals, of other walls.

    Edges vote for straight lines by place and direction (R. O. Duda and P. E. Hart, *Use of the Hough transformation
    to detect lines and curves in pictures*, 1972), and lines are paired.

    Parameters
    ----------
    patch : Patch
        The work from above.
    unlike : (h, w) ndarray
        From `unlike_top_face`.
    along : (2,) ndarray or None
        The slot's direction to a few degrees, where it is known.
    """
    edges = _Edges.of(unlike)
    pairs = sorted(_pairs(edges, _angles(along)), key=lambda pair: -pair[0])
    found: list[tuple[float, Walls]] = []
    for votes, angle, low, high in pairs[:60]:
        if found and votes < checks.WALL_RIVAL * found[0][0]:
            break
        walls = _confirmed(patch, unlike, edges, angle, low, high)
        if walls is not None and not any(_alike(walls, other) for _, other in found):
            found.append((votes, walls))
    return tuple(walls for _, walls in found)


def has_line_beside(unlike: Array, walls: Walls, corner_mm: Array) -> bool:
    """Whether another long line, beside the slot and as long, runs along it: that may be the slot's wall instead.

    So looks a groove whose floor lies half in the shadow of a wall: the shadow is seen as a slot, and the wall beyond
    the lit floor as a line beside it.

    Parameters
    ----------
    corner_mm : (2,) ndarray
        Place of the first pixel of `unlike`.
    """
    edges = _Edges.of(unlike)
    line, normal = walls.first.along, walls.first.normal
    off = (edges.places + corner_mm - walls.first.start_mm) @ normal
    at = (edges.places + corner_mm - walls.first.start_mm) @ line
    length = walls.first.length_mm
    alike = np.abs(edges.into @ normal) > np.cos(np.radians(2 * _ASKEW_DEG))
    along = alike & (at > 0) & (at < length)

    def votes(low: float, high: float) -> Array:
        here = edges.steep[along & (off > low) & (off < high)]
        bins = ((off[along & (off > low) & (off < high)] - low) / _BIN_MM).astype(int)
        return np.bincount(bins, here, int((high - low) / _BIN_MM) + 1).astype(np.float64)

    width = walls.width_mm
    wall = min(votes(each - _SAME_MM, each + _SAME_MM).max() for each in (0.0, width))
    for low, high in ((-WIDEST_MM, -_SAME_MM - _BIN_MM), (width + _SAME_MM + _BIN_MM, width + WIDEST_MM)):
        beside = votes(low, high)
        top = int(np.argmax(beside))
        on = alike & (np.abs(off - low - (top + 0.5) * _BIN_MM) < _BIN_MM)
        if beside[top] > checks.WALL_RIVAL * wall and _ends_alike(_run(at[on]), (0.0, length)):
            return True
    return False


def _ends_alike(span: tuple[float, float], other: tuple[float, float]) -> bool:
    return max(abs(a - b) for a, b in zip(span, other, strict=True)) < _ENDS_MM


def shows_paper(patch: Patch, paper: Array, wall: Guide) -> bool:
    """Whether what lies in the slot beside most of a wall has the paper's tint rather than the top face's."""
    green = patch.log_light[..., [GREEN]]
    tint = patch.log_light - green
    slot, wood = (
        np.array([np.median(look_beside(patch, tint[..., k], wall, across)) for k in range(3)])
        for across in (_ACROSS_MM, -_ACROSS_MM)
    )
    apart = paper - wood
    return bool((slot - wood) @ apart > 0.5 * apart @ apart)


def _alike(walls: Walls, other: Walls) -> bool:
    """Whether two pairs are the same pair."""
    middles = [[(g.start_mm + g.end_mm) / 2 for g in (pair.first, pair.second)] for pair in (walls, other)]
    ways = (middles[1], middles[1][::-1])
    normal = walls.first.normal
    return any(all(abs((a - b) @ normal) < _SAME_MM for a, b in zip(middles[0], way, strict=True)) for way in ways)


def unlike_top_face(patch: Patch, paper: Array) -> Array:
    """From 0 where it looks like the top face to 1 where it does not, (h, w).

    The top face is what lies along the work's rim. What is darker is no top face, nor what has the paper's tint.

    Parameters
    ----------
    paper : (3,) ndarray
        From `paper_tint`.
    """
    wood = patch.inside.astype(bool) & ~patch.covered
    size = 2 * round(_RIM_MM / PITCH_MM) + 1
    deep = cv2.erode(patch.inside, np.ones((size, size), np.uint8), borderValue=0).astype(bool)
    rim = wood & ~deep
    if rim.sum() < 100:
        return np.zeros(wood.shape)
    green = patch.log_light[..., GREEN]
    darker = (_plane(green, rim) - green) / _DARKER
    tint = patch.log_light - green[..., None]
    typical = np.median(tint[rim], axis=0)
    apart = paper - typical
    unlike = darker
    if np.linalg.norm(apart) > checks.SLOT_LEAST_TINT:
        unlike = np.maximum(unlike, 1.6 * ((tint - typical) @ apart) / float(apart @ apart) - 0.3)
    unlike = np.clip(unlike, 0, 1)
    unlike[~wood] = 0
    return np.asarray(unlike, np.float64)


def _plane(values: NDArray[np.float32], where: NDArray[np.bool_]) -> Array:
    """The plane through most of the chosen places' values, everywhere."""
    rows, columns = np.nonzero(where)
    every = max(1, len(rows) // 4000)
    rows, columns = rows[::every], columns[::every]
    seen = values[rows, columns].astype(np.float64)
    basis = np.column_stack([np.ones(len(rows)), columns, rows])
    use = np.abs(seen - np.median(seen)) < 0.5
    for _ in range(3):
        plane = np.linalg.lstsq(basis[use], seen[use], rcond=None)[0]
        off = np.abs(seen - basis @ plane)
        use = off < 3 * max(float(np.median(off)), 0.02)
    y, x = np.indices(values.shape)
    return np.asarray(plane[0] + plane[1] * x + plane[2] * y)


@dataclass(frozen=True)
class _Edges:
    """Places (n, 2), mm, in the patch where the look changes, how steeply (n,), and towards what is no wood (n, 2)."""

    places: Array
    steep: Array
    into: Array

    @classmethod
    def of(cls, unlike: Array) -> _Edges:
        sd = _SMOOTH_MM / PITCH_MM
        smooth = cv2.GaussianBlur(unlike, (0, 0), sd)
        slope = np.stack([np.gradient(smooth, axis=1), np.gradient(smooth, axis=0)], axis=-1)
        steep = np.linalg.norm(slope, axis=-1) * sd * np.sqrt(2 * np.pi)
        rows, columns = np.nonzero(steep > _STEEP)
        here = steep[rows, columns]
        places = np.column_stack([columns, rows]) * PITCH_MM
        into = slope[rows, columns] * (sd * np.sqrt(2 * np.pi) / np.maximum(here, 1e-9))[:, None]
        return cls(np.asarray(places, np.float64), np.asarray(here, np.float64), np.asarray(into, np.float64))


def _angles(along: Array | None) -> Array:
    if along is None:
        return np.asarray(np.radians(np.arange(0.0, 180.0, 1.0)), np.float64)
    return np.asarray(np.arctan2(along[1], along[0]) + np.radians(np.arange(-3.0, 3.1, 0.5)), np.float64)


def _pairs(edges: _Edges, angles: Array) -> Iterator[tuple[float, float, float, float]]:
    """Votes, angle, and both offsets, mm, of pairs of lines with the slot between them."""
    if len(edges.places) < checks.SLOT_LEAST_LENGTH_MM / PITCH_MM:
        return
    least = checks.SLOT_LEAST_LENGTH_MM / PITCH_MM
    for angle in angles:
        normal = np.array([-np.sin(angle), np.cos(angle)])
        towards = edges.into @ normal
        rho = edges.places @ normal
        first = np.abs(towards) > np.cos(np.radians(_ASKEW_DEG))
        if first.sum() < least:
            continue
        start = float(rho[first].min())
        bins = ((rho - start) / _BIN_MM).astype(int)
        count = int(bins[first].max()) + 1
        low, high = (
            np.bincount(bins[on], edges.steep[on], count)
            for on in (first & (towards > 0), first & (towards < 0))
        )  # fmt: skip
        for a in np.argsort(-low)[:_TOP]:
            for b in np.argsort(-high)[:_TOP]:
                apart = (b - a) * _BIN_MM
                votes = float(min(low[a], high[b]))
                if _NARROWEST_MM - _BIN_MM < apart < WIDEST_MM and votes > least:
                    yield votes, float(angle), start + (a + 0.5) * _BIN_MM, start + (b + 0.5) * _BIN_MM


def _confirmed(patch: Patch, unlike: Array, edges: _Edges, angle: float, low: float, high: float) -> Walls | None:
    """Both lines followed to their ends; None unless each has wood on one side and none on the other."""
    lines = [_followed(edges, angle, rho, sign) for rho, sign in ((low, 1.0), (high, -1.0))]
    if any(line is None for line in lines):
        return None
    (a, span_a), (b, span_b) = (line for line in lines if line is not None)
    # both walls of a slot begin and end at the same places
    start, end = max(span_a[0], span_b[0]), min(span_a[1], span_b[1])
    longest = max(span_a[1] - span_a[0], span_b[1] - span_b[0])
    if end - start < max(checks.SLOT_LEAST_LENGTH_MM, 0.6 * longest):
        return None
    walls = Walls(_guide(patch, *a, (start, end)), _guide(patch, *b, (end, start)))
    if walls.width_mm < _NARROWEST_MM or walls.first.length_mm < walls.width_mm:
        return None
    both = all(_is_wall(patch, unlike, wall) for wall in (walls.first, walls.second))
    return walls if both and _is_empty(patch, unlike, walls) else None


def _followed(
    edges: _Edges, angle: float, rho: float, sign: float
) -> tuple[tuple[Array, Array], tuple[float, float]] | None:
    """A point of the line, its direction, and where along the direction it starts and ends, patch mm."""
    line = np.array([np.cos(angle), np.sin(angle)])
    point = rho * np.array([-line[1], line[0]])
    span = (0.0, 0.0)
    for reach in (1.2, 0.7, 0.5):
        normal = np.array([-line[1], line[0]])
        off, at = (edges.places - point) @ normal, edges.places @ line
        near = (np.abs(off) < reach) & (sign * (edges.into @ normal) > np.cos(np.radians(2 * _ASKEW_DEG)))
        if near.sum() < checks.SLOT_LEAST_LENGTH_MM / PITCH_MM:
            return None
        span = _run(at[near])
        on = near & (at >= span[0]) & (at <= span[1])
        if span[1] - span[0] < checks.SLOT_LEAST_LENGTH_MM:
            return None
        slope, shift = np.polyfit(at[on], off[on], 1, w=np.sqrt(edges.steep[on]))
        middle = (span[0] + span[1]) / 2
        point = point + (middle - point @ line) * line + (slope * middle + shift) * normal
        turned = line + slope * normal
        line = turned / np.linalg.norm(turned)
    return (point, line), span


def _run(at: Array) -> tuple[float, float]:
    """The longest stretch without a break of more than `_STRAY_MM`."""
    ordered = np.sort(at)
    breaks = np.flatnonzero(np.diff(ordered) > _STRAY_MM)
    firsts = ordered[np.concatenate([[0], breaks + 1])]
    lasts = ordered[np.concatenate([breaks, [len(ordered) - 1]])]
    longest = int(np.argmax(lasts - firsts))
    return float(firsts[longest]), float(lasts[longest])


def _guide(patch: Patch, point: Array, line: Array, span: tuple[float, float]) -> Guide:
    start, end = (patch.corner_mm + point + (at - point @ line) * line for at in span)
    return Guide(start, end)


def has_wood_beside(patch: Patch, unlike: Array, wall: Guide) -> bool:
    """Whether it looks like the top face nearly all along the side of a line that its normal points away from."""
    return bool(np.mean(_wood_side(patch, unlike, wall) < _LIKE) > checks.WALL_SHARE)


def _wood_side(patch: Patch, unlike: Array, wall: Guide) -> Array:
    return np.asarray(np.median(look_beside(patch, unlike, wall, -_ACROSS_MM), axis=1))


def _is_wall(patch: Patch, unlike: Array, wall: Guide) -> bool:
    """Wood on the side away from the normal, and something else on the other, nearly all along."""
    outside = _wood_side(patch, unlike, wall)
    inside = np.median(look_beside(patch, unlike, wall, _ACROSS_MM), axis=1)
    return bool(
        np.mean(outside < _LIKE) > checks.WALL_SHARE and np.mean(inside - outside > _LEAST_STEP) > checks.WALL_SHARE
    )


def _is_empty(patch: Patch, unlike: Array, walls: Walls) -> bool:
    """Whether hardly anything between the walls looks like the top face."""
    across = np.asarray(np.linspace(0.1, 0.9, 17) * walls.width_mm, np.float64)
    return bool(np.mean(look_beside(patch, unlike, walls.first, across) > _LEAST_STEP) > checks.WALL_SHARE)


def look_beside(patch: Patch, unlike: NDArray[np.floating], wall: Guide, across: Array) -> Array:
    """Values at places along a wall (n) and `across` from it (m), mm to its normal: (n, m)."""
    at = np.arange(0.04, 0.97, 0.01) * wall.length_mm
    where = ((wall.points(at[:, None], across[None, :]) - patch.corner_mm) / PITCH_MM).astype(np.float32)
    return np.asarray(cv2.remap(unlike.astype(np.float32), where[..., 0], where[..., 1], cv2.INTER_LINEAR))
