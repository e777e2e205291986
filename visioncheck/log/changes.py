"""Where a row of readings of known, unequal uncertainty changes its level: steps, drifts and odd readings.

Bayesian inference about a change point (A. F. M. Smith, *A Bayesian approach to inference about a change-point
in a sequence of random variables*, 1975; P. Fearnhead, *Exact and efficient Bayesian inference for multiple
changepoint problems*, 2006), here for readings whose standard uncertainties are known, with a scatter from cut to
cut beside them, and with rival explanations for what looks like a change: a step before reading k, a drift since
reading k, reading k alone being odd, and none. Each adds one term of unknown size to the level; its marginal
likelihood is a closed form for each scatter on a grid, and the scatter is averaged out. More than one change is
found one after another (L. Yu. Vostrikova, *Detecting "disorder" in multidimensional random processes*, 1981): what
was found stays in the level, and the row is asked again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from visioncheck.log.rivals import Change, Kind, Row, Scatter, level_of, likeliest, odds_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# From this probability on, what is not sure is worth a word
LIKELY = 0.7
# more changes than this in a row between two adjustments, and the row is chaos
_MOST_CHANGES = 12


@dataclass(frozen=True, slots=True)
class Changes:
    """What was found in a row of readings.

    Attributes
    ----------
    found : tuple of Change
        The changes that are as good as sure, the first found first.
    hint : Change or None
        The likeliest further one, not sure.
    level, level_u : array, shape (n,)
        The level below each reading (odd readings' own offset left out) and its standard uncertainty.
    change, change_u : float
        From the first level to the last, and its standard uncertainty.
    scatter : Scatter
        What is known of it after these readings.
    """

    found: tuple[Change, ...]
    hint: Change | None
    level: Floats
    level_u: Floats
    change: float
    change_u: float
    scatter: Scatter


def find_changes(time: Floats, value: Floats, u: Floats, scatter: Scatter, *, sure: float) -> Changes:
    """Find the changes in a row of readings.

    Parameters
    ----------
    time, value, u : array, shape (n,)
        Times in order, any unit; values; their standard uncertainties, all positive.
    scatter : Scatter
        What is known of the scatter from cut to cut before these readings.
    sure : float
        Probability from which on a change is taken as found.
    """
    row = Row.of(time, value, u, scatter)
    found: list[Change] = []
    while len(found) < _MOST_CHANGES and (change := _next(row, sure)) is not None:
        found.append(change)
        row = row.holding(change)
    if len(found) > 1:
        found = [_again(row, change) for change in found]
        row = row.holding_only(found)
    hint = likeliest(row)
    # what is likely odd is no scatter, though not sure: whoever sees the fence move adjusts it before the next reading
    clean = row.holding(hint) if hint is not None and hint.probability + hint.moved > LIKELY else row
    level_row = clean if hint is not None and hint.kind == "odd" else row
    return Changes(tuple(found), hint, *level_of(level_row), clean.scatter_after())


def _again(row: Row, change: Change) -> Change:
    """Estimate a change anew, now that the others are known."""
    others = row.holding_only([other for other in row.held if other is not change])
    return likeliest(others, change.kind) or change


def _next(row: Row, sure: float) -> Change | None:
    """Find a change that is sure, by itself or together with a second one that hides it (there and back again).

    Two that hide each other look like scatter; so the first is sought as if there were none, and both are then weighed
    against none with all of it.
    """
    change = likeliest(row)
    if change is None or _is_sure(row, change, sure):
        return change
    stated = replace(row, scatter=Scatter(row.scatter.values[:1], row.scatter.log_weight[:1]))
    firsts: tuple[Kind, ...] = ("step", "odd")
    pairs = (first for kind in firsts if (first := likeliest(stated, kind)) and _begins_pair(row, first, sure))
    return next(pairs, None)


def _begins_pair(row: Row, first: Change, sure: float) -> bool:
    """Say whether a change and a second one after it are sure together."""
    held = row.holding(first)
    second = likeliest(held)
    if first.at == len(row.time) - 1 or second is None or not _is_sure(held, second, sure):
        return False
    odds = odds_of(row, first) * (second.probability + second.moved) / max(second.none, 1e-300)
    # a second look finds something by chance more often
    return 1 / (1 + odds) <= (1 - sure) / 5


def _is_sure(row: Row, change: Change, sure: float) -> bool:
    """An odd last reading, however far off, may as well be the first after a step."""
    if change.kind == "odd":
        return change.at < len(row.time) - 1 and change.probability >= sure
    return change.moved >= sure
