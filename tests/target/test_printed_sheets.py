"""The PDFs, rendered by an independent library at 600 dpi, against the written layout."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pypdfium2
import pytest

from visioncheck.printed.draw import TEXT_EDGE_MM, draw_sheets, draw_tags, tag_places
from visioncheck.printed.layout import PAPERS, TAG_IDS, TAG_MM, target_layout

DPI = 600
PX_PER_MM = DPI / 25.4
TOLERANCE_MM = 0.02
CASES = [(paper, field, k) for k, (paper, field) in enumerate(itertools.product(PAPERS, ("light", "dark")))]


def render(pdf: bytes, page: int, dpi: float = DPI) -> np.ndarray:
    return pypdfium2.PdfDocument(pdf)[page].render(scale=dpi / 72, grayscale=True).to_numpy()


def px_per_mm(picture: np.ndarray, paper: str) -> np.ndarray:
    """Pixels per mm across and down: the renderer fits the page to whole pixels."""
    return np.array(picture.shape[::-1]) / (PAPERS[paper].width_mm, PAPERS[paper].height_mm)


def step_error(picture: np.ndarray, place: np.ndarray, *, reach: float, towards: np.ndarray, axis: int) -> float:
    """How far off `place` a black/white step along `axis` lies, px, in a strip beside it, `towards` a quadrant.

    The grey level of a pixel is its covered area, so the mean of the profile is the step's place.
    """
    low, high = int(np.floor(place[axis] - reach)), int(np.ceil(place[axis] + reach))
    beside = np.arange(round(0.3 * reach), round(0.9 * reach))
    lines = np.round(place[1 - axis] + towards[1 - axis] * beside - 0.5).astype(int)
    block = picture[lines, low:high] if axis == 0 else picture[low:high, lines].T
    profile = block.mean(0) / 255
    assert {round(float(profile[0])), round(float(profile[-1]))} == {0, 1}, "no step here"
    dark = float((1 - profile).sum())
    return (low + dark if profile[0] < 0.5 else high - dark) - float(place[axis])


def page_of(paper: str, field: str, sheet: int) -> np.ndarray:
    return render(draw_sheets(target_layout(paper), field, sheet + 1), sheet)


@pytest.mark.parametrize(("paper", "field", "k"), CASES)
def test_every_corner_stands_where_the_layout_says(paper, field, k):
    layout = target_layout(paper)
    picture = page_of(paper, field, k % 7)
    scale = px_per_mm(picture, paper)
    one = np.ones(2)
    # (place, quadrant): both black quadrants of a saddle, the inner one of a marker's corner
    saddles = [(saddle, side * one) for saddle in layout.saddles_mm for side in (-1, 1)]
    markers = [(corner, np.sign(four.mean(0) - corner)) for four in layout.marker_corners_mm for corner in four]
    # short of the next ink: a marker 0.15 of a square from the band's corners, a module of 0.1 inside a marker
    errors_px = [
        step_error(picture, place * scale, reach=reach * layout.paper.square_mm * PX_PER_MM, towards=side, axis=axis)
        for reach, places in ((0.14, saddles), (0.08, markers))
        for place, side in places
        for axis in (0, 1)
    ]
    assert max(map(abs, errors_px)) / PX_PER_MM <= TOLERANCE_MM


@pytest.mark.parametrize(("paper", "field", "k"), CASES)
def test_every_marker_is_read_back_and_nothing_else_is_printed(paper, field, k):
    layout, sheet = target_layout(paper), k % 7
    picture = page_of(paper, field, sheet)
    ids, corners = read_markers(picture)
    assert sorted(ids) == [30 * sheet + n for n in range(len(layout.marker_squares))]
    for marker, found in zip(ids, corners, strict=True):
        # corner 0 is the marker's own top left: none is turned or mirrored
        assert np.abs(found - layout.marker_corners_mm[marker - 30 * sheet]).max() < 0.2

    x0, y0 = (np.array(layout.origin_mm) * PX_PER_MM).round().astype(int)
    inside = picture[y0 : picture.shape[0] - y0, x0 : picture.shape[1] - x0]
    square = layout.paper.square_mm
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    modules = sum(int((cv2.aruco.generateImageMarker(dictionary, m, 7) == 0).sum()) for m in ids)
    marks = len(layout.field_corners) * 2 * (0.25 * square) ** 2
    field_mm2 = (layout.columns - 4) * (layout.rows - 4) * square**2
    expected = len(layout.black_squares) * square**2 + modules * (0.1 * square) ** 2
    expected += marks if field == "light" else field_mm2 - marks
    assert (1 - inside / 255.0).sum() / PX_PER_MM**2 == pytest.approx(expected, rel=1e-3)


def read_markers(picture: np.ndarray) -> tuple[list[int], list[np.ndarray]]:
    small = cv2.resize(picture, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250))
    corners, ids, _ = detector.detectMarkers(small)
    return ids.ravel().tolist(), [(c[0] + 0.5) * 3 / PX_PER_MM for c in corners]


@pytest.mark.parametrize("paper", PAPERS)
def test_page_size_is_exact_and_every_sheet_has_a_page(paper):
    # sizes in mm: ISO 216 (A4, A3); ANSI/ASME Y14.1 (8.5 x 11 in, 11 x 17 in)
    size_mm = {"a4": (210, 297), "letter": (215.9, 279.4), "a3": (297, 420), "tabloid": (279.4, 431.8)}[paper]
    document = pypdfium2.PdfDocument(draw_sheets(target_layout(paper), "light", 7))
    assert len(document) == 7
    for page in document:
        assert np.array(page.get_size()) / 72 * 25.4 == pytest.approx(size_mm, abs=1e-4)


@pytest.mark.parametrize("paper", PAPERS)
def test_words_stay_off_the_grid_and_off_the_page_edge(paper):
    layout = target_layout(paper)
    width, height, (_x0, y0) = layout.paper.width_mm, layout.paper.height_mm, layout.origin_mm
    text = pypdfium2.PdfDocument(draw_sheets(layout, "light", 1))[0].get_textpage()
    words = text.get_text_range()
    for said in ("sheet 0", paper, "100 %", "no fit-to-page", "glue down flat", f"{layout.ruled_mm:.2f} mm"):
        assert said in words
    for k in range(text.count_chars()):
        left, bottom, right, top = np.array(text.get_charbox(k)) / 72 * 25.4
        assert left >= TEXT_EDGE_MM
        assert right <= width - TEXT_EDGE_MM
        above, below = height - bottom <= y0, height - top >= height - y0
        assert above or below
        assert height - top >= TEXT_EDGE_MM - 0.05
        assert bottom >= TEXT_EDGE_MM - 0.05


@pytest.mark.parametrize("paper", PAPERS)
def test_tags_have_their_ids_size_and_arrow(paper):
    pdf = draw_tags(PAPERS[paper])
    places = tag_places(PAPERS[paper])
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == -(-len(TAG_IDS) // len(places))
    seen: list[int] = []
    for page in range(len(document)):
        picture = render(pdf, page)
        ids, corners = read_markers(picture)
        seen += ids
        for marker, found in zip(ids, corners, strict=True):
            place = places[(marker - TAG_IDS.start) % len(places)]
            top_left = (place.left + 4, place.top + 4)
            expected = np.array([(0, 0), (TAG_MM, 0), (TAG_MM, TAG_MM), (0, TAG_MM)]) + top_left
            assert np.abs(found - expected).max() < 0.2
            assert white_around(picture, place)
            assert arrow_points_up(picture, place)
    assert sorted(seen) == list(TAG_IDS)


def white_around(picture, place) -> bool:
    """The 28 mm square is white but for its marker; half a millimetre off for the line to cut along."""
    ends = np.round(np.array([0.5, 3.9]) * PX_PER_MM).astype(int)
    x, y = int(place.left * PX_PER_MM), int(place.top * PX_PER_MM)
    side = int(27.5 * PX_PER_MM)
    ring = [
        picture[y + ends[0] : y + ends[1], x + ends[0] : x + side],
        picture[y + ends[0] : y + side, x + ends[0] : x + ends[1]],
    ]
    return all((part == 255).all() for part in ring)


def arrow_points_up(picture, place) -> bool:
    """The arrow's wide end, its head, is the upper one."""
    left, right = int((place.left + 28.0) * PX_PER_MM), int((place.left + 32.2) * PX_PER_MM)
    rows = [int((place.top + y) * PX_PER_MM) for y in (2.5, 6.0, 12.0, 20.0)]
    tip, barb, shaft, tail = ((picture[row, left:right] < 128).sum() for row in rows)
    return 0 < tip < shaft == tail < barb
