"""The target's sheets and the piece tags as vector PDFs at exact scale.

Everything black on a page is ONE path: shapes that share an edge are then filled together, so no renderer or
printer can leave a hairline between them or print their common edge twice.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from visioncheck.printed.layout import BAND, IDS_PER_SHEET, TAG_IDS, TAG_MM, TAG_PAPER_MM, Field, Paper, TargetLayout
from visioncheck.units import MM_PER_IN

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

MODULES = 7
"""A marker's modules across: five bits and the one-module border on either side."""
PT_PER_MM = 72 / MM_PER_IN
TEXT_EDGE_MM = 5.0
"""Words and ticks keep this far from the page's edge: most printers reach there; nothing measured is lost if not."""
GAP_MM = 0.4
"""Words and ticks keep this far from the grid."""
FONT = "Helvetica"
FONT_HEIGHT = 0.93
"""Ascent and descent of the font, over its size."""
LARGEST_PT = 6.5
TAG_STRIP_MM = 12.0
"""Width of the strip with the arrow beside a tag's white square."""
TAG_GAP_MM = 4.0
TAG_HEAD_MM = 8.0
TAG_WORDS = ("points to the edge that", "lay against the fence", "(panel: the edge cut first)")


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle, mm, sheet frame."""

    left: float
    top: float
    width: float
    height: float


def draw_sheets(layout: TargetLayout, field: Field, sheets: int) -> bytes:
    """Draw the first `sheets` sheets of a target, one page each.

    Parameters
    ----------
    layout : TargetLayout
        The printed layout.
    field : {"light", "dark"}
        Colour of the inside of the band.
    sheets : int
        How many, 1 to 7; they carry the numbers 0, 1, ….

    Returns
    -------
    bytes
        A PDF file; the same bytes every time.
    """
    pages = _Pages(layout.paper, f"Target {layout.paper.name}, {field} field")
    for sheet in range(sheets):
        pages.fill(sheet_ink(layout, field, sheet))
        if field == "dark":
            pages.fill(_field_marks(layout), white=True)
        _margin(pages, layout, field, sheet)
        pages.end_page()
    return pages.finish()


def draw_tags(paper: Paper) -> bytes:
    """Draw the piece tags, ids 210 … 249, as many to a page as fit, each with its arrow and its cut lines.

    Returns
    -------
    bytes
        A PDF file; the same bytes every time.
    """
    pages = _Pages(paper, f"Piece tags, {paper.name}")
    places = tag_places(paper)
    ids = list(TAG_IDS)
    for first in range(0, len(ids), len(places)):
        here = list(zip(ids[first : first + len(places)], places, strict=False))
        ink = [box for tag, place in here for box in _tag_ink(tag, place)]
        pages.fill(ink)
        for tag, place in here:
            _format_tag(pages, tag, place)
        pages.text(places[0].left, 9.0, "Piece tags: print at 100 %, no fit-to-page; cut along the thin lines.", 7)
        pages.end_page()
    return pages.finish()


def sheet_ink(layout: TargetLayout, field: Field, sheet: int) -> list[Box]:
    """Give everything black inside a sheet's grid; on a dark field its white marks lie on top of this."""
    square = layout.paper.square_mm
    x0, y0 = layout.origin_mm
    ink = [Box(x0 + i * square, y0 + j * square, square, square) for i, j in layout.black_squares]
    for n, corners in enumerate(layout.marker_corners_mm):
        left, top = corners[0]
        ink += marker_ink(IDS_PER_SHEET * sheet + n, float(left), float(top), layout.marker_mm)
    if field == "light":
        return ink + _field_marks(layout)
    inside = Box(
        x0 + BAND * square,
        y0 + BAND * square,
        (layout.columns - 2 * BAND) * square,
        (layout.rows - 2 * BAND) * square,
    )
    return [*ink, inside]


def _field_marks(layout: TargetLayout) -> list[Box]:
    side = layout.mark_mm
    marks = layout.saddles_mm[len(layout.band_corners) :]
    return [Box(float(x) + shift, float(y) + shift, side, side) for x, y in marks for shift in (-side, 0.0)]


