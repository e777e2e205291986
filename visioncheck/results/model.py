"""What came of a photo or of typed readings, as data: one frozen class for each kind.

Words (`present`) are made from it. Its JSON is made by `as_json` and read back by `from_json`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from visioncheck.codes import Doubt, Note, Question
from visioncheck.errors import InputError, Refusal, UserError
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading


@dataclass(frozen=True)
class FromPhoto:
    """What every reading of a photo has.

    Attributes
    ----------
    photo : str
        The photo's name.
    fence_error : Quantity or None
        e, deg, signed; None where its sign cannot be known.
    fence_error_size : Quantity or None
        |e|, deg, where only that can be known.
    question : Question or None
        What the user must say for the error to be known.
    doubts : tuple of Doubt
        What it may suffer from.
    """

    photo: str
    fence_error: Quantity | None = None
    fence_error_size: Quantity | None = None
    question: Question | None = None
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class CornerResult:
    """An offcut with one fresh cut; of work with more sides the corner between fence edge and cut."""

    seen: FromPhoto
    kind: Literal["corner"] = "corner"


@dataclass(frozen=True)
class PanelResult:
    """A panel cut all round."""

    seen: FromPhoto
    kind: Literal["panel"] = "panel"


@dataclass(frozen=True)
class StripResult:
    """The strip of successive cuts: the angle between its long edges, deg, and its widths, mm, end to end."""

    seen: FromPhoto
    taper: Quantity | None = None
    widths: tuple[Quantity, ...] = ()
    kind: Literal["strip"] = "strip"


@dataclass(frozen=True)
class SlotResult:
    """A board with a saw slot: the slot's widths, mm, end to end; of several slots the blade's heel, deg."""

    seen: FromPhoto
    widths: tuple[Quantity, ...] = ()
    heel: Quantity | None = None
    kind: Literal["slot"] = "slot"


@dataclass(frozen=True)
class GapResult:
    """Two halves of one cut, butted: the wedge between them, deg, and the gap's widths, mm, end to end."""

    seen: FromPhoto
    wedge: Quantity | None = None
    widths: tuple[Quantity, ...] = ()
    kind: Literal["gap"] = "gap"


@dataclass(frozen=True)
class BevelResult:
    """An offcut on its edge or two halves of a tall cut: the blade's tilt from upright, deg, signed."""

    seen: FromPhoto
    tilt: Quantity | None = None
    kind: Literal["bevel"] = "bevel"


@dataclass(frozen=True)
class StraightResult:
    """A board's edge that was planed to fit the fence: the fence's bow, mm, positive where it is hollow."""

    seen: FromPhoto
    bow: Quantity | None = None
    kind: Literal["straight"] = "straight"


@dataclass(frozen=True)
class UnknownResult:
    """A piece whose kind is asked: those that it may be, the likeliest first."""

    seen: FromPhoto
    open_kinds: tuple[str, ...] = ()
    kind: Literal["unknown"] = "unknown"


@dataclass(frozen=True)
class TypedReadings:
    """Readings that were typed, of the fence or of another thing; where a sign is asked it is the size alone.

    Attributes
    ----------
    tilt, heel : Quantity or None
        Of the blade, from upright and against the sled's travel, deg.
    bow : Quantity or None
        Of the fence, mm, positive where it is hollow.
    """

    fence_error: Quantity | None
    tilt: Quantity | None = None
    bow: Quantity | None = None
    heel: Quantity | None = None
    question: Question | None = None
    notes: tuple[Note, ...] = ()
    kind: Literal["typed"] = "typed"


@dataclass(frozen=True)
class RefusedResult:
    """A photo that cannot be measured, by a refusal's code or, where a file or what was told is at fault, a sentence.

    The sentence's parameters stand in angle brackets (`errors.with_names`); `parameter` is the one at fault.
    """

    photo: str
    refusal: Refusal | None = None
    sentence: str = ""
    parameter: str | None = None
    kind: Literal["refused"] = "refused"


@dataclass(frozen=True)
class WithdrawnResult:
    """A reading that its user took back, for a reason in the user's words."""

    reason: str
    photo: str | None = None
    kind: Literal["withdrawn"] = "withdrawn"


