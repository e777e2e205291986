"""Find the workpiece: the rough outline of what lies on the sheet, by its tint, or else by its light."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.errors import Marks, Refusal
from visioncheck.outline.covers import Cover, find_covers, hidden_parts_mm, near_piece
from visioncheck.outline.overview import PIXELS_PER_MM, Overview, look_from_above
from visioncheck.outline.polygon import Polygon, polygon_of
from visioncheck.outline.quads import Quad, best_quad
from visioncheck.photo.load import Photo
from visioncheck.points.model import TargetPoints

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]
_Clean = Callable[[NDArray[np.bool_]], Mask]

_TINT_STEP = 0.07
"""Smallest difference of tint (natural log of a ratio) that counts as not being the sheet."""
_SMALLEST_MM2 = 400.0
_CLOSE_MM = 2.0
_OPEN_MM = 2.5
_LOOKS = 4
"""How many looks on a sheet are tried: the piece's, a pencil's, a hand's."""
_TINT_BIN = 0.06
_PALER, _STRONGER, _ASIDE = 0.45, 1.6, 0.22
"""A look holds tints of its own direction from this share of its strength (in the dark every tint is paler) to that,
and so far aside, in its strength."""
_NOISE_TINT = 0.05
_EVERY = 3
"""Of the places whose commonest look is sought one in so many is enough."""
_LIGHT_STEP, _LIGHT_NEAR, _LIGHT_BIN = 0.3, 0.28, 0.1
_SQUARE_MM = 11.0
"""Larger than the print's squares, which are dark and without tint as well."""
_DARK = 1.2
_SEEN_MARKS = 0.2
_MARK_MM2 = 400.0
_ROUND_MARK_MM = 10.0
_IN_ONE = 0.9
_SAME = 0.5
_SMALL_MM2, _FAR_LARGER = 3000.0, 2.0
"""A tinted thing smaller than this may be a clamp, if something without a tint is so many times as large."""
_QUAD_SEEN, _QUAD_WORTH = 0.7, 0.97
"""Four sides of which one is seen less, while they enclose what looks like the piece worse, may be another shape; a
clamp takes the first alone."""


@dataclass(frozen=True)
class Outline:
    """A rough outline on the plane of the paper.

    Attributes
    ----------
    corners_mm : (n, 2) ndarray
        Table frame; side i runs from corner i to corner i + 1, anticlockwise as seen from above, so that a side's
        direction (x, y) has the outside at (-y, x).
    straight : (n,) tuple of bool
        Whether a side is straight; all four of most work are. One that is bent or broken has its ends alone.
    covers : (n,) tuple of tuple of Cover
        Of each side, where something lies against it or over it.
    hidden_mm : tuple of (m, 2) ndarray
        Convex outlines of what lies on it.
    """

    corners_mm: Array
    straight: tuple[bool, ...] = (True,) * 4
    covers: tuple[tuple[Cover, ...], ...] = ((), (), (), ())
    hidden_mm: tuple[Array, ...] = ()

    @property
    def area_mm2(self) -> float:
        """Area."""
        return float(cv2.contourArea(self.corners_mm.astype(np.float32)))

    @property
    def is_four_sided(self) -> bool:
        """Whether it has four sides, all straight."""
        return self.straight == (True,) * 4

    @property
    def width_mm(self) -> float:
        """Width across its longest side."""
        sides = np.linalg.norm(np.roll(self.corners_mm, -1, axis=0) - self.corners_mm, axis=1)
        return self.area_mm2 / float(sides.max())


