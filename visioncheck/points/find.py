"""From a photo to the named saddle points of its printed sheets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from visioncheck.errors import Refusal
from visioncheck.points.markers import DetectedMarkers, find_markers
from visioncheck.points.model import TargetPoints
from visioncheck.points.saddle import (
    LEVEL,
    MOST_PX,
    SIGMA_U,
    SIGMA_V,
    TURN_U,
    TURN_V,
    Fits,
    contrasts,
    fit_saddles,
    shift_to_channel,
    windows_at,
)
from visioncheck.points.sheet_map import SheetMap, fit_sheet_map
from visioncheck.points.tag import find_tags
from visioncheck.printed.layout import IDS_PER_SHEET, PAPERS, SHEETS, Layout, layout_of

if TYPE_CHECKING:
    from visioncheck.photo.load import Photo

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_BLUE, _GREEN, _RED = range(3)
_WINDOW = 0.125
"""Half the window's side as a part of the square's: clear of the markers, which begin at 0.15."""
_FEWEST_POINTS = 20
_ROUNDS = 5
_NEIGHBOURS = 11
_OUTLIER = 4.5
_WORST_TURN_DEG = 6.0
_USUAL_SCATTER = 1.5
_USUAL_WEIGHT = 20
"""What the scatter of points commonly is in units of their own u, and how many readings that knowledge is worth:
on photos with truth 1.3 to 2.0, a spread of a sixth."""
_MEDIAN_EFFICIENCY = 0.37
"""Of the median absolute deviation against squares, for normal scatter (P. J. Rousseeuw and C. Croux, *Alternatives
to the median absolute deviation*, 1993)."""
_BETTER_PX = 0.7
"""A rejected point is tried again where the mended map moves it by more than this."""


@dataclass(frozen=True)
class _Sheet:
    number: int
    map: SheetMap
    agree: int


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
    paper, sheets = _sheets(seen)
    if not sheets:
        raise _nothing(photo)
    layout = layout_of(paper)
    green = photo.bgr[:, :, _GREEN]
    found = [read for sheet in sheets if (read := _read_sheet(green, layout, sheet))]
    return _gather(photo, layout, found, seen, colours=colours)


def _nothing(photo: Photo) -> Refusal:
    mirrored = replace(photo, bgr=np.ascontiguousarray(photo.bgr[:, ::-1]))
    if _sheets(find_markers(mirrored))[1]:
        return Refusal("mirrored", str(photo.path))
    return Refusal("no-target", str(photo.path))


def _sheets(seen: DetectedMarkers) -> tuple[str, list[_Sheet]]:
    """Choose the paper whose layout the markers agree with best, and the sheets seen of it."""
    best: tuple[str, list[_Sheet]] = ("", [])
    score = 0
    for paper in PAPERS:
        layout = layout_of(paper)
        sheets = [sheet for number in range(SHEETS) if (sheet := _coarse_sheet(layout, number, seen))]
        total = sum(sheet.agree for sheet in sheets)
        if total > score:
            best, score = (paper, sheets), total
    return best


def _coarse_sheet(layout: Layout, number: int, seen: DetectedMarkers) -> _Sheet | None:
    """Map of one sheet from its markers, or None when too few of them agree with one smooth map."""
    order = seen.ids - number * IDS_PER_SHEET
    own = (order >= 0) & (order < min(IDS_PER_SHEET, len(layout.marker_squares)))
    if np.count_nonzero(own) < 3:
        return None
    page = layout.marker_corners_mm[order[own]]
    pixels = seen.corners_px[own]
    for _ in range(3):
        degree = 3 if len(page) >= 12 else 2 if len(page) >= 8 else 0
        try:
            sheet_map, residuals = fit_sheet_map(page.reshape(-1, 2), pixels.reshape(-1, 2), degree, 1.0)
        except (ValueError, np.linalg.LinAlgError):
            return None
        side = np.linalg.norm(pixels - np.roll(pixels, 1, axis=1), axis=2).mean(axis=1)
        miss = np.linalg.norm(residuals.reshape(-1, 4, 2), axis=2).max(axis=1)
        agree = miss < 0.25 * side
        if agree.all() or np.count_nonzero(agree) < 3:
            break
        page, pixels = page[agree], pixels[agree]
    count = int(np.count_nonzero(agree))
    return _Sheet(number, sheet_map, count) if count >= 3 else None


@dataclass(frozen=True)
class _Read:
    """One sheet's accepted points: indices, fits, windows' inputs."""

    number: int
    index: NDArray[np.int64]
    places: Array
    jacobians: Array
    fits: Fits


def _read_sheet(green: NDArray[np.uint8], layout: Layout, sheet: _Sheet) -> _Read | None:
    """Read one sheet's points; None where so few are seen that they fix no map."""
    try:
        read = _refine_sheet(green, layout, sheet)
        return _with_true_scatter(layout, read) if len(read.index) else None
    except (ValueError, np.linalg.LinAlgError):
        return None


