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
    from visioncheck.correction.learned import Learned
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


WayRound = Literal["clockwise", "anticlockwise"]


@dataclass(frozen=True, slots=True)
class ScrewStep:
    """One turn of the screw out of several."""

    turns: Fraction
    way_round: WayRound


@dataclass(frozen=True, slots=True)
class Turns:
    """A turn of the adjusting screw, in sixteenths, and which way round seen from its head.

    Attributes
    ----------
    turns : Fraction
        In all; the screw ends so far from where it was.
    way_round : {"clockwise", "anticlockwise"}
        In all.
    pitch_mm : float
        Travel of the fence a turn: as the file says, or as it was learnt.
    past : Fraction
        Turn so much farther and come back by it, so that the play is taken up on the side where it was before;
        0: in one go.
    u_travel : float
        Relative standard uncertainty of the travel; 0: taken as known.
    u_play_mm : float
        Standard uncertainty that play leaves, mm.
    """

    turns: Fraction
    way_round: WayRound
    pitch_mm: float
    past: Fraction = Fraction(0)
    u_travel: float = 0.0
    u_play_mm: float = 0.0

    @property
    def made_mm(self) -> float:
        """The move that it makes."""
        return float(self.turns) * self.pitch_mm

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of that move: set to the nearest sixteenth by eye, rectangular over half a step."""
        by_eye = self.pitch_mm / _STEPS_A_TURN / 2 / math.sqrt(3)
        return math.hypot(by_eye, self.u_travel * self.made_mm, self.u_play_mm)

    @property
    def all_steps(self) -> tuple[ScrewStep, ...]:
        """What to do one after the other."""
        if not self.past or not self.turns:
            return (ScrewStep(self.turns, self.way_round),) if self.turns else ()
        return (ScrewStep(self.turns + self.past, self.way_round), ScrewStep(self.past, _OTHER[self.way_round]))


_OTHER: dict[WayRound, WayRound] = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}


def means_for(move_mm: float, way: Way, sled: Sled, enough_mm: float, learned: Learned | None = None) -> Passes | Turns:
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
    learned : Learned or None
        What the sled's own adjustments have taught: a screw is turned by the travel that it has shown, the way round
        that has worked, and, where it has play, always finished in the sense in which it was turned last.
    """
    adjuster = sled.adjuster
    if isinstance(adjuster, Screw):
        return _turns(move_mm, way, adjuster, learned if learned and learned.adjustments else None)
    return _passes(move_mm, adjuster, enough_mm, _SOLD_MM[sled.units])


def _turns(move_mm: float, way: Way, screw: Screw, learned: Learned | None) -> Turns:
    way_round: WayRound = "clockwise" if way == screw.clockwise else "anticlockwise"
    travel = screw.pitch_mm if learned is None else screw.pitch_mm * learned.ratio.value
    turns = Fraction(round(move_mm / travel * _STEPS_A_TURN), _STEPS_A_TURN)
    if learned is None:
        return Turns(turns, way_round, travel)
    if learned.is_reversed:
        way_round = _OTHER[way_round]
    sense = (1 if way_round == "clockwise" else -1) * (1 if screw.clockwise == "forward" else -1)
    past, u_play = Fraction(0), 0.0
    if learned.has_play and sense != learned.last_sense:
        # a quarter turn more than the play, so that it is taken up for certain
        needed = (learned.play.value + 2 * learned.play.u) / screw.pitch_mm
        past = Fraction(math.ceil(4 * needed + 1), 4)
        u_play = 0.0 if learned.last_sense else learned.play.value / math.sqrt(3)
    return Turns(turns, way_round, travel, past, learned.ratio.u / learned.ratio.value, u_play)


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