def find_outlines(photo: Photo, points: TargetPoints, view: View) -> list[Outline]:
    """Every thing with straight sides on the sheet, largest first, as seen on the plane of the paper.

    Four-sided things come first; what is of another shape is looked for where there are none.

    Raises
    ------
    Refusal
        Nothing lies on the sheet (``no-piece``).
    """
    overview = look_from_above(photo, points, view)
    seen = (view.to_table(points.xy_px) - overview.origin_mm) * PIXELS_PER_MM
    beyond = (~overview.on_sheet).astype(np.uint8)
    found: list[Polygon] = []
    # work without a tint of its own (painted grey) shows by its light alone, and so does every shadow
    for look in (_tinted, _shaded):
        looks = list(look(overview))
        found = _distinct(_candidates(looks, seen, beyond)) or _distinct(_of_other_shape(looks, seen, beyond))
        if found:
            break
    if found and _area(found[0].corners) < _SMALL_MM2 * PIXELS_PER_MM**2:
        found = [*_far_larger(_distinct(_candidates(_shaded(overview), seen)), found[0]), *found]
    if not found:
        strange = tuple(_closed(view.to_image(part)) for part in _strange_parts(overview))
        raise Refusal("no-piece", photo.path.name, "shape" if strange else "").showing(Marks(trouble=strange))
    return [_outline(overview, _as_outlines_run(polygon)) for polygon in found]


def _far_larger(others: list[Polygon], small: Polygon) -> list[Polygon]:
    """Work without a tint, where the only thing with one may be what holds it."""
    return [other for other in others if _area(other.corners) > _FAR_LARGER * _area(small.corners)]


def hollow_work(photo: Photo, overview: Overview) -> Mask:
    """What looks most like the work, 1 where it does, holes left open; in the overview.

    Raises
    ------
    Refusal
        Nothing lies on the sheet (``no-piece``).
    """
    looks = [look for look, _ in _tinted(overview, _cleared)] or [look for look, _ in _shaded(overview, _cleared)]
    if not looks:
        raise Refusal("no-piece", photo.path.name)
    return np.asarray(max(looks, key=np.count_nonzero) > 0, np.uint8)


def find_laid_apart(photo: Photo, points: TargetPoints, view: View) -> list[Outline]:
    """Every four-sided piece of several that lie on the sheet apart from each other, largest first.

    Raises
    ------
    Refusal
        Nothing lies on the sheet (``no-piece``).
    """
    overview = look_from_above(photo, points, view)
    seen = (view.to_table(points.xy_px) - overview.origin_mm) * PIXELS_PER_MM
    found = _distinct(_candidates(_apart(_tinted(overview)), seen)) or _distinct(
        _candidates(_apart(_shaded(overview)), seen)
    )
    if not found:
        raise Refusal("no-piece", photo.path.name)
    return [_outline(overview, _as_outlines_run(polygon)) for polygon in found]


def _apart(looks: Iterator[tuple[Mask, Mask]]) -> Iterator[tuple[Mask, Mask]]:
    """Each part of a look that hangs together as a look of its own."""
    for look, covered in looks:
        count, parts, sizes, _ = cv2.connectedComponentsWithStats((look > 0).astype(np.uint8))
        for part in range(1, count):
            if sizes[part, cv2.CC_STAT_AREA] > _SMALLEST_MM2 * PIXELS_PER_MM**2:
                yield (parts == part).astype(look.dtype) * look, covered


def _outline(overview: Overview, polygon: Polygon) -> Outline:
    corners_mm = overview.to_table(polygon.corners)
    near = near_piece(overview, corners_mm)
    covers = zip(find_covers(near, corners_mm), polygon.straight, strict=True)
    told = tuple(each if straight else () for each, straight in covers)
    return Outline(corners_mm, polygon.straight, told, hidden_parts_mm(near, corners_mm))


