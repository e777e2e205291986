"""Readings as they stand beside the others: all of a sled as one, and who gives the order to move."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.log.store import Log
    from visioncheck.measuring.measure import Outcome
    from visioncheck.present.line import LabelledLine
    from visioncheck.sled.model import Sled

_BELOW = "go by all readings together, below"


def as_it_stands(log: Log | None, outcome: Outcome) -> Outcome:
    """Take the order to move from a reading that the log has a newer one of, or an adjustment after it."""
    if log is None or outcome.measured is None:
        return outcome
    from visioncheck.log.now import sled_now
    from visioncheck.log.standing import SUPERSEDED, find_standing
    from visioncheck.results.advice import correction_json, without_move

    entry = log.standing_entry(outcome.measured.photo.sha256)
    standing = None if entry is None else find_standing(entry, log.entries(sled=entry.sled))
    if entry is None or standing is None:
        return outcome
    reading = dict(outcome.reading)
    if standing.counts:
        now = sled_now(log, entry.sled)
        if now.correction is None or now.pooled is None or now.pooled.readings == 1:
            return outcome
        reading["correction"] = correction_json(now.correction)
        return replace(outcome, reading=reading, correction=now.correction, instead=_BELOW)
    if "correction" in reading:
        reading["correction"] = without_move(reading["correction"])
    return replace(outcome, reading=reading, correction=None, instead=SUPERSEDED[standing.state])


def leave_to_all(outcome: Outcome) -> Outcome:
    """Leave the order to move to all readings together."""
    from visioncheck.results.advice import without_move

    reading = dict(outcome.reading)
    if "correction" in reading:
        reading["correction"] = without_move(reading["correction"])
    return replace(outcome, reading=reading, correction=None, instead=_BELOW)


@dataclass(frozen=True)
class Together:
    """All readings of one sled as one: its lines, and its JSON object."""

    lines: list[LabelledLine]
    json: dict[str, Any]


def take_together(outcomes: Sequence[Outcome], log: Log | None, sled: Sled | None) -> Together | None:
    """Take what was read now, with a log all since the sled was changed, as one; None of a single reading."""
    read = [each for each in outcomes if each.measured is not None and each.measured.reading.fence_error is not None]
    if not read:
        return None
    from visioncheck.results.pooled import pooled_json

    if log is not None and sled is not None:
        from visioncheck.log.now import sled_now
        from visioncheck.present.now import now_lines

        now = sled_now(log, sled.name)
        if now.pooled is None or (now.pooled.readings == 1 and now.last_move is None):
            return None
        return Together(now_lines(now), pooled_json(now.pooled, now.correction))
    if len(read) == 1:
        return None
    from visioncheck.correction.correct import correct
    from visioncheck.fence.pooled import pool
    from visioncheck.measuring.together import records_from_outcomes
    from visioncheck.present.now import pooled_lines
    from visioncheck.results.basis import basis_of_json
    from visioncheck.results.pieces import seen_from_records

    pooled = pool(seen_from_records(records_from_outcomes(read)))
    basis = replace(basis_of_json(read[-1].reading), pooled=pooled)
    correction = correct(pooled.error, sled, basis) if sled else None
    return Together(pooled_lines(pooled, sled, basis), pooled_json(pooled, correction))


def say_together(together: Together | None, sled: Sled | None) -> None:
    """Print what all readings together say, below the single ones."""
    if together is None:
        return
    from visioncheck.present.terminal import print_report

    title = f"{sled.name}: all readings together" if sled else "All readings together"
    print_report(title, together.lines, cautions=sled is not None)
