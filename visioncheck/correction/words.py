"""The correction in words: which end, which way, how far, with what, and whether to do it at all."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from visioncheck.correction.correct import Correction, Stack, Turns, correct
from visioncheck.correction.sled import Screw
from visioncheck.fence.decision import Decision, Verdict, repeats_to_settle
from visioncheck.units import (
    MM_PER_IN,
    UnitWorld,
    format_error,
    format_run,
    format_small,
    in_per_ft_from_deg,
    mm_per_m_from_deg,
)

if TYPE_CHECKING:
    from visioncheck.correction.sled import Sled
    from visioncheck.quantity import Quantity

_WAYS = {"forward": "FORWARD, away from the operator", "back": "BACK, towards the operator"}


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a report: a short label and what it says."""

    label: str
    text: str


def error_words(error: Quantity, fence_length_mm: float | None = None, units: UnitWorld = "mm") -> str:
    """Say a signed fence error: its size in every unit and which end of the fence is where."""
    ways = format_error(error.value, fence_length_mm, units, signed=False)
    plus_minus = f"{ways.deg} ± {error.expanded():.3f}°"
    rest = ", ".join(way for way in (ways.in_per_ft, ways.mm_per_m, ways.over_length) if way)
    return f"{plus_minus} ({rest}); {lie_words(error)}"


def lie_words(error: Quantity) -> str:
    """Say which end of the fence stands where, or that the reading does not show it."""
    if abs(error.value) <= error.expanded():
        return "too little to say which way it leans"
    return f"the right end is too far {'forward' if error.value > 0 else 'back'}"


def describe(error: Quantity, sled: Sled, settle: str | None = None) -> list[Line]:
    """Say a fence error and what to do about it, line by line.

    Parameters
    ----------
    error : Quantity
        Fence error, deg, signed.
    sled : Sled
        The sled that it belongs to.
    settle : str or None
        What would settle an open verdict; without it, how many readings like this one to average.
    """
    correction = correct(error, sled)
    lines = [
        Line("Fence", error_words(error, sled.fence_length_mm, sled.units)),
        Line("Verdict", verdict_words(correction.now, sled)),
        Line("Do", _advice_words(correction, error, sled, settle)),
    ]
    if correction.advice in {"move it", "measure again"} and _moves(correction):
        label = "Move" if correction.advice == "move it" else "It would be"
        lines += [
            Line(label, move_words(correction, sled)),
            Line("With", means_words(correction, sled)),
            Line("After", _after_words(correction)),
        ]
    if correction.advice == "move it":
        lines += [Line("How", how_words(correction, sled))]
    return lines


def _moves(correction: Correction) -> bool:
    means = correction.means
    return bool(means.turns if isinstance(means, Turns) else means.leaves_mm)


def verdict_words(decision: Decision, sled: Sled) -> str:
    """Say how an error stands to the sled's tolerance, and how likely it is inside."""
    tolerance = format_error(sled.tolerance_deg, signed=False)
    probability = _percent(decision.probability_inside)
    said = {
        Verdict.INSIDE: "inside the tolerance",
        Verdict.OUTSIDE: "outside the tolerance",
        Verdict.CANNOT_TELL: "can't tell yet, the tolerance lies within the ±",
    }[decision.verdict]
    limit = tolerance.in_per_ft if sled.units == "in" else tolerance.mm_per_m
    return f"{said} of {limit} ({tolerance.deg}); chance of being inside: {probability}"


def _percent(probability: float) -> str:
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def _advice_words(correction: Correction, error: Quantity, sled: Sled, settle: str | None) -> str:
    if correction.advice == "leave it":
        return "leave the fence as it is"
    if correction.advice == "measure again":
        return settle or settle_words(error, sled.tolerance_deg, error.u)
    if correction.advice == "finer means needed":
        move = both_units(correction.move.value, sled.units)
        return f"the fence needs {move}, less than your finest step makes good; add a thinner leaf or a finer screw"
    return "move the fence, then cut and measure a fresh test piece"


def settle_words(error: Quantity, tolerance_deg: float, u_repeat: float, u_common: float = 0.0) -> str:
    """Say how many readings like this one, averaged, would settle an open verdict."""
    n = repeats_to_settle(error, tolerance_deg, u_repeat, u_common)
    if n is None:
        return "measure in a better way before moving the fence: repeats of this reading will not settle it"
    return f"measure again before moving the fence: about {max(n, 2)} readings like this one, averaged, settle it"