def _strange_parts(overview: Overview) -> list[Array]:
    """Outlines, mm, of what is no sheet by its tint, but has no straight sides that meet."""
    strong = cv2.magnitude(*cv2.split(cv2.blur(overview.tint, (3, 3)))) > _TINT_STEP
    contours, _ = cv2.findContours(
        _without_crumbs(_clean(strong & overview.on_sheet)), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    return [overview.to_table(contour[:, 0].astype(np.float64)) for contour in contours]


def _closed(outline: Array) -> Array:
    return np.concatenate([outline, outline[:1]])


def _candidates(
    looks: Iterable[tuple[Mask, Mask]], seen: Array, beyond: Mask | None = None
) -> Iterator[tuple[float, Polygon]]:
    """Worth, px², and outlines of the four-sided things that each look gives, one after the other.

    Without what is `beyond` the sheet they are four-sided, whatever else they may be.
    """
    least = _SMALLEST_MM2 * PIXELS_PER_MM**2
    for look, covered in looks:
        left = look.copy()
        for _ in range(3):
            total = float(left.sum())
            quad = best_quad(left, covered) if total > least else None
            if quad is None:
                break
            area = _area(quad.corners)
            if area > least and not _shows_marks(quad.corners, area, seen, look):
                yield quad.worth * total, _as_it_is(quad, left, beyond)
            cv2.fillConvexPoly(left, np.round(quad.corners).astype(np.int32), 0)
            left = _without_crumbs(left)


def _as_it_is(quad: Quad, look: Mask, beyond: Mask | None) -> Polygon:
    """Four sides, or what fits better where a side of the four is little seen and nothing hides it."""
    little = quad.seen < _QUAD_SEEN and quad.worth < _QUAD_WORTH
    other = polygon_of(look, beyond) if little and beyond is not None else None
    return other or Polygon.of_straight_sides(quad.corners)


def _of_other_shape(looks: list[tuple[Mask, Mask]], seen: Array, beyond: Mask) -> Iterator[tuple[float, Polygon]]:
    for look, _ in looks:
        polygon = polygon_of(look, beyond)
        if polygon is None:
            continue
        area = _area(polygon.corners)
        if area > _SMALLEST_MM2 * PIXELS_PER_MM**2 and not _shows_marks(polygon.corners, area, seen, look):
            yield area, polygon


def _distinct(candidates: Iterator[tuple[float, Polygon]]) -> list[Polygon]:
    """Those that are not the same thing as a better one, largest first."""
    kept: list[Polygon] = []
    for _, polygon in sorted(candidates, key=lambda pair: -pair[0]):
        area = _area(polygon.corners)
        if all(_shared(polygon.corners, other.corners) < _SAME * area for other in kept):
            kept.append(polygon)
    return sorted(kept, key=lambda polygon: -_area(polygon.corners))


def _area(corners: Array) -> float:
    return float(cv2.contourArea(corners.astype(np.float32)))


def _shared(corners: Array, others: Array) -> float:
    """Area that two things have in common; of hollow ones that of their hulls."""
    one, other = (cv2.convexHull(each.astype(np.float32)) for each in (corners, others))
    return float(cv2.intersectConvexConvex(one, other)[0])


def _shows_marks(corners: Array, area: float, seen: Array, look: Mask) -> bool:
    """Whether the sheet's print is seen where the piece would lie on it: a shadow, a stain, or two pieces as one.

    In one piece, what is seen through a slot has no such look around it and tells nothing.
    """
    outline = corners.astype(np.float32)
    seen = seen[
        [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=True) > PIXELS_PER_MM for x, y in seen]
    ]
    allowed = 1 + _SEEN_MARKS * area / (_MARK_MM2 * PIXELS_PER_MM**2)
    if len(seen) > allowed and _is_in_one(corners, look):
        size = round(_ROUND_MARK_MM * PIXELS_PER_MM)
        around = cv2.blur(look.astype(np.float32), (size, size), borderType=cv2.BORDER_CONSTANT)
        column, row = np.clip(np.round(seen), 0, np.array(look.shape[::-1]) - 1).astype(int).T
        seen = seen[around[row, column] > 0.5]
    return len(seen) > allowed


def _is_in_one(corners: Array, look: Mask) -> bool:
    """Whether what has this look within a quadrilateral hangs together."""
    within = np.zeros(look.shape, np.uint8)
    cv2.fillPoly(within, [np.round(corners).astype(np.int32)], 1)
    parts = cv2.connectedComponentsWithStats(within & (look > 0).astype(np.uint8))[2][1:, cv2.CC_STAT_AREA]
    return bool(len(parts) and parts.max() > _IN_ONE * parts.sum())


def _tinted(overview: Overview, clean: _Clean | None = None) -> Iterator[tuple[Mask, Mask]]:
    """What looks alike by its tint, and what hides it; the commonest look first."""
    # smoothed before its size is taken: noise has a size too, but no direction
    smooth = np.asarray(cv2.blur(overview.tint, (3, 3)), np.float32)
    strength = cv2.magnitude(*cv2.split(smooth))
    strange = (strength > _TINT_STEP) & overview.between
    covered = (strange | (overview.light < -_DARK)) & overview.between
    left = strange & overview.on_sheet
    for _ in range(_LOOKS):
        if left.sum() < _SMALLEST_MM2 * PIXELS_PER_MM**2:
            return
        like = _like(smooth, _commonest(smooth[left][::_EVERY]))
        yield _without_crumbs((clean or _clean)(like & strange)), covered.astype(np.uint8)
        left &= ~like


