"""Which printed sheets a photo shows, and roughly where: by their markers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.points.markers import DetectedMarkers
from visioncheck.points.sheet_map import SheetMap, fit_sheet_map
from visioncheck.printed.layout import IDS_PER_SHEET, PAPERS, SHEETS, TargetLayout, target_layout

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CoarseSheet:
    """One sheet as its markers show it.

    Attributes
    ----------
    number : int
        Of the sheet.
    map : SheetMap
        Its sheet frame to pixels.
    agree : int
        Markers that agree with the map.
    """

    number: int
    map: SheetMap
    agree: int


def coarse_sheets(seen: DetectedMarkers) -> tuple[str, list[CoarseSheet]]:
    """Choose the paper whose layout the markers agree with best, and the sheets seen of it."""
    best: tuple[str, list[CoarseSheet]] = ("", [])
    score = 0
    for paper in PAPERS:
        layout = target_layout(paper)
        sheets = [sheet for number in range(SHEETS) if (sheet := _coarse_sheet(layout, number, seen))]
        total = sum(sheet.agree for sheet in sheets)
        if total > score:
            best, score = (paper, sheets), total
    return best


def _coarse_sheet(layout: TargetLayout, number: int, seen: DetectedMarkers) -> CoarseSheet | None:
    """Map of one sheet from its markers, or None when too few of them agree with one smooth map."""
    order = seen.ids - number * IDS_PER_SHEET
    own = (order >= 0) & (order < min(IDS_PER_SHEET, len(layout.marker_squares)))
    if np.count_nonzero(own) < checks.SHEET_LEAST_MARKERS:
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
        agree = miss < checks.MARKER_MISS_SHARE * side
        if agree.all() or np.count_nonzero(agree) < checks.SHEET_LEAST_MARKERS:
            break
        page, pixels = page[agree], pixels[agree]
    count = int(np.count_nonzero(agree))
    return CoarseSheet(number, sheet_map, count) if count >= checks.SHEET_LEAST_MARKERS else None
