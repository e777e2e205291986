"""Several readings as one, for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.results.advice import correction_json
from visioncheck.results.numbers import error_json, quantity_json

if TYPE_CHECKING:
    from visioncheck.correction.correct import Correction
    from visioncheck.fence.pooled import Pooled


def pooled_json(pooled: Pooled, correction: Correction | None = None) -> dict[str, Any]:
    """Write several readings as one: the fence error, how many pieces and readings, their scatter, and odd ones."""
    found: dict[str, Any] = {"schema": 2, "kind": "pooled", "status": "measured"}
    found |= error_json(pooled.error)
    found |= {
        "pieces": pooled.pieces,
        "readings": pooled.readings,
        "scatter_deg": pooled.scatter_deg,
        "scatter_at_most_deg": pooled.scatter_at_most_deg,
        "common_u_deg": pooled.common_u_deg,
        "odd": [
            {"names": list(each.names), "off_by_deg": quantity_json(each.off_by), "chance": each.chance}
            for each in pooled.odd
        ],
        "at_odds": [list(group) for group in pooled.at_odds],
    }
    return found | ({"correction": correction_json(correction)} if correction else {})
