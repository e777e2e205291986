"""Which readings are of one piece, and which parts of their uncertainty are alike: results made ready to be pooled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.fence.pooled import Seen
from visioncheck.results.from_json import budget_from_json, flags_from_json

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from visioncheck.quantity import Quantity

# alike in all photos with one phone and sheet, and in all photos of one piece; what is neither is a photo's own
_OF_THE_SHEET = frozenset({"print survey", "lens", "paper flatness", "edge bias", "scale"})
_OF_THE_PIECE = frozenset({
    "edge", "hollows", "soft edge", "arris", "roughness", "tone", "thickness", "order of cuts", "outer side",
    "tight joints",
})  # fmt: skip
# half of the variance of an angle read off a protractor is the protractor's own; assumption
_SHARE_OF_PROTRACTOR = 0.5
FRESH, SAME = "fresh", "same"
"""What may be told of a cut: another one, or the piece of the reading before."""


@dataclass(frozen=True, slots=True)
class Record:
    """A result with a fence error.

    Attributes
    ----------
    name : str
        What it is called: an entry's id, a photo's name.
    error : Quantity
        Fence error, deg, signed.
    found : mapping
        The result's JSON object.
    rig : str
        Hash of the rig; empty: none.
    time : datetime or None
        When it was read.
    """

    name: str
    error: Quantity
    found: Mapping[str, Any]
    rig: str = ""
    time: datetime | None = None


def seen_from_records(records: Sequence[Record]) -> list[Seen]:
    """Name each reading's piece and what it has alike with others.

    Whether a photo shows a fresh cut or a piece that was seen before is as the user told (``told.cut``). Where
    nothing was told, photos whose pieces have sides of the same lengths are taken for photos of one piece, and typed
    readings of one kind within `checks.SAME_PIECE_MINUTES` likewise: too many cuts would make the ± too small, too few
    only too large.

    Parameters
    ----------
    records : sequence of Record
        In order of time.
    """
    found: list[Seen] = []
    for k, record in enumerate(records):
        same = _same_as(record, records[:k])
        piece = f"piece {k + 1}" if same is None else found[same].piece
        found.append(Seen(record.error, piece, _alike(record, piece), record.name))
    return found


def _same_as(record: Record, before: Sequence[Record]) -> int | None:
    """Find the newest record before that is of the same piece."""
    told = record.found.get("told")
    cut = told.get("cut") if isinstance(told, dict) else None
    if cut == FRESH or not before:
        return None
    if cut == SAME:
        return len(before) - 1
    alike = [k for k, other in enumerate(before) if _looks_the_same(record, other)]
    return alike[-1] if alike else None


def _looks_the_same(one: Record, other: Record) -> bool:
    if one.found.get("piece") != other.found.get("piece"):
        return False
    sides, others = (_sides_mm(each.found) for each in (one, other))
    if sides and len(sides) == len(others):
        return all(
            abs(a - b) <= checks.SAME_PIECE_MM + checks.SAME_PIECE_SHARE * max(a, b)
            for a, b in zip(sides, others, strict=True)
        )
    if sides or others or one.time is None or other.time is None:
        return False
    return abs((one.time - other.time).total_seconds()) < 60 * checks.SAME_PIECE_MINUTES


def _sides_mm(found: Mapping[str, Any]) -> list[float]:
    """Lengths of a piece's sides, shortest first: the same however it lay; none of a typed reading."""
    try:
        at = [(float(each["x_mm"]), float(each["y_mm"])) for each in found["corners"]]
    except (KeyError, TypeError, ValueError):
        return []
    return sorted(math.dist(a, b) for a, b in zip(at, [*at[1:], *at[:1]], strict=True))


def _alike(record: Record, piece: str) -> dict[str, float]:
    """The parts of a fence error's standard uncertainty that others may share; a strip's budget is its taper's."""
    parts = budget_from_json(record.found)
    whole = math.sqrt(math.fsum(u**2 for u in parts.values()))
    if not whole > 0:
        is_protractor = record.found.get("kind") == "typed" and record.found.get("piece") == "corner"
        return {"protractor": record.error.u * math.sqrt(_SHARE_OF_PROTRACTOR)} if is_protractor else {}
    scale = record.error.u / whole
    surveyed = "no-rig" not in flags_from_json(record.found)
    through = (record.rig or "a survey") if surveyed else "no survey"
    alike = {f"{source} of {through}": u * scale for source, u in parts.items() if source in _OF_THE_SHEET}
    return alike | {f"{source} of {piece}": u * scale for source, u in parts.items() if source in _OF_THE_PIECE}
