"""Whether a log entry is the one that says what to do: readings before an adjustment, or older ones, order nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from visioncheck.results.model import asked, blade_heel, blade_tilt, fence_bow, middle_width

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from visioncheck.log.entry import Entry


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an entry stands among those of its sled.

    Attributes
    ----------
    state : {"newest", "older", "adjusted", "corrected"}
        The newest reading; one that a newer reading came after; one that an adjustment was noted after; one that
        another entry stands in for.
    adjusted : str
        What was changed on the sled since.
    newer : str or None
        Id of the entry that counts now: the one that stands in for it, or the newest reading; None where
        none is newer.
    """

    state: Literal["newest", "older", "adjusted", "corrected"]
    adjusted: str = ""
    newer: str | None = None

    @property
    def counts(self) -> bool:
        """Whether this entry says what to do."""
        return self.state == "newest"


SUPERSEDED = {
    "adjusted": "the sled was adjusted since this reading: cut and measure a fresh test piece",
    "older": "this is not the newest reading of the sled: go by that one",
    "corrected": "a later reading of the same photo stands in for this one: go by that one",
}
"""What to do about a reading that does not say it itself."""


def find_standing(entry: Entry, entries: Iterable[Entry]) -> Standing:
    """Say where an entry stands.

    Parameters
    ----------
    entry : Entry
        One of `entries`.
    entries : iterable of Entry
        All of its sled, in order of time.
    """
    if entry.corrected_by is not None:
        return Standing("corrected", newer=entry.corrected_by)
    later = _after(entry, [each for each in entries if each.corrected_by is None])
    about = _about(entry)
    read = [each.id for each in later if _about(each) == about and (about or each.fence_error is not None)]
    newer = read[-1] if read else None
    adjusted = adjustments(later)
    if adjusted:
        return Standing("adjusted", adjusted, newer)
    return Standing("newest" if newer is None else "older", newer=newer)


def _about(entry: Entry) -> str:
    """What an entry tells of beside the fence's error; empty: of that, or of nothing yet."""
    result = entry.result
    if entry.fence_error is not None or asked(result) is not None:
        return ""
    told = {"tilt": blade_tilt(result), "heel": blade_heel(result), "bow": fence_bow(result)}
    # no slot and no lengths are older than another's: each is of its own board
    own = middle_width(result) is not None or entry.reading.get("piece") == "lengths"
    return next((name for name, value in told.items() if value is not None), entry.id if own else "")


def newest_reading(entries: Iterable[Entry]) -> Entry | None:
    """Find the newest entry with a fence error that none corrects; `entries` in order of time."""
    found = [each for each in entries if each.corrected_by is None and each.fence_error is not None]
    return found[-1] if found else None


def adjustments(entries: Iterable[Entry]) -> str:
    """Say all that was noted as changed with these entries; empty: nothing."""
    return "; ".join(each.adjusted for each in entries if each.adjusted)


def pending_adjustment(entries: Sequence[Entry]) -> str:
    """Say what was changed since the newest reading of a fence error; empty: nothing."""
    standing = [each for each in entries if each.corrected_by is None]
    newest = newest_reading(standing)
    return adjustments(standing if newest is None else _after(newest, standing))


def _after(entry: Entry, entries: Sequence[Entry]) -> Sequence[Entry]:
    ids = [each.id for each in entries]
    return entries[ids.index(entry.id) + 1 :] if entry.id in ids else ()
