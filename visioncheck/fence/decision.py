"""Inside the tolerance, outside, or cannot tell: the decision and what would settle it.

JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*; ISO 14253-1:2017, decision rules
(the uncertainty counts against whoever gives the proof).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from visioncheck.quantity import Quantity

_LEVEL = 0.95
_MOST_REPEATS = 99


class Verdict(StrEnum):
    """Three ways for a reading to stand to its tolerance."""

    INSIDE = "inside"
    OUTSIDE = "outside"
    CANNOT_TELL = "cannot tell"


def conformance_probability(reading: Quantity, lower: float = -math.inf, upper: float = math.inf) -> float:
    """Probability that the true value lies between two limits (JCGM 106, 7.2–7.4).

    Normal for infinite degrees of freedom, otherwise Student's t.
    """
    return _cumulative(upper, reading) - _cumulative(lower, reading)


def _cumulative(limit: float, reading: Quantity) -> float:
    from scipy import special  # lazy: kept off the path of --help

    if math.isinf(limit) or reading.u == 0:
        return 1.0 if limit >= reading.value else 0.0
    z = (limit - reading.value) / reading.u
    return float(special.ndtr(z) if math.isinf(reading.dof) else special.stdtr(reading.dof, z))


def guard_factor(level: float = _LEVEL, dof: float = math.inf) -> float:
    """How many standard uncertainties the limit is drawn in for a one-sided probability (JCGM 106, 9.5.2)."""
    from scipy import special  # lazy: kept off the path of --help

    return float(special.ndtri(level) if math.isinf(dof) else special.stdtrit(dof, level))


@dataclass(frozen=True, slots=True)
class Decision:
    """How a signed error stands to a tolerance on its size.

    Parameters
    ----------
    verdict : Verdict
        Inside, outside or cannot tell.
    probability_inside : float
        Conformance probability.
    guard_band : float
        Width by which each limit is drawn in to prove "inside" and out to prove "outside".
    u_needed : float
        Largest standard uncertainty (of many degrees of freedom) that would settle a reading of this
        value; 0 when the reading lies on the limit itself.
    """

    verdict: Verdict
    probability_inside: float
    guard_band: float
    u_needed: float


def decide(error: Quantity, tolerance: float, level: float = _LEVEL) -> Decision:
    """Decide whether a signed error is within ``± tolerance``.

    Inside when the conformance probability is at least `level`, outside when it is at most
    ``1 − level``. For an uncertainty small against the tolerance this is the guard band of ISO 14253-1
    (``|e| + g ≤ T``, ``|e| − g > T``); for a large one it also counts the far limit.

    Parameters
    ----------
    error : Quantity
        The signed error.
    tolerance : float
        Largest size allowed, positive, in the unit of `error`.
    level : float
        Probability that the proof needs.
    """
    probability = conformance_probability(error, -tolerance, tolerance)
    if probability >= level:
        verdict = Verdict.INSIDE
    elif probability <= 1 - level:
        verdict = Verdict.OUTSIDE
    else:
        verdict = Verdict.CANNOT_TELL
    guard = guard_factor(level, error.dof) * error.u
    return Decision(verdict, probability, guard, _u_needed(error.value, tolerance, level))


def _u_needed(value: float, tolerance: float, level: float) -> float:
    """Find the u at which a normal reading of this value is just settled."""
    room = abs(tolerance - abs(value))
    if room == 0:
        return 0.0
    # from u small (settled) to the one-sided bound (the far limit may still spoil "inside")
    low, high = 0.0, room / guard_factor(level)
    for _ in range(60):
        middle = (low + high) / 2
        inside = conformance_probability(Quantity(value, middle, ""), -tolerance, tolerance)
        low, high = (middle, high) if inside >= level or inside <= 1 - level else (low, middle)
    return low


def repeats_to_settle(
    error: Quantity, tolerance: float, u_repeat: float, u_common: float = 0.0, level: float = _LEVEL
) -> int | None:
    """How many readings in all would settle it, should their mean stay where it is.

    Parameters
    ----------
    error : Quantity
        The reading so far.
    tolerance : float
        As for `decide`.
    u_repeat : float
        The part of one reading's uncertainty that changes from reading to reading.
    u_common : float
        The part that all share (such as the print survey), which averaging does not lower.
    level : float
        As for `decide`.

    Returns
    -------
    int or None
        None when no number up to 99 does: something better than repeats is needed.
    """
    for n in range(1, _MOST_REPEATS + 1):
        dof = error.dof if math.isinf(error.dof) else error.dof * n
        mean = Quantity(error.value, math.hypot(u_repeat / math.sqrt(n), u_common), error.unit, dof)
        if decide(mean, tolerance, level).verdict is not Verdict.CANNOT_TELL:
            return n
    return None