def _commonest(tints: NDArray[np.float32]) -> Array:
    """The tint in whose bin and the eight around it most places lie."""
    low = tints.min(axis=0)
    cells = np.floor((tints - low) / _TINT_BIN).astype(int)
    wide, high = cells.max(axis=0) + 1
    count = np.bincount(cells[:, 0] * high + cells[:, 1], minlength=wide * high).reshape(wide, high).astype(float)
    top = np.array(np.unravel_index(np.argmax(cv2.blur(count, (3, 3), borderType=cv2.BORDER_CONSTANT)), count.shape))
    near = np.abs(tints - low - (top + 0.5) * _TINT_BIN).max(axis=1) < 1.5 * _TINT_BIN
    return np.asarray(np.median(tints[near], axis=0))


def _like(tint: NDArray[np.float32], look: Array) -> NDArray[np.bool_]:
    strength = float(np.linalg.norm(look))
    cosine, sine = (float(each) for each in look / strength)
    red, blue = cv2.split(tint)
    along, aside = red * cosine + blue * sine, np.abs(blue * cosine - red * sine)
    own = (along > max(_TINT_STEP, _PALER * strength)) & (along < _STRONGER * strength + _NOISE_TINT)
    return np.asarray(own & (aside < _ASIDE * strength + _NOISE_TINT))


def _shaded(overview: Overview, clean: _Clean | None = None) -> Iterator[tuple[Mask, Mask]]:
    """What looks alike by its light and has no tint."""
    light = cv2.blur(overview.light, (3, 3))
    tinted = cv2.magnitude(*cv2.split(cv2.blur(overview.tint, (3, 3)))) > _TINT_STEP
    covered = tinted.astype(np.uint8)
    left = overview.on_sheet & (np.abs(light) > _LIGHT_STEP) & ~tinted
    for _ in range(_LOOKS):
        if left.sum() < _SMALLEST_MM2 * PIXELS_PER_MM**2:
            return
        bins = np.floor((light[left] - light.min()) / _LIGHT_BIN).astype(int)
        look = light.min() + (np.argmax(np.bincount(bins)) + 0.5) * _LIGHT_BIN
        # a level of light on tinted wood is a lamp's shine and no piece
        like = (np.abs(light - look) < _LIGHT_NEAR) & ~tinted
        all_like, size = (clean or _clean)(like & overview.on_sheet), _odd(_SQUARE_MM)
        opened = cv2.morphologyEx(all_like, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
        # the piece's corners come back, which the squares' size cut off; what is blurred with the sheet is like neither
        whole = cv2.bitwise_and(cv2.dilate(opened, np.ones((size, size), np.uint8)), all_like)
        yield np.asarray(cv2.dilate(whole, np.ones((3, 3), np.uint8)), np.uint8), covered
        left &= ~like


def _without_crumbs(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    large = np.flatnonzero(stats[:count, cv2.CC_STAT_AREA] > _SMALLEST_MM2 / 4 * PIXELS_PER_MM**2)
    return np.asarray(np.isin(labels, large[large > 0]), np.uint8)


def _as_outlines_run(polygon: Polygon) -> Polygon:
    x, y = polygon.corners.T
    return polygon.reversed() if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0 else polygon


def _clean(mask: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Close what pencil lines cut, drop what is thin (the bench between two sheets), fill what a tag leaves."""
    opened = _cleared(mask)
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(opened, contours, -1, 1, cv2.FILLED)
    return opened


def _cleared(mask: NDArray[np.bool_]) -> NDArray[np.uint8]:
    close = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(_CLOSE_MM), _odd(_CLOSE_MM)))
    narrow = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(_OPEN_MM), _odd(_OPEN_MM)))
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, close)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, narrow), np.uint8)


def _odd(length_mm: float) -> int:
    return 2 * int(length_mm * PIXELS_PER_MM / 2) + 1
