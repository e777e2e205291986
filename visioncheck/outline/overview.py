"""A small picture of the table, square to it, and the tint of what lies on the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from visioncheck.camera.view import View
from visioncheck.photo.light import linear_light
from visioncheck.photo.load import QUARTER, Photo
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import BAND, target_layout

Array = NDArray[np.float64]

PIXELS_PER_MM = 2.0
_MARGIN_MM = 3.0
"""Kept away from the pages' edges, where the bench shines in; the margin is unprinted and 6 mm wide."""
_DARK_FLOOR = 0.012
"""Added to linear light before the logarithm: in print black the sensor's noise has no colour to tell."""


@dataclass(frozen=True)
class Overview:
    """The table from above at `PIXELS_PER_MM`, as the plane of the paper.

    Attributes
    ----------
    tint : (h, w, 2) float32 ndarray
        log(red/green) and log(blue/green) in linear light, less the sheet's own. Shade does not change it.
    light : (h, w) float32 ndarray
        Logarithm of the light of green, less that of the sheet's paper.
    on_sheet : (h, w) bool ndarray
        Well inside a page.
    between : (h, w) bool ndarray
        Well inside the hull of all pages: `on_sheet` and what lies between two sheets.
    origin_mm : (2,) ndarray
        Table place of the pixel (0, 0).
    in_field : (h, w) bool ndarray
        Well inside a field, where the sheet is of one colour but for its small marks.
    is_dark : bool
        Whether that colour is black.
    """

    tint: NDArray[np.float32]
    light: NDArray[np.float32]
    on_sheet: NDArray[np.bool_]
    between: NDArray[np.bool_]
    origin_mm: Array
    in_field: NDArray[np.bool_]
    is_dark: bool = False

    def to_table(self, pixels: Array) -> Array:
        """Table mm (n, 2) of overview pixels (n, 2)."""
        return np.asarray(self.origin_mm + np.asarray(pixels, float) / PIXELS_PER_MM)


def page_corners_mm(points: TargetPoints, view: View) -> list[Array]:
    """The four corners of each sheet in the picture, (4, 2) each, table frame."""
    paper = target_layout(points.paper).paper
    return _placed(points, view, (0.0, 0.0), (paper.width_mm, paper.height_mm))


def _field_corners_mm(points: TargetPoints, view: View) -> list[Array]:
    """The four corners of each sheet's field, (4, 2) each, table frame."""
    layout = target_layout(points.paper)
    low = np.array(layout.origin_mm) + BAND * layout.paper.square_mm
    return _placed(points, view, low, np.array([layout.paper.width_mm, layout.paper.height_mm]) - low)


def _placed(points: TargetPoints, view: View, low: ArrayLike, high: ArrayLike) -> list[Array]:
    """A rectangle of the layout, mm, as it lies on the table with each sheet in the picture."""
    layout = target_layout(points.paper)
    corner = np.asarray(low, float)
    box = corner + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (np.asarray(high, float) - corner)
    corners = []
    for sheet in np.unique(points.sheet):
        here = points.sheet == sheet
        if here.sum() < 4:
            continue
        nominal = layout.saddles_mm[points.index[here]]
        placed = view.to_table(points.xy_px[here])
        affine = np.linalg.lstsq(np.column_stack([nominal, np.ones(len(nominal))]), placed, rcond=None)[0]
        corners.append(box @ affine[:2] + affine[2])
    return corners


def look_from_above(photo: Photo, points: TargetPoints, view: View) -> Overview:
    """Draw the overview of a photo whose view is known."""
    pages = page_corners_mm(points, view)
    low = np.concatenate(pages).min(axis=0)
    high = np.concatenate(pages).max(axis=0)
    width, height = np.ceil((high - low) * PIXELS_PER_MM).astype(int) + 1
    colour = _warp(photo.quarter, view, low, int(width), int(height))
    drawn = [((page - low) * PIXELS_PER_MM).astype(np.float32) for page in pages]
    on_sheet = np.zeros((height, width), bool)
    for page in drawn:
        on_sheet |= _well_inside(page, on_sheet.shape)
    between = on_sheet | _well_inside(np.concatenate(drawn), on_sheet.shape)
    blue, green, red = (_log_light()[channel] for channel in cv2.split(colour))
    tint = cv2.merge([red - green, blue - green])
    paper_tint, paper_light = _paper(tint, green, on_sheet)
    tint -= paper_tint
    in_field = np.zeros((height, width), bool)
    for field in _field_corners_mm(points, view):
        in_field |= _well_inside(((field - low) * PIXELS_PER_MM).astype(np.float32), in_field.shape, 0.5)
    light = green - np.float32(paper_light)
    return Overview(tint, light, on_sheet, between, low, in_field, points.field == "dark")


@cache
def _log_light() -> NDArray[np.float32]:
    """Logarithm of the light of the 256 levels."""
    return np.asarray(np.log(linear_light(np.arange(256, dtype=np.uint8)) + _DARK_FLOOR), np.float32)


def room_on_sheet_mm(points: TargetPoints, view: View, places_mm: Array) -> Array:
    """How far places (n, 2) of the table lie within what the overview looks at; negative outside."""
    hull = cv2.convexHull(np.concatenate(page_corners_mm(points, view)).astype(np.float32))
    inside = [cv2.pointPolygonTest(hull, (float(x), float(y)), measureDist=True) for x, y in places_mm]
    return np.array(inside) - _MARGIN_MM


def _well_inside(corners: Array, shape: tuple[int, ...], margin_mm: float = _MARGIN_MM) -> NDArray[np.bool_]:
    mask = np.zeros(shape, np.uint8)
    hull = cv2.convexHull(corners.astype(np.float32)).round().astype(np.int32)
    cv2.fillConvexPoly(mask, hull, 1)
    margin = 2 * int(margin_mm * PIXELS_PER_MM) + 1
    return cv2.erode(mask, np.ones((margin, margin), np.uint8), borderValue=0).astype(bool)


def _warp(quarter: NDArray[np.uint8], view: View, low: Array, width: int, height: int) -> NDArray[np.uint8]:
    # the map is smooth: worked out on a coarse grid, then interpolated
    step = 16
    columns = np.arange(0, width + step, step)
    rows = np.arange(0, height + step, step)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    pixels = view.to_image(low + grid / PIXELS_PER_MM)
    coarse = ((pixels + 0.5) / QUARTER - 0.5).reshape(len(rows), len(columns), 2).astype(np.float32)
    fine_x, fine_y = np.meshgrid(np.arange(width, dtype=np.float32) / step, np.arange(height, dtype=np.float32) / step)
    fine = cv2.remap(coarse, fine_x, fine_y, cv2.INTER_LINEAR)
    seen = cv2.remap(quarter, fine, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(seen)


def _paper(tint: Array, log_green: Array, inside: NDArray[np.bool_]) -> tuple[Array, float]:
    """The paper's tint and light: medians over the brightest part of the outer ring, where no work lies."""
    ring = inside & ~cv2.erode(inside.astype(np.uint8), np.ones((49, 49), np.uint8)).astype(bool)
    bright = ring & (log_green >= np.quantile(log_green[ring], 0.5))
    return np.asarray(np.median(tint[bright], axis=0)), float(np.median(log_green[bright]))
