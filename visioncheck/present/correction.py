"""The correction in words: whether to do anything, which end, which way, how far and with what."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from visioncheck.correction.correct import Correction, correct
from visioncheck.correction.means import Passes, Stack, Turns
from visioncheck.errors import with_names
from visioncheck.fence.decision import Decision, Verdict
from visioncheck.present.line import LabelledLine
from visioncheck.present.naming import NAMING, Door
from visioncheck.sled.model import Screw
from visioncheck.units import (
    MM_PER_IN,
    UnitWorld,
    format_error,
    format_run,
    format_small,
)

if TYPE_CHECKING:
    from fractions import Fraction

    from visioncheck.correction.learned import Learned
    from visioncheck.fence.next_step import Basis
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

_WAYS = {"forward": "FORWARD, away from the operator", "back": "BACK, towards the operator"}


def format_fence_error(error: Quantity, fence_length_mm: float | None = None, units: UnitWorld = "mm") -> str:
    """Say a signed fence error: its size in every unit and which end of the fence is where."""
    ways = format_error(error.value, fence_length_mm, units, signed=False)
    plus_minus = f"{ways.deg} ± {error.expanded():.3f}°"
    rest = ", ".join(way for way in (ways.in_per_ft, ways.mm_per_m, ways.over_length) if way)
    return f"{plus_minus} ({rest}); {format_lie(error)}"


def format_lie(error: Quantity) -> str:
    """Say which end of the fence stands where, or that the reading does not show it."""
    if abs(error.value) <= error.expanded():
        return "too little to say which way it leans"
    return f"the right end is too far {'forward' if error.value > 0 else 'back'}"


def describe(
    error: Quantity,
    sled: Sled,
    basis: Basis | None = None,
    door: Door = "command",
    instead: str = "",
    learned: Learned | None = None,
) -> list[LabelledLine]:
    """Say a fence error and what to do about it, line by line.

    Parameters
    ----------
    error : Quantity
        Fence error, deg, signed.
    sled : Sled
        The sled that it belongs to.
    basis : Basis or None
        What it was read from.
    door : {"command", "page", "python"}
        Where the user stands: what is to be done is named as it is done there.
    instead : str
        What to do in place of what the reading itself says, where it does not count any more: no move is named then.
    learned : Learned or None
        What the sled's own adjustments have taught.
    """
    correction = correct(error, sled, basis, learned)
    lines = [
        LabelledLine("Fence", format_fence_error(error, sled.fence_length_mm, sled.units)),
        LabelledLine("Verdict", format_verdict(correction.now, sled)),
        LabelledLine("Do", instead or format_advice(correction, sled, door)),
    ]
    if correction.moves and not instead:
        lines += [
            LabelledLine("Move", format_move(correction, sled)),
            *(LabelledLine("With", text) for text in format_means(correction, sled)),
            LabelledLine("Left over", format_left_over(correction, sled)),
            LabelledLine("After", _format_after(correction)),
            LabelledLine("How", format_how(correction, sled)),
        ]
    return lines


def format_verdict(decision: Decision, sled: Sled) -> str:
    """Say how an error stands to the sled's tolerance, and how likely it is inside."""
    tolerance = format_error(sled.tolerance_deg, signed=False)
    said = {
        Verdict.INSIDE: "inside the tolerance",
        Verdict.OUTSIDE: "outside the tolerance",
        Verdict.CANNOT_TELL: "can't tell whether inside the tolerance",
    }[decision.verdict]
    limit = tolerance.in_per_ft if sled.units == "in" else tolerance.mm_per_m
    within = ", which lies within the ±" if decision.verdict is Verdict.CANNOT_TELL else ""
    chance = percent(decision.probability_inside)
    return f"{said} of {limit} ({tolerance.deg}){within}; chance of being inside: {chance}"


def percent(probability: float) -> str:
    """Write a probability in whole per cent, never as certain; cut, so that no chance seems to reach a level."""
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{math.floor(100 * probability + 1e-9)} %"


