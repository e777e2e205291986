"""A sled on the start and an entry in the list of the log, each in a few words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from visioncheck.log.now import now_from_entries
from visioncheck.present.now import history_line, verdict_of_now
from visioncheck.present.verdict import choose_tone
from visioncheck.sled.file import parse_sled
from visioncheck.units import format_error

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry
    from visioncheck.log.state import SledNow
    from visioncheck.log.store import Log
    from visioncheck.present.verdict import Tone
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld


def sled_of_entry(log: Log, entry: Entry, units: UnitWorld | None) -> Sled | None:
    """Read the sled file that an entry was kept with, in these units (None: its own); None where it has none."""
    text = log.document(entry.sled_sha256)
    if text is None:
        return None
    sled = parse_sled(text, f"the sled file of {entry.sled} in the log")
    return sled if units is None else replace(sled, units=units)


@dataclass(frozen=True, slots=True)
class LogRow:
    """One entry in the list of the log."""

    id: str
    when: str
    sled: str
    said: str
    tone: Tone
    adjusted: str
    corrected: bool


@dataclass(frozen=True, slots=True)
class SledSummary:
    """One sled on the start: its verdict and of when, its story in a line, and what was changed on it last."""

    key: str
    name: str
    tone: Tone
    said: str
    story: str = ""
    moved: str = ""


def summarise_sled(log: Log, key: str, sled: Sled) -> SledSummary:
    """Say how a sled stands by all its readings since it was last changed; a change after them leaves that open."""
    now = now_of(log, sled)
    if now.newest is None or now.state is None:
        return SledSummary(key, sled.name, "unknown", "no reading yet")
    day = f"{now.newest.time.astimezone():%Y-%m-%d}"
    if now.pending:
        return SledSummary(key, sled.name, "unknown", f"adjusted since {day} ({now.pending}): check it")
    shown = verdict_of_now(now, "page")
    story = history_line(now).removeprefix(f"{sled.name}: ")
    changed = now.state.entries[0]
    moved = f"Last changed before {changed.time.astimezone():%Y-%m-%d}: {changed.adjusted}" if changed.adjusted else ""
    return SledSummary(key, sled.name, shown.tone, f"{shown.word}, {day}", f"{story[:1].upper()}{story[1:]}.", moved)


def now_of(log: Log, sled: Sled) -> SledNow:
    """Say how a sled stands, by its file as it is now and in this phone's units."""
    return now_from_entries(sled.name, list(log.entries(sled=sled.name)), sled)


def row_from_entry(log: Log, entry: Entry, units: UnitWorld | None) -> LogRow:
    """Say an entry of the log in one line."""
    sled, error = sled_of_entry(log, entry, units), entry.fence_error
    said = "no fence error"
    tone: Tone = "unknown"
    if error is not None:
        ways = format_error(error.value)
        world = units or (sled.units if sled else "mm")
        other = ways.in_per_ft if world == "in" else ways.mm_per_m
        said = f"{ways.deg} ± {error.expanded():.3f}° ({other})"
        tone = choose_tone(error, sled.tolerance_deg) if sled else "unknown"
    return LogRow(
        id=entry.id,
        when=f"{entry.time.astimezone():%Y-%m-%d %H:%M}",
        sled=entry.sled,
        said=said,
        tone=tone,
        adjusted=entry.adjusted,
        corrected=entry.corrected_by is not None,
    )
