"""Two cuts of one board, and a fence's bow, for JSON and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.reading.model import StraightReading, TwoCuts
from visioncheck.results.numbers import quantity_json

if TYPE_CHECKING:
    from visioncheck.fence.straightness import FenceBow


def two_cuts_json(cuts: TwoCuts) -> dict[str, Any]:
    """Write both errors as each cut alone would have them, how the second was made, and what the edge has in them."""
    each = {"first_deg": cuts.first, "second_deg": cuts.second, "seat_deg": cuts.seat}
    return {"photo": cuts.photo, "how": cuts.how} | {key: quantity_json(value) for key, value in each.items()}


def straight_json(straight: StraightReading | FenceBow) -> dict[str, Any]:
    """Write a fence's bow, mm, positive where it is hollow, over ``length_mm``, and the sheet's where it is known."""
    found: dict[str, Any] = {"fence_bow_mm": quantity_json(straight.bow), "length_mm": straight.length_mm}
    return found | ({} if straight.sheet is None else {"sheet_bow_mm": quantity_json(straight.sheet)})