def format_advice(correction: Correction, sled: Sled, door: Door = "command") -> str:
    """Say the one thing to do."""
    if correction.advice == "leave it":
        sure = correction.now.verdict is Verdict.INSIDE
        return "leave the fence as it is" if sure else "leave the fence as it is: it is very probably inside"
    if correction.advice == "measure again":
        return _format_measure(correction, door)
    if correction.advice == "finer means needed":
        return _format_finer(correction, sled)
    better = percent(correction.probability_better)
    return f"move the fence (chance that this makes it squarer: {better}), then cut and measure a fresh test piece"


_STEPS: dict[str, dict[Door, str]] = {
    "quarter turn": {
        "command": "turn the piece a quarter on the sheet, shoot again and give both photos with <turned>",
        "page": "take a second photo with the piece turned a quarter on the sheet",
        "python": "turn the piece a quarter on the sheet, shoot again and measure both photos as a pair",
    },
    "survey": {
        "command": "survey this phone and sheet (visioncheck survey), then measure this photo again with <rig>",
        "page": "survey this phone and sheet, then send a photo of this piece again",
        "python": "survey this phone and sheet, then measure this photo again with its rig",
    },
    "repeats": {
        "command": "measure {count} fresh cuts in all and take their mean",
        "page": "measure {count} fresh cuts in all and take their mean",
        "python": "measure {count} fresh cuts in all and take their mean",
    },
    "more cuts": dict.fromkeys(
        ("command", "page", "python"), "measure {count} more fresh cut{s} like these; they count together"
    ),
    "panel": {
        "command": "cut a panel all round and measure that (<piece=panel>)",
        "page": "cut a panel all round and measure that",
        "python": "cut a panel all round and measure that (<piece=panel>)",
    },
    "strip": {
        "command": "cut a panel all round, then a strip with a fifth cut, and measure the strip (<cuts=5>)",
        "page": "cut a panel all round, then a strip with a fifth cut, and measure the strip",
        "python": "cut a panel all round, then a strip with a fifth cut, and measure the strip (<cuts=5>)",
    },
}


def _format_measure(correction: Correction, door: Door) -> str:
    step = correction.next_step
    if step is None:
        return "leave the fence until a better way of measuring is at hand: repeats of this reading will not settle it"
    if step.code == "one more":
        return (
            "leave the fence for now, and cut and measure one more piece: the newest reading does not fit those before,"
            " and the next one tells a fence that moved from an odd piece"
        )
    way = _STEPS[step.code][door].format(count=step.count, s="" if step.count == 1 else "s")
    way = with_names(way, NAMING[door])
    decides = f"settles it with a chance of {percent(step.probability_decides)}"
    return f"measure better before you move the fence: {way} (leaves about ± {step.expanded_deg:.3f}°, {decides})"


def _format_finer(correction: Correction, sled: Sled) -> str:
    move = both_units(correction.move.value, sled.units)
    finer = "a finer screw" if isinstance(sled.adjuster, Screw) else "a leaf of about that"
    return f"leave the fence for now: it needs {move}, which your steps are too coarse for; get {finer}"


def both_units(mm: float, units: UnitWorld) -> str:
    """Say a small distance in the owner's units and, in brackets, in the other ones."""
    other: UnitWorld = "mm" if units == "in" else "in"
    return f"{format_small(mm, units)} ({format_small(mm, other)})"


def with_range(length: Quantity, units: UnitWorld) -> str:
    """Say a small distance with its ± (95 %), in the owner's units and in the other ones."""
    other: UnitWorld = "mm" if units == "in" else "in"
    return f"{_one_range(length, units)} ({_one_range(length, other)})"


def _one_range(length: Quantity, units: UnitWorld) -> str:
    value, unit = format_small(length.value, units).split(" ")
    return f"{value} ± {format_small(length.expanded(), units).split(' ')[0]} {unit}"


