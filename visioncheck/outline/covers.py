"""What is not the piece but lies against its sides or over them: which stretches of each side it takes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.outline.overview import PIXELS_PER_MM, Overview

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

_STEP_MM = 0.5
_BESIDE_MM: Array = np.array([1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5])
"""Where to look on either side of an edge."""
_CORNER_MM = 2.0
"""A corner's own side faces and its neighbour's shade are not looked at."""
_STRANGE = 0.12
"""Tint (natural log of a ratio) of a thing on the sheet; what wood throws back on paper is less."""
_UNLIKE = 0.5
"""A thing on the wood differs from its tint by this share of that ..."""
_LEAST_LOOK = 0.15
"""... where it has one."""
_BLACK = 1.8
"""Natural log of light below paper's: darker than a shadow, such as iron."""
_PALE = 0.9
"""Natural log of light below paper's: paler than a dark field under a lamp."""
_MARK_MM = 4.0
_JAW_MM = 8.0
_SHARE = 0.5
_LEAST_MM = 3.0
_AROUND_MM = 2.0
"""A thing's blurred border and the foot of its shadow are left out with it."""
_NO_COVER = 0.7
"""What goes along more of a side is that side's own look (a dark side face, a stain) and nothing that lies there."""
_DEEP_MM = 5.0
_BEYOND_MM = 4.0
_AROUND_PIECE_MM = 10.0

Lies = Literal["against", "over"]


@dataclass(frozen=True)
class Cover:
    """A stretch of a side, mm from its start, where something lies against the piece or over its edge."""

    start_mm: float
    end_mm: float
    lies: Lies


def near_piece(overview: Overview, corners_mm: Array) -> Overview:
    """The part of an overview in which something may lie at a piece."""
    corners = (corners_mm - overview.origin_mm) * PIXELS_PER_MM
    margin = _AROUND_PIECE_MM * PIXELS_PER_MM
    size = np.array(overview.light.shape[::-1])
    low = np.clip(np.floor(corners.min(axis=0) - margin).astype(int), 0, size - 1)
    high = np.clip(np.ceil(corners.max(axis=0) + margin).astype(int), low + 1, size)
    part = np.s_[low[1] : high[1], low[0] : high[0]]
    return replace(
        overview,
        tint=overview.tint[part],
        light=overview.light[part],
        on_sheet=overview.on_sheet[part],
        between=overview.between[part],
        origin_mm=overview.origin_mm + low / PIXELS_PER_MM,
        in_field=overview.in_field[part],
    )


def find_covers(overview: Overview, corners_mm: Array) -> tuple[tuple[Cover, ...], ...]:
    """What lies against or over each of a piece's sides.

    Parameters
    ----------
    corners_mm : (n, 2) ndarray
        On the plane of the paper; the outside of each side at the direction (x, y) turned to (-y, x).
    """
    tint = np.asarray(cv2.blur(overview.tint, (3, 3)), np.float32)
    look = _look(tint, overview, corners_mm)
    # where a side face shows, an outline's corner lies beyond the wood: the sheet that is seen there lies over nothing
    strange = _is_strange(tint)
    above = _is_unlike(tint, look) & (strange | (cv2.blur(overview.light, (3, 3)) < -_BLACK))
    # the bench between two sheets is no thing that lies there
    beyond = (strange & overview.on_sheet) | _is_neutral_thing(overview)
    return tuple(
        _covers(beyond, above, (start - overview.origin_mm) * PIXELS_PER_MM, (end - overview.origin_mm) * PIXELS_PER_MM)
        for start, end in zip(corners_mm, np.roll(corners_mm, -1, axis=0), strict=True)
    )


def hidden_parts_mm(overview: Overview, corners_mm: Array) -> tuple[Array, ...]:
    """Convex outlines (n, 2) of what lies across the piece's edges and has neither its tint nor the sheet's."""
    tint = np.asarray(cv2.blur(overview.tint, (3, 3)), np.float32)
    look = _look(tint, overview, corners_mm)
    within = _within(overview, corners_mm, 0.0)
    other = _is_unlike(tint, look) & (_is_strange(tint) | _is_broad_and_black(overview))
    _, things = cv2.connectedComponents(other.astype(np.uint8), connectivity=4)
    # what is seen in a slot ends with the piece
    beside = ~_within(overview, _grown(corners_mm, _BEYOND_MM), 0.0)
    across = np.intersect1d(np.unique(things[within]), np.unique(things[beside]))
    on = within & np.isin(things, across[across > 0])
    contours, _ = cv2.findContours(on.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    large = [contour for contour in contours if cv2.contourArea(contour) > (_LEAST_MM * PIXELS_PER_MM) ** 2]
    hulls = [cv2.convexHull(contour)[:, 0].astype(np.float64) for contour in large]
    return tuple(overview.to_table(_grown(hull, _AROUND_MM * PIXELS_PER_MM)) for hull in hulls)


def _grown(hull: Array, by: float) -> Array:
    away = hull - hull.mean(axis=0)
    return np.asarray(hull + by * away / np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None])


