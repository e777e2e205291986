"""A survey is of the bare sheet: a photo with a piece on it is told from one without."""

from __future__ import annotations

from pathlib import Path

import pytest

from visioncheck.errors import Refusal
from visioncheck.measuring.sheets import look_at_sheet
from visioncheck.photo.load import load_photo

PHOTOS = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"
pytestmark = pytest.mark.photos


@pytest.mark.parametrize("name", ["corner-1.jpg", "strip-1.jpg", "gap-1.jpg"])
def test_a_piece_on_the_sheet_is_refused(name):
    with pytest.raises(Refusal) as refused:
        look_at_sheet(load_photo(PHOTOS / name), name, [])
    assert refused.value.code == "not-bare"


@pytest.mark.parametrize("number", [1, 4])
def test_a_bare_sheet_is_taken(number):
    name = f"survey-{number}.jpg"
    assert look_at_sheet(load_photo(PHOTOS / name), name, []).points.paper == "a4"
