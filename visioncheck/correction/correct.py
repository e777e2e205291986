"""From the fence error to the move that mends it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from typing import Literal

from visioncheck.correction.sled import End, Screw, Shims, Sled, Way
from visioncheck.fence.decision import Decision, Verdict, decide
from visioncheck.quantity import Quantity

_STEPS_A_TURN = 16
_MOST_LEAVES = 3
# how well a stop is set against a leaf by feel; common practice, no source
_U_SEAT_MM = 0.005

Advice = Literal["leave it", "move it", "measure again", "finer means needed"]


@dataclass(frozen=True, slots=True)
class Stack:
    """Leaves to use together, thickest first, mm."""

    leaves_mm: tuple[float, ...]

    @property
    def thickness_mm(self) -> float:
        """Of the whole stack."""
        return sum(self.leaves_mm)


@dataclass(frozen=True, slots=True)
class Turns:
    """A turn of the adjusting screw, in sixteenths, and which way round seen from its head."""

    turns: Fraction
    way_round: Literal["clockwise", "anticlockwise"]


@dataclass(frozen=True, slots=True)
class Correction:
    """What to do about a fence error.

    Parameters
    ----------
    end : {"left", "right"}
        The end that moves.
    way : {"forward", "back"}
        Back: towards the operator.
    move : Quantity
        How far, mm, at the adjuster; never negative.
    means : Stack or Turns
        How to make the move with what the sled has; an empty stack or no turn when the move is below
        the finest step.
    left_over_mm : float
        Move wanted less the move made by `means`.
    after : Quantity
        Fence error to expect afterwards, deg, signed.
    now, then : Decision
        How the error stands to the tolerance before and after.
    advice : {"leave it", "move it", "measure again", "finer means needed"}
        Whether to do it at all.
    """

    end: End
    way: Way
    move: Quantity
    means: Stack | Turns
    left_over_mm: float
    after: Quantity
    now: Decision
    then: Decision
    advice: Advice


def correct(error: Quantity, sled: Sled) -> Correction:
    """Work out the correction: ``move = D · tan(e)`` at the distance D from the pivot.

    A fence turned counter-clockwise (e > 0) has its right end too far forward: with the pivot at
    the left the right end comes back, with the pivot at the right the left end goes forward.

    Parameters
    ----------
    error : Quantity
        Fence error, deg, signed.
    sled : Sled
        The sled it belongs to.
    """
    distance = sled.adjuster_distance_mm
    slope = math.tan(math.radians(error.value))
    forward_mm = -distance * slope if sled.pivot == "left" else distance * slope
    way: Way = "forward" if forward_mm > 0 else "back"
    u_mm = distance * math.radians(error.u) * (1 + slope**2)
    move = Quantity(abs(forward_mm), u_mm, "mm", error.dof)
    means, made_mm, u_made_mm = _means(move.value, way, sled)
    after_slope = slope - math.copysign(made_mm / distance, slope)
    after = Quantity(
        math.degrees(math.atan(after_slope)), math.hypot(error.u, math.degrees(u_made_mm / distance)), "deg", error.dof
    )
    now = decide(error, sled.tolerance_deg)
    return Correction(
        end=sled.moving_end,
        way=way,
        move=move,
        means=means,
        left_over_mm=move.value - made_mm,
        after=after,
        now=now,
        then=decide(after, sled.tolerance_deg),
        advice=_advice(now, error, after),
    )


def _advice(now: Decision, error: Quantity, after: Quantity) -> Advice:
    if now.verdict is Verdict.INSIDE:
        return "leave it"
    if now.verdict is Verdict.CANNOT_TELL:
        return "measure again"
    return "move it" if abs(after.value) < abs(error.value) else "finer means needed"


def _means(move_mm: float, way: Way, sled: Sled) -> tuple[Stack | Turns, float, float]:
    """How to make a move: the means, the move they make and its standard uncertainty, mm."""
    adjuster = sled.adjuster
    if isinstance(adjuster, Screw):
        turns = Fraction(round(move_mm / adjuster.pitch_mm * _STEPS_A_TURN), _STEPS_A_TURN)
        clockwise = way == adjuster.clockwise
        # set to the nearest sixteenth by eye: rectangular over half a step either way
        u_mm = adjuster.pitch_mm / _STEPS_A_TURN / 2 / math.sqrt(3)
        return Turns(turns, "clockwise" if clockwise else "anticlockwise"), float(turns) * adjuster.pitch_mm, u_mm
    stack = best_stack(move_mm, adjuster)
    return stack, stack.thickness_mm, _U_SEAT_MM


def best_stack(move_mm: float, shims: Shims) -> Stack:
    """At most three of the leaves whose sum comes nearest to a move; of equals, the fewest leaves."""
    best: tuple[float, ...] = ()
    for count in range(1, _MOST_LEAVES + 1):
        for leaves in combinations(sorted(shims.leaves_mm, reverse=True), count):
            # leaves are known to a µm at best: no third leaf for less than a ten-thousandth
            if abs(sum(leaves) - move_mm) < abs(sum(best) - move_mm) - 1e-4:
                best = leaves
    return Stack(best)
