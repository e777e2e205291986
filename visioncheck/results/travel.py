"""What slots tell of the blade against the travel, for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.results.numbers import quantity_json

if TYPE_CHECKING:
    from visioncheck.fence.travel import Travel


def travel_json(travel: Travel) -> dict[str, Any]:
    """Write ``heel_deg``, and where they are known ``board_taper_deg``, ``play_mm``, ``run_out_mm``, ``path_mm``."""
    known = {
        "heel_deg": travel.heel,
        "board_taper_deg": travel.board,
        "play_mm": travel.play,
        "run_out_mm": travel.run_out,
        "path_mm": travel.path,
    }
    found: dict[str, Any] = {key: quantity_json(value) for key, value in known.items() if value is not None}
    return {"travel": found | ({"rougher_wall": travel.rougher} if travel.rougher else {})}
