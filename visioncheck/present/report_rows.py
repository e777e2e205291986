"""A sled's history in the report: one entry of the log a row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.present.bevel import format_tilt
from visioncheck.present.lengths import format_lengths
from visioncheck.present.questions import missing_reason
from visioncheck.present.reading import degrees, format_size, length
from visioncheck.present.typed import format_inputs
from visioncheck.present.verdict import WORDS, ShownVerdict, choose_tone
from visioncheck.results.model import blade_heel, blade_tilt, error_size, fence_bow, middle_width
from visioncheck.sled.model import Sled
from visioncheck.units import format_error

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry


@dataclass(frozen=True, slots=True)
class Row:
    """One entry in a sled's history."""

    date: str
    error: str
    other: str
    verdict: ShownVerdict | None
    adjusted: str
    source: str
    notes: tuple[str, ...]
    corrected_by: str


def row_from_entry(entry: Entry, sled: Sled | None) -> Row:
    """Say an entry of the log as a row."""
    reading, error = entry.reading, entry.fence_error
    said, other = _format_error(entry, sled)
    verdict = None
    if error is not None and sled is not None and entry.corrected_by is None:
        tone = choose_tone(error, sled.tolerance_deg)
        verdict = ShownVerdict(tone, WORDS[tone].split()[0] if tone != "open" else WORDS[tone])
    source = f"photo {entry.file_name}" if entry.photo_sha256 else "typed readings"
    turned = reading.get("turned")
    if isinstance(turned, dict):
        source += f" and {turned.get('photo')}, the piece turned"
    notes = [entry.note, format_inputs(reading), f"by {entry.person}" if entry.person else ""]
    if error is None:
        notes.append(missing_reason(reading))
    if entry.corrects:
        notes.append(f"Stands in for entry {entry.corrects[:8]}")
    if entry.corrected_by:
        notes.append(f"Corrected by entry {entry.corrected_by[:8]}; no longer counts")
    return Row(
        date=f"{entry.time.astimezone():%Y-%m-%d}",
        error=said,
        other=other,
        verdict=verdict,
        adjusted=entry.adjusted,
        source=f"{source} ({entry.id[:8]})",
        notes=tuple(note for note in notes if note),
        corrected_by=entry.corrected_by or "",
    )


def _format_error(entry: Entry, sled: Sled | None) -> tuple[str, str]:
    """Say the fence error in degrees, and in the owner's unit."""
    error = entry.fence_error
    if error is not None:
        ways = format_error(error.value)
        return f"{ways.deg} ± {error.expanded():.3f}°", ways.in_per_ft if sled and sled.units == "in" else ways.mm_per_m
    size = error_size(entry.result)
    if size is not None:
        return format_size(size), "either way"
    other = _format_other(entry, sled)
    if other is not None:
        return other
    result = entry.result
    if said := format_lengths(entry.reading, sled.units if sled else "mm"):
        return "stop", said
    width = middle_width(result)
    if width is not None:  # measured for the blade's sake, not for the fence's
        return result.kind, length(width, sled.units if sled else "mm")
    return "none", ""


def _format_other(entry: Entry, sled: Sled | None) -> tuple[str, str] | None:
    """Say what was measured for another thing's sake than the fence's angle; None where that is none of these."""
    tilt = blade_tilt(entry.result)
    if tilt is not None:
        return "blade", format_tilt(tilt)
    bow = fence_bow(entry.result)
    if bow is not None:
        return "fence's bow", length(bow, sled.units if sled else "mm")
    heel = blade_heel(entry.result)
    return None if heel is None else ("blade's heel", degrees(heel))
