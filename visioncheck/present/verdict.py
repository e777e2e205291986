"""How a fence error stands to its sled's tolerance, made ready for a page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from visioncheck.correction.correct import correct
from visioncheck.fence.decision import Decision, Verdict, decide
from visioncheck.present.correction import describe, format_fence_error, format_verdict, percent
from visioncheck.present.flags import format_doubt, remedy
from visioncheck.present.line import LabelledLine
from visioncheck.present.reading import format_size
from visioncheck.units import format_error

if TYPE_CHECKING:
    from collections.abc import Iterable

    from visioncheck.codes import Doubt
    from visioncheck.correction.learned import Learned
    from visioncheck.fence.next_step import Basis
    from visioncheck.present.naming import Door
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

Tone = Literal["outside", "open", "unknown", "inside"]

_TONES: dict[Verdict, Tone] = {Verdict.INSIDE: "inside", Verdict.OUTSIDE: "outside", Verdict.CANNOT_TELL: "open"}
WORDS: dict[Tone, str] = {
    "inside": "Inside the tolerance",
    "outside": "Outside the tolerance",
    "open": "Can’t tell yet",
    "unknown": "Not known",
}
_AT_THE_LIMIT = "At the limit"
"""In place of can't tell yet, where what to do is clear whichever side of the limit it is on."""
# the gauge is drawn 240 wide and shows three tolerances either side
_MIDDLE, _A_TOLERANCE, _EDGE = 120.0, 40.0, 118.0


@dataclass(frozen=True, slots=True)
class Gauge:
    """A fence error against its tolerance, in the units of the drawing.

    Attributes
    ----------
    at, low, high : float
        The error and the ends of its 95 % interval, cut at the drawing's border.
    beyond : {"left", "right"} or None
        The border that the error lies beyond.
    alternative : str
        The same in words.
    """

    at: float
    low: float
    high: float
    beyond: Literal["left", "right"] | None
    alternative: str


@dataclass(frozen=True, slots=True)
class ShownVerdict:
    """A verdict for a page.

    Attributes
    ----------
    tone : {"outside", "open", "unknown", "inside"}
        Which shape and colour; "open" is can't tell yet.
    word : str
        The verdict in a few words.
    chance : str
        The chance of being inside, in words; empty where it is not known.
    lines : tuple of LabelledLine
        The error, the correction and what is doubtful.
    gauge : Gauge or None
        None without an error or a tolerance.
    """

    tone: Tone
    word: str
    chance: str = ""
    lines: tuple[LabelledLine, ...] = ()
    gauge: Gauge | None = None


def choose_tone(error: Quantity, tolerance_deg: float) -> Tone:
    """Say which tone an error of this size has."""
    return _TONES[decide(error, tolerance_deg).verdict]


def verdict_view(
    error: Quantity | None,
    sled: Sled | None,
    doubts: Iterable[Doubt] = (),
    size: Quantity | None = None,
    question: str | None = None,
    basis: Basis | None = None,
    door: Door = "command",
    instead: str = "",
    learned: Learned | None = None,
) -> ShownVerdict:
    """Say a reading's verdict, correction and doubts.

    Parameters
    ----------
    error : Quantity or None
        Fence error, deg, signed; None where it is not known.
    sled : Sled or None
        The sled; None where it is not known, and so no tolerance.
    doubts : iterable of Doubt
        What the reading may suffer from.
    size : Quantity or None
        Size of the error, deg, where its sign cannot be known.
    question : str or None
        What the user must say for the sign to be known.
    basis : Basis or None
        What the error was read from.
    door : {"command", "page"}
        Where the user stands.
    instead : str
        What to do in place of what the reading itself says, where it does not count any more.
    learned : Learned or None
        What the sled's own adjustments have taught.
    """
    said = [LabelledLine("Doubt", f"{format_doubt(each)} {remedy(each.code)}") for each in doubts]
    if error is None:
        return _of_size(size, sled, [*([LabelledLine("Tell me", question)] if question else []), *said])
    if sled is None:
        lines = [
            LabelledLine("Fence", format_fence_error(error)),
            LabelledLine("Tolerance", "not known, since no sled file was given"),
        ]
        return ShownVerdict("unknown", "Tolerance not known", "", (*lines, *said))
    lines = describe(error, sled, basis, door, instead, learned)
    correction = correct(error, sled, basis, learned)
    tone = _TONES[correction.now.verdict]
    word = _AT_THE_LIMIT if tone == "open" and correction.advice != "measure again" else WORDS[tone]
    return ShownVerdict(
        tone, word, format_chance(correction.now), (*lines, *said), place_on_gauge(error, sled.tolerance_deg)
    )


def format_chance(decision: Decision) -> str:
    """Say the common currency of every verdict."""
    return f"chance of being inside: {percent(decision.probability_inside)}"


def _of_size(size: Quantity | None, sled: Sled | None, more: list[LabelledLine]) -> ShownVerdict:
    """Say what the size alone tells: whether the fence is out, though not which way."""
    if size is None:
        return ShownVerdict("unknown", WORDS["unknown"], lines=tuple(more))
    lines = [LabelledLine("Size", f"{format_size(size)}, either way")]
    if sled is None:
        return ShownVerdict("unknown", WORDS["unknown"], lines=(*lines, *more))
    decision = decide(size, sled.tolerance_deg)
    lines.append(LabelledLine("Verdict", format_verdict(decision, sled)))
    tone = _TONES[decision.verdict]
    return ShownVerdict(tone, WORDS[tone], format_chance(decision), (*lines, *more))


def place_on_gauge(error: Quantity, tolerance_deg: float) -> Gauge:
    """Place an error on its gauge."""
    half = error.expanded()
    at, low, high = (_place(deg / tolerance_deg) for deg in (error.value, error.value - half, error.value + half))
    ratio = error.value / tolerance_deg
    side: Literal["left", "right"] = "right" if ratio > 0 else "left"
    beyond = side if abs(ratio) * _A_TOLERANCE > _EDGE else None
    tolerance = format_error(tolerance_deg, signed=False).deg
    said = f"Fence error {format_error(error.value).deg} ± {half:.3f}° against a tolerance of ± {tolerance}"
    return Gauge(at, low, high, beyond, said)


def _place(ratio: float) -> float:
    return round(_MIDDLE + min(max(ratio * _A_TOLERANCE, -_EDGE), _EDGE), 1)
