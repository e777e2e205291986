"""Repeat cuts' lengths for JSON and the log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.results.numbers import quantity_json

if TYPE_CHECKING:
    from visioncheck.work.lengths import PieceLength, StopsCompared, StopSpread


def lengths_json(stops: tuple[StopSpread, ...], compared: StopsCompared | None) -> dict[str, Any]:
    """Write the pieces of one or two stops, what they spread and how the second stands to the first; mm and deg."""
    found: dict[str, Any] = {
        "schema": 2,
        "kind": "lengths",
        "status": "measured",
        "piece": "lengths",
        "flags": [],
        "stops": [_stop_json(each) for each in stops],
    }
    if compared is not None:
        found["zero_mm"] = quantity_json(compared.zero)
        if compared.line is not None:
            found["line_deg"] = quantity_json(compared.line)
    return found


def _stop_json(stop: StopSpread) -> dict[str, Any]:
    return {
        "set_mm": stop.set_mm,
        "pieces": [_piece_json(each) for each in stop.pieces],
        "mean_mm": quantity_json(stop.mean),
        "sd_mm": stop.sd_mm,
        "stop_sd_mm": stop.stop_sd_mm,
        "stop_sd_low_mm": stop.low_mm,
        "stop_sd_high_mm": stop.high_mm,
        "range_mm": stop.range_mm,
    }


def _piece_json(piece: PieceLength) -> dict[str, Any]:
    found: dict[str, Any] = {"name": piece.name, "length_mm": piece.length_mm, "u_own_mm": piece.u_own_mm}
    return found | ({} if piece.angle is None else {"angle_deg": quantity_json(piece.angle)})