def marker_ink(marker_id: int, left: float, top: float, side: float) -> list[Box]:
    """Give the black of one marker of ``DICT_5X5_250``: runs of modules along each row."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    black = np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, MODULES)) == 0
    module = side / MODULES
    return [
        Box(left + start * module, top + row * module, (end - start) * module, module)
        for row in range(MODULES)
        for start, end in _runs(black[row])
    ]


def _runs(row: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    turns = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]])))
    yield from zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True)


def _margin(pages: _Pages, layout: TargetLayout, field: Field, sheet: int) -> None:
    """Write above and below the grid; draw ticks in line with the two ends of the ruled length."""
    y0 = layout.origin_mm[1]
    paper = layout.paper
    room = y0 - GAP_MM - TEXT_EDGE_MM
    size = min(LARGEST_PT, room * PT_PER_MM / FONT_HEIGHT)
    top_line = y0 - GAP_MM - 0.22 * size / PT_PER_MM
    bottom_line = paper.height_mm - y0 + GAP_MM + 0.72 * size / PT_PER_MM
    first, last = (layout.saddles_mm[k] for k in layout.ruled_points)
    ruled = layout.ruled_mm
    pages.text(
        float(first[0]) + 1.0,
        top_line,
        f"A   sheet {sheet}   {paper.name}, {field} field, squares of {paper.square_mm:g} mm   "
        "print at 100 %, no fit-to-page   glue down flat",
        size,
    )
    pages.text(
        float(last[0]) - 1.0,
        bottom_line,
        f"ruled length: nominally {ruled:.2f} mm = {ruled / MM_PER_IN:.3f} in, A to B, "
        "each where its two ticks would cross; note what a steel rule reads   B",
        size,
        align_right=True,
    )
    pages.ticks(_ticks(layout))


def _ticks(layout: TargetLayout) -> list[tuple[float, float, float, float]]:
    (ax, ay), (bx, by) = (map(float, layout.saddles_mm[k]) for k in layout.ruled_points)
    x0, y0 = layout.origin_mm
    right, bottom = layout.paper.width_mm, layout.paper.height_mm
    return [
        (ax, TEXT_EDGE_MM, ax, y0 - GAP_MM),
        (TEXT_EDGE_MM, ay, x0 - GAP_MM, ay),
        (bx, bottom - y0 + GAP_MM, bx, bottom - TEXT_EDGE_MM),
        (right - x0 + GAP_MM, by, right - TEXT_EDGE_MM, by),
    ]


def tag_places(paper: Paper) -> list[Box]:
    """Say where the tags stand on a page, in reading order: each the rectangle to cut out."""
    width, height = TAG_PAPER_MM + TAG_STRIP_MM, TAG_PAPER_MM
    columns = int((paper.width_mm - 12 + TAG_GAP_MM) // (width + TAG_GAP_MM))
    rows = int((paper.height_mm - 12 - TAG_HEAD_MM + TAG_GAP_MM) // (height + TAG_GAP_MM))
    left = (paper.width_mm - columns * (width + TAG_GAP_MM) + TAG_GAP_MM) / 2
    top = 6 + TAG_HEAD_MM
    return [
        Box(left + i * (width + TAG_GAP_MM), top + j * (height + TAG_GAP_MM), width, height)
        for j in range(rows)
        for i in range(columns)
    ]


def _tag_ink(tag: int, place: Box) -> list[Box]:
    margin = (TAG_PAPER_MM - TAG_MM) / 2
    shaft = Box(place.left + TAG_PAPER_MM + 1.6, place.top + 6.0, 0.8, 15.0)
    return [*marker_ink(tag, place.left + margin, place.top + margin, TAG_MM), shaft]


def _format_tag(pages: _Pages, tag: int, place: Box) -> None:
    x = place.left + TAG_PAPER_MM + 2.0
    pages.triangle((x, place.top + 2.0), (x - 1.9, place.top + 6.2), (x + 1.9, place.top + 6.2))
    pages.text(x, place.top + 25.0, str(tag), 7, centred=True)
    for k, words in enumerate(TAG_WORDS):
        pages.text_up(x + 4.6 + 2.0 * k, place.top + place.height - 2.0, words, 5)
    pages.outline(place)


class _Pages:
    """A PDF being drawn in the sheet frame (mm, y down)."""

    def __init__(self, paper: Paper, title: str) -> None:
        self._height = paper.height_mm
        self._file = io.BytesIO()
        # invariant: no date and no random id; uncompressed: the bytes do not hang on a compressor's version
        self._canvas = Canvas(
            self._file,
            pagesize=(paper.width_mm * PT_PER_MM, paper.height_mm * PT_PER_MM),
            invariant=1,
            pageCompression=0,
        )
        self._canvas.setTitle(title)
        # asks the viewer's print dialogue for 100 %
        self._canvas.setViewerPreference("PrintScaling", "None")

    def fill(self, boxes: Iterable[Box], *, white: bool = False) -> None:
        """Fill all boxes as one path."""
        self._canvas.setFillGray(1 if white else 0)
        path = self._canvas.beginPath()
        for box in boxes:
            x, y = self._at(box.left, box.top + box.height)
            path.rect(x, y, box.width * PT_PER_MM, box.height * PT_PER_MM)
        self._canvas.drawPath(path, stroke=0, fill=1)
        self._canvas.setFillGray(0)

    def triangle(self, *corners: tuple[float, float]) -> None:
        path = self._canvas.beginPath()
        path.moveTo(*self._at(*corners[0]))
        for corner in corners[1:]:
            path.lineTo(*self._at(*corner))
        path.close()
        self._canvas.drawPath(path, stroke=0, fill=1)

    def outline(self, box: Box) -> None:
        self._canvas.setLineWidth(0.25)
        x, y = self._at(box.left, box.top + box.height)
        self._canvas.rect(x, y, box.width * PT_PER_MM, box.height * PT_PER_MM, stroke=1, fill=0)

    def ticks(self, lines: Iterable[tuple[float, float, float, float]]) -> None:
        self._canvas.setLineWidth(0.4)
        for x1, y1, x2, y2 in lines:
            self._canvas.line(*self._at(x1, y1), *self._at(x2, y2))

    def text(
        self, x: float, y: float, words: str, size: float, *, align_right: bool = False, centred: bool = False
    ) -> None:
        """Write words with their baseline at (x, y)."""
        width = stringWidth(words, FONT, size) / PT_PER_MM
        self._canvas.setFont(FONT, size)
        self._canvas.drawString(*self._at(x - width * (1.0 if align_right else 0.5 if centred else 0.0), y), words)

    def text_up(self, x: float, y: float, words: str, size: float) -> None:
        """Write words that run up the page from (x, y)."""
        self._canvas.saveState()
        self._canvas.translate(*self._at(x, y))
        self._canvas.rotate(90)
        self._canvas.setFont(FONT, size)
        self._canvas.drawString(0, 0, words)
        self._canvas.restoreState()

    def end_page(self) -> None:
        self._canvas.showPage()

    def finish(self) -> bytes:
        self._canvas.save()
        return self._file.getvalue()

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return x * PT_PER_MM, (self._height - y) * PT_PER_MM
