"""What a fence error rests on, for the advice on what to measure next: of a reading, and of a log entry's JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.codes import OUTER_SIDE
from visioncheck.fence.next_step import Basis
from visioncheck.results.budget import budgets_from_reading
from visioncheck.results.from_json import notes_from_json, reading_from_json

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from visioncheck.codes import Note
    from visioncheck.fence.typed_result import TypedResult
    from visioncheck.reading.model import Reading


def basis_from_reading(reading: Reading) -> Basis:
    """Say what a reading's fence error rests on; a taper's shares are those of the fence error that comes of it."""
    return Basis(
        kind=_kind("frame" if reading.last_joint else reading.piece, early=OUTER_SIDE in reading.budget),
        is_photo=True,
        is_surveyed=reading.is_surveyed,
        is_turned=reading.turned is not None,
        shares=dict(budgets_from_reading(reading)[0].shares) if reading.budget else {},
    )


def basis_of_json(found: Mapping[str, Any]) -> Basis:
    """Say what the fence error of a log entry rests on: a photo's reading, or one that was typed."""
    reading = reading_from_json(found)
    if reading is not None:
        return basis_from_reading(reading)
    return Basis(_kind(str(found.get("piece", "")), early=_is_early(notes_from_json(found))))


def basis_of_typed(result: TypedResult) -> Basis:
    """Say what a typed reading's fence error rests on."""
    return Basis(_kind(result.kind, early=_is_early(result.notes)))


def _is_early(notes: Iterable[Note]) -> bool:
    counted = (note.fields for note in notes if note.code == "counted")
    return any(fields.get("least") != fields.get("most") for fields in counted)


def _kind(piece: str, *, early: bool) -> str:
    """The kind of piece; none for a strip that hangs on the board, so that one once round is offered as better."""
    return "" if early else piece