def _refine_sheet(green: NDArray[np.uint8], layout: Layout, sheet: _Sheet) -> _Read:
    """Fit all saddles where the map says, judge them, mend the map with the good ones and try the rest again."""
    read = _attempt(green, layout, sheet.number, sheet.map)
    good = _fit_together(layout, read)
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
        good = _fit_together(layout, read)
        sheet = _Sheet(sheet.number, sheet_map, sheet.agree)
    return _keep(read, good)


def _inside(green: NDArray[np.uint8], layout: Layout, sheet_map: SheetMap) -> NDArray[np.int64]:
    predicted = sheet_map.pixels(layout.saddles_mm)
    height, width = green.shape
    room = MOST_PX + 2
    inside = np.all((predicted > room) & (predicted < np.array([width, height]) - room), axis=1)
    return np.flatnonzero(inside)


def _attempt(
    green: NDArray[np.uint8],
    layout: Layout,
    number: int,
    sheet_map: SheetMap,
    index: NDArray[np.int64] | None = None,
    usual_contrast: float | None = None,
) -> _Read:
    if index is None:
        index = _inside(green, layout, sheet_map)
    page = layout.saddles_mm[index]
    places, jacobians = sheet_map.pixels(page), sheet_map.jacobians(page)
    which, fits = fit_saddles(green, places, jacobians, _WINDOW * layout.paper.square_mm, usual_contrast)
    return _Read(number, index[which], places[which], jacobians[which], fits)


def _keep(read: _Read, good: Flags) -> _Read:
    fits = Fits(*(values[good] for values in vars(read.fits).values()))
    return _Read(read.number, read.index[good], read.places[good], read.jacobians[good], fits)


def _joined(first: _Read, second: _Read) -> _Read:
    fits = Fits(
        *(np.concatenate(both) for both in zip(vars(first.fits).values(), vars(second.fits).values(), strict=True))
    )
    return _Read(
        first.number,
        np.concatenate([first.index, second.index]),
        np.concatenate([first.places, second.places]),
        np.concatenate([first.jacobians, second.jacobians]),
        fits,
    )


def _are_saddles(layout: Layout, read: _Read) -> Flags:
    """Which fits look like an undisturbed crossing: sign, contrast, blur, directions, residuals."""
    terms, fits = read.fits.terms, read.fits
    good: Flags = np.isfinite(terms).all(axis=1) & (terms[:, LEVEL] > 0)
    contrast = contrasts(terms)
    sign = _signs(layout, read, contrast)
    contrast = contrast * sign
    good &= (contrast > 0.1) & (fits.last_step_px < 0.02)
    normals = np.linalg.inv(read.jacobians)
    for row, turn in ((0, TURN_U), (1, TURN_V)):
        expected = np.arctan2(normals[:, row, 1], normals[:, row, 0])
        good &= np.abs(terms[:, turn] - expected) < np.radians(_WORST_TURN_DEG)
    places = terms[:, :2]
    amplitude = np.maximum(np.abs(contrast) * terms[:, LEVEL], 1)
    good &= np.abs(contrast / _usual(contrast, places, good) - 1) < 0.2
    misfit = np.column_stack([fits.residual_rms, fits.residual_worst]) / amplitude[:, None]
    good &= np.all(misfit < np.maximum(2.0 * _usual(misfit, places, good), 0.03), axis=1)
    blur = terms[:, [SIGMA_U, SIGMA_V]]
    usual = _usual(blur, places, good)
    good &= np.all((blur < 1.6 * usual + 0.3) & (blur > 0.5 * usual), axis=1)
    return good


def _usual(values: Array, places: Array, good: Flags) -> Array:
    """Take what is usual around each point, the median over the nearest good ones; light and blur change slowly.

    Of values (n,), or of several at once, (n, k).
    """
    if np.count_nonzero(good) < 3:
        return values
    apart = ((places[:, None] - places[None, good]) ** 2).sum(axis=2)
    nearest = np.argpartition(apart, min(_NEIGHBOURS, apart.shape[1] - 1), axis=1)[:, :_NEIGHBOURS]
    return np.asarray(np.median(values[good][nearest], axis=1))