def format_move(correction: Correction, sled: Sled) -> str:
    """Say which end moves which way and how far."""
    where = format_run(sled.adjuster_distance_mm, sled.units)
    end = f"{correction.end.upper()} end {_WAYS[correction.way]}"
    far = with_range(correction.move, sled.units)
    return f"{end}, by {far} at the adjuster, {where} from the {sled.pivot} end"


def format_means(correction: Correction, sled: Sled) -> list[str]:
    """Say the turns of the screw, or the stacks of leaves one pass after the other, and the leaf to be bought."""
    means = correction.means
    if isinstance(means, Turns):
        return _format_turns(means)
    said = [_format_stack(stack, sled.units) for stack in means.stacks]
    if len(said) > 1:
        said = [f"pass {k} of {len(said)}: {stack}" for k, stack in enumerate(said, 1)]
    if means.buy_mm is not None:
        where = "in a further pass" if correction.left_over_mm > 0 else "in place of the last stack"
        leaf = format_leaf(means.buy_mm, sled.units)
        said.append(f"what is left needs a leaf or spacer of {leaf}, which you have not got, {where}")
    return said


def format_left_over(correction: Correction, sled: Sled) -> str:
    """Say how far the move that can be made falls short of the one wanted, or goes beyond it."""
    left = correction.left_over_mm
    return f"{both_units(abs(left), sled.units)} {'short' if left > 0 else 'too much'}"


def _format_stack(stack: Stack, units: UnitWorld) -> str:
    leaves = " + ".join(format_leaf(leaf, units) for leaf in stack.leaves_mm)
    count = len(stack.leaves_mm)
    return f"one leaf of {leaves}" if count == 1 else f"{count} leaves, {leaves}"


def format_leaf(mm: float, units: UnitWorld) -> str:
    """Write a leaf as it is marked: ``0.0015 in``, ``0.05 mm``."""
    value, digits = (mm / MM_PER_IN, 3) if units == "in" else (mm, 2)
    text = f"{value:.4f}".rstrip("0")
    short = len(text.partition(".")[2])
    return f"{text}{'0' * max(digits - short, 0)} {units}"


def _format_turns(means: Turns) -> list[str]:
    """Say the steps one after the other; there is more than one where play is to be kept out of the move."""
    said = [f"{format_turn(step.turns)} of the adjusting screw {step.way_round}" for step in means.all_steps]
    if len(said) < 2:
        return said or [f"{format_turn(means.turns)} of the adjusting screw {means.way_round}"]
    return [f"first {said[0]}", f"then back, {said[1]}: the play is then taken up as it was before"]


def format_turn(turns: Fraction) -> str:
    """Write a turn of the screw: ``1 1/4 turns``."""
    whole, part = divmod(turns, 1)
    amount = " ".join(([str(whole)] if whole else []) + ([f"{part.numerator}/{part.denominator}"] if part else []))
    return f"{amount} turn{'s' if turns > 1 else ''}"


def format_how(correction: Correction, sled: Sled) -> str:
    """Say how to make the move so that it comes out as reckoned."""
    if isinstance(correction.means, Turns) and correction.means.past:
        return "finish with the last step named: what the screw has lost in its play shows in this sled's own log"
    if isinstance(sled.adjuster, Screw):
        return "turn past it and come back if the screw has play, so that you always finish in the same direction"
    face = "behind" if correction.way == "back" else "in front of"
    said = (
        f"hold the stack against the fence at the adjuster and clamp a stop block touching it, {face} the fence; "
        f"take the stack out, loosen the fence, bring it {correction.way} against the block, tighten"
    )
    several = isinstance(correction.means, Passes) and len(correction.means.stacks) > 1
    return f"{said}; then the same for each further pass, from where the fence stands by then" if several else said


def _format_after(correction: Correction) -> str:
    ways = format_error(correction.after.value, signed=False)
    expected = f"expect {ways.deg} ± {correction.after.expanded():.3f}° ({ways.in_per_ft}, {ways.mm_per_m})"
    return f"{expected}; chance of being inside then: {percent(correction.then.probability_inside)}"
