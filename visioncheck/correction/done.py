"""What was done at the adjuster, as far as the user's words say it in turns, leaves or distance."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from visioncheck.correction.means import Turns
from visioncheck.errors import UserError
from visioncheck.sled.model import Screw
from visioncheck.units import parse_length

if TYPE_CHECKING:
    from visioncheck.correction.correct import Correction
    from visioncheck.sled.model import Sled, Way

_NUMBER = r"(?P<whole>\d{1,3})(?:[ -]+(?P<top>\d{1,3})/(?P<bottom>\d{1,3}))?|(?P<t>\d{1,3})/(?P<b>\d{1,3})"
_DECIMAL = r"(?P<decimal>\d{0,3}[.,]\d{1,4})"
_ROUND = r"(?P<round>clockwise|anti-?clockwise|counter-?clockwise|cw|ccw)"
_TURN = re.compile(
    rf"(?:{_DECIMAL}|{_NUMBER})\s*turns?(?: of the (?:adjusting )?screw)?,? {_ROUND}(?: of the (?:adjusting )?screw)?",
    re.IGNORECASE,
)
_END = r"(?:(?:the |its )?(?P<end>left|right) end )?"
_WAYS = "forwards?|backwards?|back"
_MOVED = re.compile(
    rf"(?:moved )?{_END}(?:(?:by )?(?P<length>[^a-z;]*\d[^;]*?) (?P<way>{_WAYS})"
    rf"|(?P<way2>{_WAYS}) (?:by )?(?P<length2>[^;]*\d[^;]*))",
    re.IGNORECASE,
)
_STEP = re.compile(r"\s*(?:,? then |, and |,(?=\s)| and )\s*", re.IGNORECASE)
_AS_TOLD = {"as told", "as ordered", "as said", "done as told"}
_MOST_STEPS = 12


@dataclass(frozen=True, slots=True)
class Done:
    """What was done.

    Attributes
    ----------
    turns : tuple of float
        Of the screw, one after the other; clockwise positive.
    forward_mm : float or None
        How far the fence was moved at the adjuster, forward positive, as leaves or a rule told; None for turns.
    """

    turns: tuple[float, ...] = ()
    forward_mm: float | None = None

    def steps_mm(self, sled: Sled) -> tuple[float, ...]:
        """The moves at the adjuster that this makes by the sled's file, mm, forward positive."""
        if self.forward_mm is not None:
            return (self.forward_mm,)
        if not isinstance(sled.adjuster, Screw):
            return ()
        travel = sled.adjuster.pitch_mm if sled.adjuster.clockwise == "forward" else -sled.adjuster.pitch_mm
        return tuple(turn * travel for turn in self.turns)


def read_done(text: str, sled: Sled, ordered: Correction | None = None) -> Done | None:
    """Read what the user says was done; what follows a semicolon is for people.

    ``1 turn anticlockwise``, ``1 1/2 turns clockwise, then 1/2 turn anticlockwise``, ``0.35mm back``,
    ``right end forward by 0.012in``, ``0.3mm + 0.05mm back``, ``as told``.

    Parameters
    ----------
    text : str
        The user's words.
    sled : Sled
        Gives the unit of a bare number.
    ordered : Correction or None
        What was to be done, for ``as told``.

    Returns
    -------
    Done or None
        None where the words say something else: nothing is guessed.
    """
    said = " ".join(text.partition(";")[0].split()).rstrip(".")
    if said.lower() in _AS_TOLD:
        return None if ordered is None or not ordered.moves else done_as_ordered(ordered)
    parts = _STEP.split(said)
    turns = [_turn(part) for part in parts]
    if all(turn is not None for turn in turns) and len(turns) <= _MOST_STEPS:
        return Done(tuple(float(turn) for turn in turns if turn is not None)) if _has_screw(sled) else None
    return _moved(said, sled)


def done_as_ordered(ordered: Correction) -> Done:
    """What is done where an order is followed to the letter."""
    means = ordered.means
    if isinstance(means, Turns):
        return Done(tuple(float(step.turns) * (1 if step.way_round == "clockwise" else -1) for step in means.all_steps))
    return Done(forward_mm=means.made_mm if ordered.way == "forward" else -means.made_mm)


def _has_screw(sled: Sled) -> bool:
    return isinstance(sled.adjuster, Screw)


def _turn(text: str) -> Fraction | None:
    found = _TURN.fullmatch(text)
    if found is None:
        return None
    try:
        size = _number(found)
    except ZeroDivisionError:
        return None
    is_clockwise = found["round"].lower() in {"clockwise", "cw"}
    return size if is_clockwise else -size


def _number(found: re.Match[str]) -> Fraction:
    if found["decimal"]:
        return Fraction(found["decimal"].replace(",", "."))
    if found["t"]:
        return Fraction(int(found["t"]), int(found["b"]))
    part = Fraction(int(found["top"]), int(found["bottom"])) if found["top"] else Fraction(0)
    return int(found["whole"]) + part


def _moved(text: str, sled: Sled) -> Done | None:
    found = _MOVED.fullmatch(text)
    if found is None or (found["end"] and found["end"].lower() != sled.moving_end):
        return None
    way: Way = "forward" if (found["way"] or found["way2"]).lower().startswith("forward") else "back"
    try:
        leaves = [parse_length(each, sled.units) for each in (found["length"] or found["length2"]).split("+")]
    except UserError:
        return None
    if min(leaves) <= 0:
        return None
    return Done(forward_mm=sum(leaves) if way == "forward" else -sum(leaves))
