"""From a photo to the named saddle points of its printed sheets."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.errors import Refusal
from visioncheck.points.accept import field_sign, fit_together
from visioncheck.points.crossing import SIGMA_U, SIGMA_V
from visioncheck.points.markers import DetectedMarkers, find_markers
from visioncheck.points.model import TargetPoints
from visioncheck.points.neighbours import SaddleFits, with_true_scatter
from visioncheck.points.saddle import Fits, contrasts, fit_saddles, shift_to_channel
from visioncheck.points.sheet_map import SheetMap, fit_sheet_map
from visioncheck.points.sheets import CoarseSheet, coarse_sheets
from visioncheck.points.tag import find_tags
from visioncheck.points.windows import MOST_PX, windows_at
from visioncheck.printed.layout import TargetLayout, target_layout

if TYPE_CHECKING:
    from visioncheck.photo.load import Photo

Flags = NDArray[np.bool_]
Array = NDArray[np.float64]

_BLUE, _GREEN, _RED = range(3)
_WINDOW = 0.125
"""Half the window's side as a part of the square's: clear of the markers, which begin at 0.15."""
_ROUNDS = 5
_BETTER_PX = 0.7
"""A rejected point is tried again where the mended map moves it by more than this."""


def find_points(photo: Photo, *, colours: bool = True) -> TargetPoints:
    """Find every readable saddle point of the photo's sheets, and its piece tags.

    Parameters
    ----------
    colours : bool
        Whether to place the points in blue and red too, as a survey of the lens needs them; NaN if not.

    Raises
    ------
    Refusal
        ``no-target``: no printed sheet is recognised; ``mirrored``: one is, in the mirrored picture;
        ``few-points``: too few saddle points can be read.
    """
    seen = find_markers(photo)
    paper, sheets = coarse_sheets(seen)
    if not sheets:
        raise _nothing(photo)
    layout = target_layout(paper)
    green = photo.bgr[:, :, _GREEN]
    found = [read for sheet in sheets if (read := _read_sheet(green, layout, sheet))]
    return _gather(photo, layout, found, seen, colours=colours)


def _nothing(photo: Photo) -> Refusal:
    mirrored = replace(photo, bgr=np.ascontiguousarray(photo.bgr[:, ::-1]))
    if coarse_sheets(find_markers(mirrored))[1]:
        return Refusal("mirrored", photo.path.name)
    return Refusal("no-target", photo.path.name)


def _read_sheet(green: NDArray[np.uint8], layout: TargetLayout, sheet: CoarseSheet) -> SaddleFits | None:
    """Read one sheet's points; None where so few are seen that they fix no map."""
    try:
        read = _refine_sheet(green, layout, sheet)
        return with_true_scatter(layout, read) if len(read.index) else None
    except (ValueError, np.linalg.LinAlgError):
        return None


def _refine_sheet(green: NDArray[np.uint8], layout: TargetLayout, sheet: CoarseSheet) -> SaddleFits:
    """Fit all saddles where the map says, judge them, mend the map with the good ones and try the rest again."""
    read = _attempt(green, layout, sheet.number, sheet.map)
    good = fit_together(layout, read)
    for _ in range(_ROUNDS - 1):
        if good.sum() < 8:
            break
        degree = 4 if good.sum() >= 60 else 3 if good.sum() >= 25 else 0
        page = layout.saddles_mm[read.index[good]]
        sheet_map, _ = fit_sheet_map(page, read.fits.terms[good, :2], degree, 0.1)
        again = _inside(green, layout, sheet_map)
        again = again[~np.isin(again, read.index[good])]
        before = sheet.map.pixels(layout.saddles_mm[again])
        again = again[np.linalg.norm(sheet_map.pixels(layout.saddles_mm[again]) - before, axis=1) > _BETTER_PX]
        if not len(again):
            break
        terms = read.fits.terms[good]
        contrast = float(np.median(np.abs(contrasts(terms))))
        retried = _attempt(green, layout, sheet.number, sheet_map, again, contrast)
        read = _joined(_keep(read, ~np.isin(read.index, again)), retried)
        good = fit_together(layout, read)
        sheet = CoarseSheet(sheet.number, sheet_map, sheet.agree)
    return _keep(read, good)


