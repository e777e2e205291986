"""What lies against a side or over it, in overviews drawn with known places."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from visioncheck.outline.covers import find_covers, hidden_parts_mm
from visioncheck.outline.overview import PIXELS_PER_MM, Overview

SIZE = (220, 320)
WOOD, PENCIL = (0.4, -0.5), (0.6, -2.0)
CORNERS_MM = np.array([[30.0, 80.0], [130.0, 80.0], [130.0, 30.0], [30.0, 30.0]])
"""Listed as outlines are; side 0 is the lower one in the picture."""


def overview(*things) -> Overview:
    """Wood on a sheet, and rectangles (x, y, width, height, tint, log light), mm, over both."""
    tint, light = np.zeros((*SIZE, 2), np.float32), np.zeros(SIZE, np.float32)
    for x, y, width, height, colour, shade in ((30, 30, 100, 50, WOOD, -0.6), *things):
        here = np.s_[int(y * PIXELS_PER_MM) : int((y + height) * PIXELS_PER_MM),
                     int(x * PIXELS_PER_MM) : int((x + width) * PIXELS_PER_MM)]  # fmt: skip
        tint[here], light[here] = colour, shade
    everywhere = np.ones(SIZE, bool)
    return Overview(tint, light, everywhere, everywhere, np.zeros(2), everywhere)


def only_cover(found, side):
    assert [len(each) for each in found] == [int(k == side) for k in range(4)]
    return found[side][0]


def test_a_bare_piece_has_nothing_at_its_sides():
    assert find_covers(overview(), CORNERS_MM) == ((), (), (), ())


def test_a_shadow_is_nothing_that_lies_there():
    assert find_covers(overview((60, 80, 40, 10, (0.0, 0.0), -1.2)), CORNERS_MM) == ((), (), (), ())


def test_a_pencil_against_a_side():
    cover = only_cover(find_covers(overview((60, 80, 20, 8, PENCIL, -0.5)), CORNERS_MM), 0)
    assert cover.lies == "against"
    assert (cover.start_mm, cover.end_mm) == pytest.approx((30, 50), abs=3)


def test_a_clamp_of_black_iron_over_a_side():
    cover = only_cover(find_covers(overview((40, 68, 15, 20, (0.0, 0.0), -2.8)), CORNERS_MM), 0)
    assert cover.lies == "over"
    assert (cover.start_mm, cover.end_mm) == pytest.approx((10, 25), abs=3)


def test_a_black_block_against_a_side_and_a_printed_mark_beside_it():
    cover = only_cover(find_covers(overview((60, 80, 20, 12, (0.0, 0.0), -2.8)), CORNERS_MM), 0)
    assert cover.lies == "against"
    assert (cover.start_mm, cover.end_mm) == pytest.approx((30, 50), abs=3)
    mark = (70, 81, 2.5, 2.5, (0.0, 0.0), -2.8)
    assert find_covers(overview(mark), CORNERS_MM) == ((), (), (), ())


def test_a_pale_block_on_a_dark_field():
    seen = overview((60, 80, 20, 12, (0.0, 0.0), -0.1))
    light = np.where(seen.light == 0.0, np.float32(-2.8), seen.light)
    dark = replace(seen, light=light, is_dark=True)
    cover = only_cover(find_covers(dark, CORNERS_MM), 0)
    assert cover.lies == "against"
    assert (cover.start_mm, cover.end_mm) == pytest.approx((30, 50), abs=3)
    bare = replace(
        overview(), light=np.where(overview().light == 0.0, np.float32(-2.8), overview().light), is_dark=True
    )
    assert find_covers(bare, CORNERS_MM) == ((), (), (), ())


def test_the_bench_between_two_sheets_lies_against_nothing():
    seen = overview((70, 0, 12, 30, (0.5, -0.8), -1.5), (70, 80, 12, 30, (0.5, -0.8), -1.5))
    sheets = np.ones(SIZE, bool)
    sheets[:, int(69 * PIXELS_PER_MM) : int(83 * PIXELS_PER_MM)] = False
    assert [len(each) for each in find_covers(seen, CORNERS_MM)] == [1, 0, 1, 0]
    assert find_covers(replace(seen, on_sheet=sheets, in_field=sheets), CORNERS_MM) == ((), (), (), ())


def test_what_is_seen_all_along_a_side_is_that_sides_own_look():
    assert find_covers(overview((30, 80, 100, 4, PENCIL, -1.0)), CORNERS_MM) == ((), (), (), ())


def test_what_lies_across_the_piece_is_hidden_and_what_ends_with_it_is_not():
    across = hidden_parts_mm(overview((70, 20, 8, 70, PENCIL, -0.5)), CORNERS_MM)
    assert len(across) == 1
    for x, y in ((71, 32), (77, 78)):
        assert cv2.pointPolygonTest(across[0].astype(np.float32), (float(x), float(y)), measureDist=False) > 0
    assert hidden_parts_mm(overview((70, 30, 8, 40, PENCIL, -0.5)), CORNERS_MM) == ()