PieceResult = (
    CornerResult | PanelResult | StripResult | SlotResult | GapResult | BevelResult | StraightResult | UnknownResult
)
Result = PieceResult | TypedReadings | RefusedResult | WithdrawnResult


def result_from_reading(reading: Reading) -> PieceResult:
    """Take what a fresh reading says."""
    seen = FromPhoto(
        reading.photo, reading.fence_error, reading.fence_error_size, reading.question, tuple(reading.doubts)
    )
    widths = tuple(each.width for each in reading.widths)
    return piece_result(
        reading.piece,
        seen,
        taper=reading.taper,
        widths=widths,
        open_kinds=reading.open_kinds,
        tilt=reading.tilt,
        bow=reading.straight.bow if reading.straight else None,
    )


def piece_result(
    kind: str,
    seen: FromPhoto,
    *,
    taper: Quantity | None,
    widths: tuple[Quantity, ...],
    open_kinds: tuple[str, ...],
    tilt: Quantity | None,
    bow: Quantity | None,
    heel: Quantity | None = None,
) -> PieceResult:
    """Build the result of a kind of piece; a kind that this version does not know is unknown to it."""
    made: dict[str, PieceResult] = {
        "corner": CornerResult(seen),
        "panel": PanelResult(seen),
        "strip": StripResult(seen, taper, widths),
        "slot": SlotResult(seen, widths, heel),
        "gap": GapResult(seen, taper, widths),
        "bevel": BevelResult(seen, tilt),
        "straight": StraightResult(seen, bow),
    }
    return made.get(kind, UnknownResult(seen, open_kinds))


def result_from_problem(photo: str, problem: UserError) -> RefusedResult:
    """Take why a photo cannot be measured."""
    if isinstance(problem, Refusal):
        return RefusedResult(photo, problem)
    parameter = problem.parameter if isinstance(problem, InputError) else None
    return RefusedResult(photo, sentence=problem.named, parameter=parameter)


def middle_width(result: Result) -> Quantity | None:
    """Width of a slot or gap at its middle station, mm; None of any other result."""
    if not isinstance(result, SlotResult | GapResult) or not result.widths:
        return None
    return result.widths[len(result.widths) // 2]


def blade_tilt(result: Result) -> Quantity | None:
    """The blade's tilt from upright, deg; None of results that are not about it."""
    return result.tilt if isinstance(result, BevelResult | TypedReadings) else None


def blade_heel(result: Result) -> Quantity | None:
    """The blade's heel against the sled's travel, deg; None of results that are not about it."""
    return result.heel if isinstance(result, SlotResult | TypedReadings) else None


def fence_bow(result: Result) -> Quantity | None:
    """The fence's bow, mm; None of results that are not about it."""
    return result.bow if isinstance(result, StraightResult | TypedReadings) else None


def asked(result: Result) -> Question | None:
    """What the user must say for the fence error to be known."""
    if isinstance(result, RefusedResult | WithdrawnResult):
        return None
    return result.question if isinstance(result, TypedReadings) else result.seen.question


def seen_doubts(result: Result) -> tuple[Doubt, ...]:
    """What a photo's reading may suffer from; nothing of any other result."""
    return () if isinstance(result, TypedReadings | RefusedResult | WithdrawnResult) else result.seen.doubts


def notes_on(result: Result) -> tuple[Note, ...]:
    """What else there is to say of typed readings; nothing of any other result."""
    return result.notes if isinstance(result, TypedReadings) else ()


def signed_error(result: Result) -> Quantity | None:
    """The fence error, deg, where its sign is known."""
    if isinstance(result, RefusedResult | WithdrawnResult):
        return None
    if isinstance(result, TypedReadings):
        return None if result.question else result.fence_error
    return result.seen.fence_error


def error_size(result: Result) -> Quantity | None:
    """The size of a fence error, deg, whose sign is not known."""
    if isinstance(result, RefusedResult | WithdrawnResult):
        return None
    if isinstance(result, TypedReadings):
        return result.fence_error if result.question else None
    return result.seen.fence_error_size