def both_units(mm: float, units: UnitWorld) -> str:
    """Say a small distance in the owner's units and, in brackets, in the other ones."""
    other: UnitWorld = "mm" if units == "in" else "in"
    return f"{format_small(mm, units)} ({format_small(mm, other)})"


def move_words(correction: Correction, sled: Sled) -> str:
    """Say which end moves which way and how far."""
    where = format_run(sled.adjuster_distance_mm, sled.units)
    end = f"{correction.end.upper()} end {_WAYS[correction.way]}"
    far = both_units(correction.move.value, sled.units)
    return f"{end}, by {far} at the adjuster, {where} from the {sled.pivot} end"


def means_words(correction: Correction, sled: Sled) -> str:
    """Say the stack of leaves or the turns of the screw that make the move, and what is left over."""
    left = abs(correction.left_over_mm)
    over = f"{both_units(left, sled.units)} {'short' if correction.left_over_mm > 0 else 'too much'}"
    if isinstance(correction.means, Turns):
        return f"{_turn_words(correction.means)}, {over}"
    leaves = " + ".join(leaf_words(leaf, sled.units) for leaf in correction.means.leaves_mm)
    count = len(correction.means.leaves_mm)
    return f"{'one leaf' if count == 1 else f'{count} leaves'}: {leaves}, {over}"


def leaf_words(mm: float, units: UnitWorld) -> str:
    """Write a leaf as it is marked: ``0.0015 in``, ``0.05 mm``."""
    value, digits = (mm / MM_PER_IN, 3) if units == "in" else (mm, 2)
    text = f"{value:.4f}".rstrip("0")
    short = len(text.partition(".")[2])
    return f"{text}{'0' * max(digits - short, 0)} {units}"


def _turn_words(means: Turns) -> str:
    whole, part = divmod(means.turns, 1)
    amount = " ".join(([str(whole)] if whole else []) + ([f"{part.numerator}/{part.denominator}"] if part else []))
    return f"{amount} turn{'s' if means.turns > 1 else ''} of the adjusting screw {means.way_round}"


def how_words(correction: Correction, sled: Sled) -> str:
    """Say how to make the move so that it comes out as reckoned."""
    if isinstance(sled.adjuster, Screw):
        return "turn past it and come back if the screw has play, so that you always finish in the same direction"
    face = "behind" if correction.way == "back" else "in front of"
    return (
        f"hold the stack against the fence at the adjuster and clamp a stop block touching it, {face} the fence; "
        f"take the stack out, loosen the fence, bring it {correction.way} against the block, tighten"
    )


def _after_words(correction: Correction) -> str:
    ways = format_error(correction.after.value, signed=False)
    said = {
        Verdict.INSIDE: "inside",
        Verdict.OUTSIDE: "still outside",
        Verdict.CANNOT_TELL: "can't tell until measured",
    }[correction.then.verdict]
    return f"expect {ways.deg} ± {correction.after.expanded():.3f}° ({ways.in_per_ft}, {ways.mm_per_m}): {said}"


def quantity_json(quantity: Quantity) -> dict[str, float | None]:
    """Write a quantity for JSON; infinite degrees of freedom are null."""
    dof = None if math.isinf(quantity.dof) else quantity.dof
    return {"value": quantity.value, "u": quantity.u, "dof": dof, "expanded": quantity.expanded()}


def error_json(error: Quantity) -> dict[str, Any]:
    """Write a fence error, and the other ways to say it, for JSON."""
    return {
        "fence_error_deg": quantity_json(error),
        "in_per_ft": in_per_ft_from_deg(error.value),
        "mm_per_m": mm_per_m_from_deg(error.value),
    }


def correction_json(correction: Correction) -> dict[str, Any]:
    """Write a correction for JSON: lengths in mm, angles in degrees."""
    means = correction.means
    made: dict[str, Any] = (
        {"leaves_mm": list(means.leaves_mm)}
        if isinstance(means, Stack)
        else {"turns": float(means.turns), "way_round": means.way_round}
    )
    return {
        "end": correction.end,
        "way": correction.way,
        "move_mm": quantity_json(correction.move),
        **made,
        "left_over_mm": correction.left_over_mm,
        "after_deg": quantity_json(correction.after),
        "verdict": correction.now.verdict.value,
        "probability_inside": correction.now.probability_inside,
        "verdict_after": correction.then.verdict.value,
        "advice": correction.advice,
    }
