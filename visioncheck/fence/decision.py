"""Inside the tolerance, outside, or cannot tell; and whether a move would improve it.

JCGM 106:2012, *The role of measurement uncertainty in conformity assessment*; ISO 14253-1, decision rules
(the uncertainty counts against whoever gives the proof).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from visioncheck.quantity import Quantity

LEVEL = 0.95
"""What is very probable: the level of every ±, and the chance of improving that a move needs."""


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


def guard_factor(level: float = LEVEL, dof: float = math.inf) -> float:
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
        Width by which each limit is drawn in to prove "inside" and out to prove "outside": the ± that is shown.
    """

    verdict: Verdict
    probability_inside: float
    guard_band: float


def decide(error: Quantity, tolerance: float) -> Decision:
    """Decide whether a signed error is within ``± tolerance``.

    The guard band is the expanded uncertainty U that is shown with the reading (JCGM 106, 8.3.3, with a guard band
    of one U, the rule of ISO 14253-1): inside when the whole of value ± U lies within the limits, outside when the
    whole of it lies beyond one. So no verdict contradicts the ± beside it. "Inside" then has a conformance
    probability of 95 % at least (97.5 % where one limit alone is near), "outside" one of 2.5 % at most.

    A small probability alone proves nothing: under a ± far wider than the tolerance the chance of being inside is
    small wherever the reading lies.

    Parameters
    ----------
    error : Quantity
        The signed error.
    tolerance : float
        Largest size allowed, positive, in the unit of `error`.
    """
    guard, size = error.expanded(LEVEL), abs(error.value)
    if size + guard <= tolerance:
        verdict = Verdict.INSIDE
    elif size - guard > tolerance:
        verdict = Verdict.OUTSIDE
    else:
        verdict = Verdict.CANNOT_TELL
    return Decision(verdict, conformance_probability(error, -tolerance, tolerance), guard)


def improvement_probability(needed: Quantity, made: float, u_made: float = 0.0) -> float:
    """Probability that a move leaves a smaller error than there is: P(|e after| < |e|).

    With the error e as the move it needs (in the direction of the move, so that it may be negative) and the move
    d that is really made, ``e after = e − d``. Squared, ``(e − d)² < e²`` says ``d² < 2 e d``, and for d > 0
    that is ``e − d/2 > 0``: a move helps when the true error is more than half of it. With e spread about
    `needed` with u(e) and d about `made` with u(d), independent,
    ``e − d/2`` is spread about ``needed − made/2`` with ``u² = u(e)² + u(d)²/4``. That d itself might change
    its sign is neglected: no means of moving is so coarse against its own step.

    Degrees of freedom after Welch and Satterthwaite, u(d) taken as known (JCGM 100:2008, G.4).

    Parameters
    ----------
    needed : Quantity
        The move that would make the error nothing; its value is not negative.
    made : float
        The move to be made, in the same unit; 0 for none.
    u_made : float
        Standard uncertainty of making it.

    Returns
    -------
    float
        0 for no move: nothing is better then.
    """
    if made <= 0:
        return 0.0
    half = combined(needed.value - made / 2, needed, u_made / 2)
    return 1 - _cumulative(0.0, half)


def combined(value: float, known: Quantity, u_more: float) -> Quantity:
    """Give `value` the uncertainty of `known` and one more of infinite degrees of freedom (JCGM 100:2008, G.4.1)."""
    u = math.hypot(known.u, u_more)
    dof = known.dof * (u / known.u) ** 4 if known.u > 0 else math.inf
    return Quantity(value, u, known.unit, dof)