def _signs(layout: Layout, read: _Read, contrast: Array) -> Array:
    """Sign of each point's amplitude in the print: negative where the squares up-left and down-right are dark."""
    band = np.array([-1.0 if (i + j) % 2 == 0 else 1.0 for i, j in layout.band_corners])
    return np.concatenate([band, np.full(len(layout.field_corners), _field_sign(layout, read, contrast))])[read.index]


def _field_sign(layout: Layout, read: _Read, contrast: Array) -> float:
    """-1 on a light field, 1 on a dark one, as most of its clear marks say."""
    marks = contrast[read.index >= len(layout.band_corners)]
    return 1.0 if np.count_nonzero(marks > 0.2) > np.count_nonzero(marks < -0.2) else -1.0


def _fit_together(layout: Layout, read: _Read) -> Flags:
    """Which good points stand where their neighbours say; none where there are too few to say."""
    good = _are_saddles(layout, read)
    if np.count_nonzero(good) < 8:
        return np.zeros_like(good)
    own = np.hypot(*_own_miss(layout, read, good).T)
    return np.asarray(good & (own < max(_OUTLIER * float(np.median(own[good])), 0.12)))


def _own_miss(layout: Layout, read: _Read, good: Flags) -> Array:
    """Deviation (n, 2), px, from a robust smooth map through the good points, less what neighbours share.

    What neighbours share (waves of the paper, a real lens) is no fault of the point.
    """
    page, places = layout.saddles_mm[read.index], read.fits.terms[:, :2]
    sheet_map, _ = fit_sheet_map(page[good], places[good], _map_degree(int(np.count_nonzero(good))), 0.05)
    miss = places - sheet_map.pixels(page)
    return miss - _usual(miss, places, good)


def _map_degree(points: int) -> int:
    return 5 if points >= 70 else 4 if points >= 50 else 2


def _with_true_scatter(layout: Layout, read: _Read) -> _Read:
    """Make the uncertainties cover the points' scatter about their neighbours.

    Each point's own residuals, uneven and alike as they are, say most of it. The rest is found by the ratio of
    R. T. Birge, The calculation of errors by the method of least squares (Physical Review, 1932), with a median in
    place of the squares, and averaged with what it commonly is, so that few points say little.
    """
    u_px = read.fits.u_px * _usual(read.fits.unrest, read.fits.terms[:, :2], np.ones(len(read.index), bool))
    squares, readings = _scatter_squares(layout, read, u_px)
    ratio = np.sqrt((_USUAL_WEIGHT * _USUAL_SCATTER**2 + squares) / (_USUAL_WEIGHT + readings))
    return replace(read, fits=replace(read.fits, u_px=u_px * ratio))


def _scatter_squares(layout: Layout, read: _Read, u_px: Array) -> tuple[float, float]:
    """Sum of the points' squared deviations in units of u, and the number of readings that it is worth."""
    count = len(read.index)
    degree = _map_degree(count)
    readings = 2 * (count - (degree + 1) * (degree + 2) / 2)
    if readings <= 0:
        return 0.0, 0.0
    own = np.abs(_own_miss(layout, read, np.ones(count, bool)) / u_px[:, None])
    # the median of the neighbours, itself among them, has about 1.5 / n of one point's variance
    freedom = readings / (2 * count) * (1 - 0.5 / _NEIGHBOURS)
    worth = _MEDIAN_EFFICIENCY * readings
    return worth * (1.4826 * float(np.median(own))) ** 2 / freedom, worth


def _gather(photo: Photo, layout: Layout, found: list[_Read], seen: DetectedMarkers, *, colours: bool) -> TargetPoints:
    count = sum(len(read.index) for read in found)
    if count < _FEWEST_POINTS:
        raise Refusal("few-points", str(photo.path), "of the target", count=count)
    blue, red = (
        np.concatenate([_in_channel(photo.bgr[:, :, channel], layout, read) for read in found])
        if colours
        else np.full((count, 2), np.nan)
        for channel in (_BLUE, _RED)
    )
    terms = np.concatenate([read.fits.terms for read in found])
    signs = [
        _field_sign(layout, read, contrasts(read.fits.terms)) * np.count_nonzero(read.index >= len(layout.band_corners))
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


def _in_channel(channel: NDArray[np.uint8], layout: Layout, read: _Read) -> Array:
    if not len(read.index):
        return np.zeros((0, 2))
    windows = windows_at(read.fits.terms[:, :2], read.jacobians, _WINDOW * layout.paper.square_mm)
    places, rms = shift_to_channel(windows.cut(channel), windows, read.fits)
    shift = np.linalg.norm(places - read.fits.terms[:, :2], axis=1)
    usable = (shift < 2.0) & (rms < 3 * np.median(rms))
    return np.where(usable[:, None], places, np.nan)
