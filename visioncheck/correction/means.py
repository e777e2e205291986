"""How to make a move with what the sled has: turns of a screw, or leaves in as many passes as it takes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from typing import TYPE_CHECKING, Literal

from visioncheck.sled.model import Screw
from visioncheck.units import MM_PER_IN

if TYPE_CHECKING:
    from visioncheck.sled.model import Shims, Sled, Way

_STEPS_A_TURN = 16
_MOST_LEAVES = 3
_MOST_PASSES = 3
# how well a stop is set against a leaf by feel; common practice, no source
_U_SEAT_MM = 0.005
# thicknesses that leaves are sold in, mm; common practice, no source
_SOLD_MM = {"mm": 0.01, "in": 0.0005 * MM_PER_IN}


@dataclass(frozen=True, slots=True)
class Stack:
    """Leaves to use together, thickest first, mm."""

    leaves_mm: tuple[float, ...]

    @property
    def thickness_mm(self) -> float:
        """Of the whole stack."""
        return sum(self.leaves_mm)


@dataclass(frozen=True, slots=True)
class Passes:
    """Stacks to use one after the other, each against the fence as the one before left it.

    Attributes
    ----------
    stacks : tuple of Stack
        None where every leaf is too thick.
    buy_mm : float or None
        Thickness of one leaf more that would make the move come out; None where the leaves that are there do.
    """

    stacks: tuple[Stack, ...]
    buy_mm: float | None = None

    @property
    def made_mm(self) -> float:
        """The move that all of them make."""
        return sum(stack.thickness_mm for stack in self.stacks)

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of that move; each pass seats the stop anew."""
        return _U_SEAT_MM * math.sqrt(len(self.stacks))


@dataclass(frozen=True, slots=True)
class Turns:
    """A turn of the adjusting screw, in sixteenths, and which way round seen from its head."""

    turns: Fraction
    way_round: Literal["clockwise", "anticlockwise"]
    pitch_mm: float

    @property
    def made_mm(self) -> float:
        """The move that it makes."""
        return float(self.turns) * self.pitch_mm

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of that move: set to the nearest sixteenth by eye, rectangular over half a step."""
        return self.pitch_mm / _STEPS_A_TURN / 2 / math.sqrt(3)


def means_for(move_mm: float, way: Way, sled: Sled, enough_mm: float) -> Passes | Turns:
    """Find how to make a move with what the sled has.

    Parameters
    ----------
    move_mm : float
        How far, not negative.
    way : {"forward", "back"}
        Which way.
    sled : Sled
        The sled.
    enough_mm : float
        What may be left over: another pass for less than this would chase what nobody knows.
    """
    adjuster = sled.adjuster
    if isinstance(adjuster, Screw):
        turns = Fraction(round(move_mm / adjuster.pitch_mm * _STEPS_A_TURN), _STEPS_A_TURN)
        return Turns(turns, "clockwise" if way == adjuster.clockwise else "anticlockwise", adjuster.pitch_mm)
    return _passes(move_mm, adjuster, enough_mm, _SOLD_MM[sled.units])


def _passes(move_mm: float, shims: Shims, enough_mm: float, sold_mm: float) -> Passes:
    stacks: list[Stack] = []
    left = move_mm
    while len(stacks) < _MOST_PASSES and left > 0:
        stack = best_stack(left, shims)
        if not stack.leaves_mm:
            break
        stacks.append(stack)
        left -= stack.thickness_mm
        if abs(left) <= enough_mm:
            break
    if abs(left) <= enough_mm:
        return Passes(tuple(stacks))
    # a leaf of its own for what is left; where the last stack went too far, in the place of that
    missing = left if left > 0 else left + stacks[-1].thickness_mm
    return Passes(tuple(stacks), max(round(missing / sold_mm), 1) * sold_mm)


def best_stack(move_mm: float, shims: Shims) -> Stack:
    """At most three of the leaves whose sum comes nearest to a move; of equals, the fewest leaves."""
    best: tuple[float, ...] = ()
    for count in range(1, _MOST_LEAVES + 1):
        for leaves in combinations(sorted(shims.leaves_mm, reverse=True), count):
            # leaves are known to a µm at best: no third leaf for less than a ten-thousandth
            if abs(sum(leaves) - move_mm) < abs(sum(best) - move_mm) - 1e-4:
                best = leaves
    return Stack(best)