def _look(tint: NDArray[np.float32], overview: Overview, corners_mm: Array) -> Array:
    inside = _within(overview, corners_mm, _DEEP_MM)
    return np.asarray(np.median(tint[inside], axis=0)) if inside.any() else np.zeros(2)


def _within(overview: Overview, corners_mm: Array, deep_mm: float) -> NDArray[np.bool_]:
    mask = np.zeros(overview.light.shape, np.uint8)
    drawn = np.round((corners_mm - overview.origin_mm) * PIXELS_PER_MM).astype(np.int32)
    cv2.fillPoly(mask, [drawn], 1)
    size = 2 * round(deep_mm * PIXELS_PER_MM) + 1
    return np.asarray(cv2.erode(mask, np.ones((size, size), np.uint8), borderValue=0), bool)


def _is_strange(tint: NDArray[np.float32]) -> NDArray[np.bool_]:
    return np.asarray(cv2.magnitude(*cv2.split(tint)) > _STRANGE)


def _is_broad_and_black(overview: Overview) -> NDArray[np.bool_]:
    """A clamp's iron; a saw's slot is narrower."""
    size = 2 * round(_JAW_MM * PIXELS_PER_MM / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx((overview.light < -_BLACK).astype(np.uint8), cv2.MORPH_OPEN, disc), bool)


def _is_neutral_thing(overview: Overview) -> NDArray[np.bool_]:
    """What is black on a light field or pale on a dark one, and broader than the field's marks; shadows are neither."""
    other = overview.light > -_PALE if overview.is_dark else overview.light < -_BLACK
    size = 2 * round(_MARK_MM * PIXELS_PER_MM / 2) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    broad = cv2.morphologyEx((other & overview.in_field).astype(np.uint8), cv2.MORPH_OPEN, disc)
    return np.asarray(broad, bool)


def _is_unlike(tint: NDArray[np.float32], look: Array) -> NDArray[np.bool_]:
    strength = float(np.linalg.norm(look))
    if strength < _LEAST_LOOK:
        return _is_strange(tint)
    return np.asarray(cv2.magnitude(*cv2.split(tint - look.astype(np.float32))) > _UNLIKE * strength)


def _covers(
    strange: NDArray[np.bool_], foreign: NDArray[np.bool_], start_px: Array, end_px: Array
) -> tuple[Cover, ...]:
    """Of one side of the overview: what is `strange` beyond it or `foreign` within."""
    length = float(np.linalg.norm(end_px - start_px)) / PIXELS_PER_MM
    along = (end_px - start_px) / (length * PIXELS_PER_MM)
    outside = np.array([-along[1], along[0]])
    at = np.arange(_CORNER_MM, length - _CORNER_MM, _STEP_MM)
    if len(at) < 4:
        return ()
    line = start_px + at[:, None] * PIXELS_PER_MM * along

    def most(where: NDArray[np.bool_], across_mm: Array) -> NDArray[np.bool_]:
        places = np.round(line[:, None] + across_mm[:, None] * PIXELS_PER_MM * outside).astype(int)
        x, y = (np.clip(places[..., k], 0, where.shape[1 - k] - 1) for k in range(2))
        here = where[y, x].mean(axis=1) > _SHARE
        return np.asarray(here & (here.mean() <= _NO_COVER), bool)

    above = most(foreign, -_BESIDE_MM)
    return tuple(_stretches(above, most(strange, _BESIDE_MM), at))


def _stretches(above: NDArray[np.bool_], beyond: NDArray[np.bool_], at: Array) -> list[Cover]:
    """One for each thing: where it lies over the edge somewhere, it does."""
    here = np.concatenate([[False], above | beyond, [False]]).astype(np.int8)
    runs = np.flatnonzero(np.diff(here)).reshape(-1, 2)
    joined: list[tuple[int, int]] = []
    for first, end in runs:
        if joined and at[first] - at[joined[-1][1] - 1] < 2 * _AROUND_MM:
            joined[-1] = joined[-1][0], int(end)
        else:
            joined.append((int(first), int(end)))
    return [
        Cover(
            float(at[first]) - _AROUND_MM,
            float(at[end - 1]) + _AROUND_MM,
            "over" if above[first:end].any() else "against",
        )
        for first, end in joined
        if at[end - 1] - at[first] >= _LEAST_MM
    ]
