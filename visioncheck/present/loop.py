"""The loop of move and check, in words and side by side: before, foretold, then; and what the adjuster has taught."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.present.correction import both_units, percent
from visioncheck.present.line import LabelledLine
from visioncheck.present.trend import format_date
from visioncheck.present.verdict import WORDS, Gauge, Tone, choose_tone, place_on_gauge
from visioncheck.sled.model import Screw
from visioncheck.units import UnitWorld, format_error

if TYPE_CHECKING:
    from visioncheck.correction.learned import Learned, Outcome
    from visioncheck.log.state import LastMove, SledNow
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

_OUTCOMES: dict[Outcome, str] = {
    "as expected": "it went as it should",
    "not at all": "IT DID NOT GO as it should: no move to be seen; was it loosened, and did it hold when tightened?",
    "the other way": "IT WENT THE OTHER WAY",
    "less": "it went LESS than it should",
    "further": "it went FURTHER than it should",
}


def format_own(error: Quantity, units: UnitWorld) -> str:
    """Say a fence error in the owner's unit alone, with its ±, and which end stands where."""
    value, half = (format_error(each, signed=False) for each in (error.value, error.expanded()))
    size = f"{value.in_per_ft} ± {half.in_per_ft}" if units == "in" else f"{value.mm_per_m} ± {half.mm_per_m}"
    if abs(error.value) <= error.expanded():
        return f"{size}, too little to say which way"
    return f"{size}, right end too far {'forward' if error.value > 0 else 'back'}"


def last_move_lines(move: LastMove, sled: Sled) -> list[LabelledLine]:
    """Say the last adjustment: before, foretold and now, one under the other."""
    lines = [
        LabelledLine("Last move", f"{move.said} (before {format_date(move.time)})"),
        LabelledLine("  before", format_own(move.before, sled.units)),
    ]
    if move.predicted is not None:
        lines.append(LabelledLine("  foretold", format_own(move.predicted, sled.units)))
    lines.append(LabelledLine("  then", format_own(move.now, sled.units)))
    return [*lines, LabelledLine("  so", format_outcome(move, sled))]


def format_outcome(move: LastMove, sled: Sled) -> str:
    """Say whether the fence went as it should, and if not what may be the matter."""
    if move.checked is None:
        return (
            "what was done is noted in words alone; write turns, leaves or a distance (1 1/2 turns clockwise, 0.35mm"
            " back), and what the screw really does is learnt"
        )
    said = _OUTCOMES[move.checked.outcome]
    if move.checked.outcome == "the other way":
        other = "right" if sled.moving_end == "left" else "left"
        screw = (
            "the screw turns it the other way than the sled's file says, " if isinstance(sled.adjuster, Screw) else ""
        )
        said += (
            f": {screw}the {other.upper()} end moved and not the {sled.moving_end.upper()} one, or the sides of fence"
            " and piece are the other way round in the sled's file; look which end moves, and mend the file"
        )
    if move.checked.outcome == "less":
        said += ": play, a fence that crept back when tightened, or a screw that travels less than the file says"
    return said


def format_learned(learned: Learned, sled: Sled) -> list[str]:
    """Say what a sled's own adjustments have taught; nothing where there was none that says what was done."""
    if not learned.adjustments:
        return []
    count = f"from {learned.adjustments} adjustment{'s' if learned.adjustments > 1 else ''}"
    said = []
    if isinstance(sled.adjuster, Screw):
        travel = learned.ratio.scaled(sled.adjuster.pitch_mm, "mm")
        half = both_units(travel.expanded(), sled.units)
        said.append(f"a turn of the screw moves the fence by {both_units(travel.value, sled.units)} ± {half}, {count}")
        if learned.has_play:
            play = both_units(learned.play.value, sled.units)
            half = both_units(learned.play.expanded(), sled.units)
            said.append(f"the screw has play: {play} ± {half} are lost when its sense changes")
        if learned.is_reversed:
            sure = percent(learned.probability_reversed)
            said.append(
                f"the fence turns the other way than the file says ({sure} sure): turns are named as they worked"
            )
    else:
        share = f"{100 * learned.ratio.value:.0f} ± {100 * learned.ratio.expanded():.0f} %"
        said.append(f"the fence goes {share} of what the leaves are thick, {count}")
    return said


@dataclass(frozen=True, slots=True)
class LoopStep:
    """One of before, foretold, then: what it is called, how it stood to the tolerance, and the fence error."""

    label: str
    tone: Tone
    word: str
    chance: str
    gauge: Gauge
    text: str


@dataclass(frozen=True, slots=True)
class ShownLoop:
    """The last adjustment for a page: what was done, three steps side by side, how it came out, what it taught."""

    said: str
    steps: tuple[LoopStep, ...]
    outcome: str
    learned: tuple[str, ...]


def shown_loop(now: SledNow) -> ShownLoop | None:
    """Make the last adjustment ready for a page; None where there was none."""
    move, sled = now.last_move, now.sled
    if move is None or sled is None:
        return None
    errors = {"Before": move.before, "Foretold": move.predicted, "Then": move.now}
    steps = tuple(_step(label, error, sled) for label, error in errors.items() if error is not None)
    learned = () if now.learned is None else tuple(format_learned(now.learned, sled))
    return ShownLoop(f"{move.said} (before {format_date(move.time)})", steps, format_outcome(move, sled), learned)


def _step(label: str, error: Quantity, sled: Sled) -> LoopStep:
    tone = choose_tone(error, sled.tolerance_deg)
    gauge = place_on_gauge(error, sled.tolerance_deg)
    return LoopStep(label, tone, WORDS[tone], "", gauge, format_own(error, sled.units))


def loop_fragment(now: SledNow) -> str:
    """Draw the last adjustment as HTML, to stand in a page; empty where there was none."""
    from visioncheck.present.pages import environment

    loop = shown_loop(now)
    return "" if loop is None else str(environment().get_template("parts.html.j2").module.loop(loop))  # type: ignore[attr-defined]
