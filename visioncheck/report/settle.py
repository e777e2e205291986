"""What would settle an open verdict: so many readings like this one, or a better one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from visioncheck.correction.words import settle_words
from visioncheck.fence.decision import decide, repeats_to_settle
from visioncheck.report.budget import better_way, budgets_of

if TYPE_CHECKING:
    from visioncheck.reading.model import Reading

_COMMON = frozenset({"print survey", "lens", "paper flatness", "edge bias", "scale"})
"""What further photos with the same phone and sheet would have alike; averaging does not lower it."""

_ON_THE_LIMIT = 0.2
"""An uncertainty so much smaller than this reading's is not to be had from a photo."""


def how_to_settle(reading: Reading, tolerance_deg: float) -> str | None:
    """Say how many fresh readings, averaged, settle the verdict, or what must be better first.

    Returns
    -------
    str or None
        None where the reading has no budget.
    """
    error, budgets = reading.fence_error, budgets_of(reading)
    if error is None or not reading.budget:
        return None
    shares = dict(budgets[0].shares)
    common = sum(share for source, share in shares.items() if source in _COMMON)
    u_common, u_repeat = error.u * math.sqrt(common), error.u * math.sqrt(max(1 - common, 0.0))
    if repeats_to_settle(error, tolerance_deg, u_repeat, u_common) is not None:
        return settle_words(error, tolerance_deg, u_repeat, u_common)
    if decide(error, tolerance_deg).u_needed < _ON_THE_LIMIT * error.u:
        return "the error is the tolerance itself as nearly as can be read: correct it or leave it, as you like"
    worst = max(_COMMON & shares.keys(), key=lambda source: shares[source], default=None)
    if worst is None:
        return settle_words(error, tolerance_deg, u_repeat, u_common)
    way = better_way(worst, surveyed=reading.is_surveyed, turned=reading.turned is not None)
    return f"measure better before moving the fence, since repeats share what is doubtful: {way}"