def _inside(green: NDArray[np.uint8], layout: TargetLayout, sheet_map: SheetMap) -> NDArray[np.int64]:
    predicted = sheet_map.pixels(layout.saddles_mm)
    height, width = green.shape
    room = MOST_PX + 2
    inside = np.all((predicted > room) & (predicted < np.array([width, height]) - room), axis=1)
    return np.flatnonzero(inside)


def _attempt(
    green: NDArray[np.uint8],
    layout: TargetLayout,
    number: int,
    sheet_map: SheetMap,
    index: NDArray[np.int64] | None = None,
    usual_contrast: float | None = None,
) -> SaddleFits:
    if index is None:
        index = _inside(green, layout, sheet_map)
    page = layout.saddles_mm[index]
    places, jacobians = sheet_map.pixels(page), sheet_map.jacobians(page)
    which, fits = fit_saddles(green, places, jacobians, _WINDOW * layout.paper.square_mm, usual_contrast)
    return SaddleFits(number, index[which], places[which], jacobians[which], fits)


def _keep(read: SaddleFits, good: Flags) -> SaddleFits:
    fits = Fits(*(values[good] for values in vars(read.fits).values()))
    return SaddleFits(read.number, read.index[good], read.places[good], read.jacobians[good], fits)


def _joined(first: SaddleFits, second: SaddleFits) -> SaddleFits:
    fits = Fits(
        *(np.concatenate(both) for both in zip(vars(first.fits).values(), vars(second.fits).values(), strict=True))
    )
    return SaddleFits(
        first.number,
        np.concatenate([first.index, second.index]),
        np.concatenate([first.places, second.places]),
        np.concatenate([first.jacobians, second.jacobians]),
        fits,
    )


def _gather(
    photo: Photo, layout: TargetLayout, found: list[SaddleFits], seen: DetectedMarkers, *, colours: bool
) -> TargetPoints:
    count = sum(len(read.index) for read in found)
    if count < checks.POINTS_LEAST:
        raise Refusal("few-points", photo.path.name, "of the target", count=count)
    blue, red = (
        np.concatenate([_in_channel(photo.bgr[:, :, channel], layout, read) for read in found])
        if colours
        else np.full((count, 2), np.nan)
        for channel in (_BLUE, _RED)
    )
    terms = np.concatenate([read.fits.terms for read in found])
    signs = [
        field_sign(layout, read, contrasts(read.fits.terms)) * np.count_nonzero(read.index >= len(layout.band_corners))
        for read in found
    ]
    return TargetPoints(
        paper=layout.paper.name,
        field="dark" if sum(signs) > 0 else "light",
        sheet=np.concatenate([np.full(len(read.index), read.number, np.int64) for read in found]),
        index=np.concatenate([read.index for read in found]),
        xy_px=terms[:, :2],
        u_px=np.concatenate([read.fits.u_px for read in found]),
        blue_px=blue,
        red_px=red,
        blur_px=float(np.median(terms[:, SIGMA_U : SIGMA_V + 1])),
        tags=find_tags(photo.bgr, seen),
    )


def _in_channel(channel: NDArray[np.uint8], layout: TargetLayout, read: SaddleFits) -> Array:
    if not len(read.index):
        return np.zeros((0, 2))
    windows = windows_at(read.fits.terms[:, :2], read.jacobians, _WINDOW * layout.paper.square_mm)
    places, rms = shift_to_channel(windows.cut(channel), windows, read.fits)
    shift = np.linalg.norm(places - read.fits.terms[:, :2], axis=1)
    usable = (shift < checks.POINT_COLOUR_SHIFT_PX) & (rms < checks.POINT_COLOUR_RMS_TIMES * np.median(rms))
    return np.where(usable[:, None], places, np.nan)
