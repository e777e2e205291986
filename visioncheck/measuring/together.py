"""What several photos gave, made ready to be pooled."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.log.entry import sha256_text
from visioncheck.results.pieces import Record

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.measuring.measure import Outcome


def records_from_outcomes(outcomes: Sequence[Outcome]) -> list[Record]:
    """Take the outcomes that have a fence error."""
    found = []
    for each in outcomes:
        error = each.measured.reading.fence_error if each.measured else None
        if error is not None:
            rig = each.request.rig_file
            found.append(Record(each.request.photo.name, error, each.reading, sha256_text(rig.text) if rig else ""))
    return found
