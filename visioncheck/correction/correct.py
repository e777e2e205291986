"""The one decision on a fence error: leave it, move it so, or measure first."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from visioncheck.correction.means import Passes, means_for
from visioncheck.fence.decision import LEVEL, Decision, combined, decide, improvement_probability
from visioncheck.fence.next_step import Basis, NextStep, next_step
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from visioncheck.correction.learned import Learned
    from visioncheck.correction.means import Turns
    from visioncheck.sled.model import End, Sled, Way

Advice = Literal["leave it", "move it", "measure again", "finer means needed"]


@dataclass(frozen=True, slots=True)
class Correction:
    """What to do about a fence error, and what to expect of it.

    Parameters
    ----------
    advice : {"leave it", "move it", "measure again", "finer means needed"}
        Whether to move it at all. The move below is to be named where the advice is to move, and nowhere else.
    error : Quantity
        The fence error as read, deg, signed.
    end : {"left", "right"}
        The end that moves.
    way : {"forward", "back"}
        Back: towards the operator.
    move : Quantity
        How far, mm, at the adjuster; never negative.
    means : Passes or Turns
        How to make the move with what the sled has; no stack or no turn when the move is below the finest step.
    left_over_mm : float
        Move wanted less the move made by `means`.
    after : Quantity
        Fence error to expect afterwards, deg, signed.
    now, then : Decision
        How the error stands to the tolerance before and after.
    probability_better : float
        P(|e after| < |e|) of the move as `means` makes it.
    next_step : NextStep or None
        What to measure first; None unless the advice is to measure, or where nothing would help.
    """

    advice: Advice
    error: Quantity
    end: End
    way: Way
    move: Quantity
    means: Passes | Turns
    left_over_mm: float
    after: Quantity
    now: Decision
    then: Decision
    probability_better: float
    next_step: NextStep | None = None

    @property
    def moves(self) -> bool:
        """Whether the fence is to be moved."""
        return self.advice == "move it"


def correct(error: Quantity, sled: Sled, basis: Basis | None = None, learned: Learned | None = None) -> Correction:
    """Decide what to do about a fence error, and reckon the move: ``move = D · tan(e)`` at the distance D.

    A fence turned counter-clockwise (e > 0) has its right end too far forward: with the pivot at
    the left the right end comes back, with the pivot at the right the left end goes forward.

    A fence that is inside the tolerance with a probability of 95 % is left alone. Otherwise the move is advised when
    it makes the fence squarer with a probability of 95 % at least (`improvement_probability`) and the ± leaves no doubt
    which way it leans. Where a move to the micrometre would do so and the sled's steps do not, it needs finer means;
    where no move would, a better reading.

    Parameters
    ----------
    error : Quantity
        Fence error, deg, signed.
    sled : Sled
        The sled it belongs to.
    basis : Basis or None
        What it was read from, for the advice on what to measure next; None: not known.
    learned : Learned or None
        What the sled's own adjustments have taught.
    """
    distance = sled.adjuster_distance_mm
    slope = math.tan(math.radians(error.value))
    forward_mm = -distance * slope if sled.pivot == "left" else distance * slope
    way: Way = "forward" if forward_mm > 0 else "back"
    u_mm = distance * math.radians(error.u) * (1 + slope**2)
    move = Quantity(abs(forward_mm), u_mm, "mm", error.dof)
    tolerance_mm = distance * math.tan(math.radians(sled.tolerance_deg))
    means = means_for(move.value, way, sled, enough_mm=max(tolerance_mm / 2, u_mm), learned=learned)
    after_slope = slope - math.copysign(means.made_mm / distance, slope)
    after = combined(math.degrees(math.atan(after_slope)), error, math.degrees(means.u_mm / distance))
    now, then = decide(error, sled.tolerance_deg), decide(after, sled.tolerance_deg)
    if isinstance(means, Passes) and then.probability_inside >= LEVEL:
        means = replace(means, buy_mm=None)  # nothing to be bought for a fence that will do
    better = improvement_probability(move, means.made_mm, means.u_mm)
    advice = _advice(now, move, better)
    step = next_step(error, sled.tolerance_deg, basis or Basis()) if advice == "measure again" else None
    return Correction(
        advice=advice,
        error=error,
        end=sled.moving_end,
        way=way,
        move=move,
        means=means,
        left_over_mm=move.value - means.made_mm,
        after=after,
        now=now,
        then=then,
        probability_better=better,
        next_step=step,
    )


def _advice(now: Decision, move: Quantity, better: float) -> Advice:
    if now.probability_inside >= LEVEL:
        return "leave it"
    # of the move as it is wanted: a smaller one that the sled's leaves allow is no surer of the way
    wanted = improvement_probability(move, move.value)
    if wanted < LEVEL or move.value <= move.expanded():
        return "measure again"
    return "move it" if better >= LEVEL else "finer means needed"
