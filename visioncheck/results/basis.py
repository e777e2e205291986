"""What a fence error rests on, for the advice on what to measure next: of a reading, and of a log entry's JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.fence.next_step import Basis
from visioncheck.results.budget import budgets_from_reading
from visioncheck.results.from_json import reading_from_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.reading.model import Reading


def basis_from_reading(reading: Reading) -> Basis:
    """Say what a reading's fence error rests on; a taper's shares are those of the fence error that comes of it."""
    return Basis(
        kind=reading.piece,
        is_photo=True,
        is_surveyed=reading.is_surveyed,
        is_turned=reading.turned is not None,
        shares=dict(budgets_from_reading(reading)[0].shares) if reading.budget else {},
    )


def basis_of_json(found: Mapping[str, Any]) -> Basis:
    """Say what the fence error of a log entry rests on: a photo's reading, or one that was typed."""
    reading = reading_from_json(found)
    return Basis(kind=str(found.get("piece", ""))) if reading is None else basis_from_reading(reading)
