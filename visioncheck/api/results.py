"""What the library's functions give: frozen results that say, draw and write themselves."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.errors import InputError, Refusal, UserError
from visioncheck.given import StrPath, as_path, is_path
from visioncheck.quantity import Quantity
from visioncheck.results.model import (
    BevelResult,
    SlotResult,
    StraightResult,
    error_size,
    middle_width,
    result_from_reading,
    signed_error,
)

if TYPE_CHECKING:
    from visioncheck.codes import Doubt, Question
    from visioncheck.correction.correct import Correction
    from visioncheck.fence.decision import Verdict
    from visioncheck.fence.typed_result import TypedResult
    from visioncheck.log.entry import EntryDraft
    from visioncheck.measuring.measure import Outcome
    from visioncheck.measuring.request import SledFile
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.naming import Door
    from visioncheck.reading.model import Reading
    from visioncheck.results.model import PieceResult
    from visioncheck.sled.model import Sled


@dataclass(frozen=True, eq=False)
class Measurement:
    """What one photo, or a pair of one piece, says of the fence, and what to do about it.

    Attributes
    ----------
    outcome : Outcome
        All that was found, without the photo's pixels.
    """

    outcome: Outcome

    @property
    def reading(self) -> Reading:
        """Everything that was read: corners, edges, widths, with their uncertainty."""
        assert self.outcome.measured is not None  # a refused photo raises
        return self.outcome.measured.reading

    @property
    def result(self) -> PieceResult:
        """What came of it as data, one class for each kind of piece (`visioncheck.results.model`)."""
        return result_from_reading(self.reading)

    @property
    def value(self) -> Quantity | None:
        """The fence error, deg, signed; a slot's width, mm; a bevel's blade tilt, deg; None where it is asked."""
        result = self.result
        if isinstance(result, BevelResult | StraightResult):
            return result.tilt if isinstance(result, BevelResult) else result.bow
        return middle_width(result) if isinstance(result, SlotResult) else signed_error(result)

    @property
    def verdict(self) -> Verdict | None:
        """How the fence error, or its size where the sign is unknown, stands to the sled's tolerance."""
        if self.reading.tilt:
            return _tilt_verdict(self.reading.tilt, self.outcome.request.sled)
        error = signed_error(self.result) or error_size(self.result)
        return _verdict(error, self.outcome.request.sled_file)

    @property
    def correction(self) -> Correction | None:
        """What to do about the fence error; None without it or without a sled."""
        return self.outcome.correction

    @property
    def question(self) -> Question | None:
        """What must be told before the fence error is known."""
        return self.reading.question

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What may be doubtful: each a code, and fields with what was seen."""
        return self.reading.doubts

    def require_kept_sled(self) -> None:
        """Require that it was made with a sled's file, by which the log keeps readings; raises InputError."""
        kept_sled(self.outcome.request.sled_file)

    def lines(self, door: Door = "python") -> list[LabelledLine]:
        """Say it line by line: a label and what it says, parameters named as at this door."""
        from visioncheck.present.reading import reading_lines

        return reading_lines(self.reading, self.outcome.request.sled, door=door)

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold, as the log keeps it."""
        return dict(self.outcome.reading)

    def render(self) -> bytes:
        """Draw the reading on its photo, PNG.

        Raises
        ------
        UserError
            The photo is gone, or was changed since it was measured.
        """
        from visioncheck.photo.load import load_photo
        from visioncheck.present.picture import render_reading

        photo = load_photo(self.outcome.request.photo)
        if photo.sha256 != self.outcome.reading["photo_sha256"]:
            raise UserError("was changed after it was measured; measure it again").of(self.outcome.request.photo)
        return render_reading(photo, self.reading, self.correction, self.outcome.request.sled)

    def draw(self, path: StrPath) -> Path:
        """Draw the reading on its photo and write it as PNG.

        Raises
        ------
        UserError
            The photo is gone or was changed, or the place cannot be written or is the photo itself.
        """
        if is_path(path) and Path(path).resolve() == self.outcome.request.photo.resolve():
            raise InputError("path", f"<path> {os.fspath(path)} is the photo itself; choose another name")
        return write_png(path, self.render)

    def __str__(self) -> str:
        return plain(_title(self.outcome.request.sled_file, self.outcome.request.photo.name), self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        title = _title(self.outcome.request.sled_file, self.outcome.request.photo.name)
        return as_html(title, self.lines(), self.render(), cautions=self.correction is not None)


@dataclass(frozen=True, eq=False)
class TypedMeasurement:
    """What typed readings say of the fence, and what to do about it: used like a `Measurement`.

    Attributes
    ----------
    result : TypedResult
        All that was found.
    sled : SledFile or None
        The sled that it was computed for.
    """

    result: TypedResult
    sled: SledFile | None = None

    @property
    def value(self) -> Quantity | None:
        """The fence error, deg, signed, or what was reckoned in its place; None where it is asked."""
        if self.result.fence_bow:
            return self.result.fence_bow.bow
        if self.result.travel:
            return self.result.travel.heel
        return None if self.result.question else self.result.error

    @property
    def verdict(self) -> Verdict | None:
        """How the fence error, or its size where the sign is unknown, stands to the sled's tolerance."""
        if self.result.kind in {"straight", "travel"}:
            return None
        if self.result.kind == "bevel":
            return _tilt_verdict(self.result.error, owner(self.sled))
        return _verdict(self.result.error, self.sled)

    @property
    def correction(self) -> Correction | None:
        """What to do about the fence error; None without it or without a sled."""
        from visioncheck.correction.correct import correct
        from visioncheck.results.basis import basis_of_typed

        if self.result.kind in {"bevel", "straight", "travel"}:
            return None
        sled = owner(self.sled)
        return (
            None if self.result.question or not sled else correct(self.result.error, sled, basis_of_typed(self.result))
        )

    @property
    def question(self) -> Question | None:
        """What must be told before the fence error is known."""
        return self.result.question

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """None: there is no photo that could be doubtful."""
        return ()

    def lines(self, door: Door = "python") -> list[LabelledLine]:
        """Say it line by line: a label and what it says, parameters named as at this door."""
        from visioncheck.present.typed import typed_lines

        return typed_lines(self.result, owner(self.sled), door)

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold, as the log keeps it."""
        from visioncheck.results.as_json import typed_json

        return typed_json(self.result, owner(self.sled))

    def render(self) -> bytes:
        """Draw the fence error with its ± beside the sled's tolerance, PNG."""
        from visioncheck.present.error_bar import draw_bow, draw_error, draw_heel, draw_tilt

        signed = not self.result.question
        if self.result.travel:
            return draw_heel(self.result.travel.heel)
        if self.result.fence_bow:
            return draw_bow(self.result.fence_bow.bow)
        if self.result.kind == "bevel":
            return draw_tilt(self.result.error, owner(self.sled), signed=signed)
        return draw_error(self.result.error, owner(self.sled), self.correction, signed=signed)

    def draw(self, path: StrPath) -> Path:
        """Draw the fence error beside the tolerance and write it as PNG; raises UserError if that cannot be written."""
        return write_png(path, self.render)

    def __str__(self) -> str:
        return plain(_title(self.sled, "typed readings"), self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        title = _title(self.sled, "typed readings")
        return as_html(title, self.lines(), self.render(), cautions=self.correction is not None)


def draft_entry(found: TypedMeasurement, *, person: str = "", note: str = "", adjusted: str = "") -> EntryDraft:
    """Make an entry for the log of a typed reading.

    Raises
    ------
    InputError
        It was computed without a sled's file, by which the log keeps readings.
    """
    from visioncheck.log.entry import EntryDraft

    sled = kept_sled(found.sled)
    return EntryDraft(
        sled=sled.sled.name,
        reading=found.to_dict(),
        kind="typed",
        sled_text=sled.text,
        person=person,
        note=note,
        adjusted=adjusted,
    )


def kept_sled(sled: SledFile | None) -> SledFile:
    """The sled with its file, by which the log keeps readings; raises InputError without."""
    if sled is None or not sled.text:
        raise InputError("sled", "The log keeps readings by sled, with its file: give <sled> as the sled file's path")
    return sled


def owner(sled: SledFile | None) -> Sled | None:
    """The sled without its file's text."""
    return None if sled is None else sled.sled


def _verdict(error: Quantity | None, sled: SledFile | None) -> Verdict | None:
    from visioncheck.fence.decision import decide

    return None if error is None or sled is None else decide(error, sled.sled.tolerance_deg).verdict


def _tilt_verdict(tilt: Quantity, sled: Sled | None) -> Verdict:
    from visioncheck.fence.decision import decide
    from visioncheck.present.bevel import tilt_tolerance

    return decide(tilt, tilt_tolerance(sled)).verdict


def _title(sled: SledFile | None, what: str) -> str:
    return what if sled is None else f"{sled.sled.name}: {what}"


def plain(title: str, lines: Iterable[LabelledLine]) -> str:
    """A title and labelled lines, as text."""
    return "\n".join([title, *(f"{line.label:<10} {line.text}" for line in lines)])


def write_png(path: StrPath, render: Callable[[], bytes]) -> Path:
    """Write a picture; raises UserError where its name does not end in .png, or the place cannot be written."""
    from visioncheck.files import write_whole

    place = as_path("path", path, "the picture to write")
    if place.suffix.lower() != ".png":
        raise InputError("path", f"<path> {place}: the picture is written as PNG; give it a name that ends in .png")
    write_whole(place, render())
    return place


def explained(problem: UserError) -> UserError:
    """A refusal is a code with fields; who calls from Python reads the sentence below it."""
    from visioncheck.present.naming import error_sentence

    if isinstance(problem, Refusal):
        problem.add_note(error_sentence(problem, "python"))
    return problem
