"""The library's functions: photos to a rig, a photo to a correction, typed readings to the same, and the log."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.errors import InputError, Refusal, UserError
from visioncheck.given import StrPath, as_length, as_path, as_rig, as_sled, is_path
from visioncheck.quantity import Quantity
from visioncheck.results.model import (
    BevelResult,
    SlotResult,
    error_size,
    middle_width,
    result_from_reading,
    signed_error,
)

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.codes import Doubt, Question
    from visioncheck.correction.correct import Correction
    from visioncheck.fence.decision import Verdict
    from visioncheck.fence.typed import TypedResult
    from visioncheck.log.entry import EntryDraft
    from visioncheck.measuring.measure import Outcome
    from visioncheck.measuring.options import PieceOptions
    from visioncheck.measuring.request import RigFile, SledFile
    from visioncheck.measuring.sheets import Surveyed
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.naming import Door
    from visioncheck.reading.model import Reading
    from visioncheck.results.model import PieceResult
    from visioncheck.sled.model import Sled

_THICKEST_MM = 200.0


@dataclass(frozen=True, eq=False)
class SurveyResult:
    """A phone and a printed sheet, surveyed together.

    Attributes
    ----------
    surveyed : Surveyed
        All that was found.
    """

    surveyed: Surveyed

    @property
    def rig(self) -> Rig:
        """What measuring needs of it."""
        return self.surveyed.rig

    @property
    def left_out(self) -> tuple[str, ...]:
        """Photos that were not used, each with its reason."""
        from visioncheck.present.survey_lines import format_left_out

        return tuple(format_left_out(self.surveyed, "python"))

    def lines(self, door: Door = "python") -> list[LabelledLine]:
        """Say it line by line: a label and what it says, parameters named as at this door."""
        from visioncheck.present.line import LabelledLine
        from visioncheck.present.survey_lines import format_left_out, survey_lines

        left_out = [LabelledLine("Left out", reason) for reason in format_left_out(self.surveyed, door)]
        return [*survey_lines(self.surveyed.survey, self.rig, door), *left_out]

    def save(self, path: StrPath) -> Path:
        """Write the rig file, whole or not at all; raises UserError where it cannot be written."""
        from visioncheck.camera.rig import save_rig

        place = as_path("path", path, "the rig file to write")
        save_rig(self.rig, place)
        return place

    def render(self) -> bytes:
        """Draw the print's errors as arrows, PNG."""
        from visioncheck.present.print_errors import draw_print

        return draw_print(self.surveyed.survey, self.rig.paper)

    def draw(self, path: StrPath) -> Path:
        """Draw the print's errors as arrows and write them as PNG; raises UserError where that cannot be written."""
        return _write_png(path, self.render)

    def to_dict(self) -> dict[str, Any]:
        """Give the survey's figures as plain values that JSON can hold."""
        found = self.surveyed.survey
        return {
            "kind": "survey",
            "photos": self.rig.photos,
            "left_out": list(self.left_out),
            "paper": self.rig.paper,
            "field": self.rig.field,
            "print_scale": [float(each) for each in found.print_scale],
            "print_shear_deg": float(found.shear_deg),
            "scale_u_rel": float(found.scale_u_rel),
            "angle_u_deg": float(found.angle_u_deg),
            "focal_length_px": float(found.lens.f_px),
            "residual_px": float(found.residual_px),
            "advice": found.advice,
        }

    def __str__(self) -> str:
        return _plain(f"Survey of {self.rig.photos} photos", self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html(f"Survey of {self.rig.photos} photos", self.lines(), self.render())


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
        if isinstance(result, BevelResult):
            return result.tilt
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
        _kept_sled(self.outcome.request.sled_file)

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
        return _write_png(path, self.render)

    def __str__(self) -> str:
        return _plain(_title(self.outcome.request.sled_file, self.outcome.request.photo.name), self.lines())

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
        """The fence error, deg, signed; None where a question must be answered first."""
        return None if self.result.question else self.result.error

    @property
    def verdict(self) -> Verdict | None:
        """How the fence error, or its size where the sign is unknown, stands to the sled's tolerance."""
        if self.result.kind == "bevel":
            return _tilt_verdict(self.result.error, _owner(self.sled))
        return _verdict(self.result.error, self.sled)

    @property
    def correction(self) -> Correction | None:
        """What to do about the fence error; None without it or without a sled."""
        from visioncheck.correction.correct import correct
        from visioncheck.fence.next_step import Basis

        if self.result.kind == "bevel":
            return None
        owner = _owner(self.sled)
        return None if self.result.question or not owner else correct(self.result.error, owner, Basis(self.result.kind))

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

        return typed_lines(self.result, _owner(self.sled), door)

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold, as the log keeps it."""
        from visioncheck.results.as_json import typed_json

        return typed_json(self.result, _owner(self.sled))

    def render(self) -> bytes:
        """Draw the fence error with its ± beside the sled's tolerance, PNG."""
        from visioncheck.present.error_bar import draw_error, draw_tilt

        signed = not self.result.question
        if self.result.kind == "bevel":
            return draw_tilt(self.result.error, _owner(self.sled), signed=signed)
        return draw_error(self.result.error, _owner(self.sled), self.correction, signed=signed)

    def draw(self, path: StrPath) -> Path:
        """Draw the fence error beside the tolerance and write it as PNG; raises UserError if that cannot be written."""
        return _write_png(path, self.render)

    def __str__(self) -> str:
        return _plain(_title(self.sled, "typed readings"), self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        title = _title(self.sled, "typed readings")
        return as_html(title, self.lines(), self.render(), cautions=self.correction is not None)


def survey(photos: Iterable[StrPath], ruled: str | Quantity | None = None) -> SurveyResult:
    """Survey a phone and its printed sheet from photos of the bare sheet.

    Parameters
    ----------
    photos : iterable of str or Path
        6 to 12 photos, by one phone at one zoom, tilted to all sides.
    ruled : str or Quantity, optional
        What a rule reads from the first to the last saddle point: ``"310.5mm"``, ``"12 7/32in"``. Lengths rest on
        it; angles need none. The rule's own uncertainty is the survey's.

    Returns
    -------
    SurveyResult
        Goes to `measure` as its `rig`, and into a file with ``save``.

    Raises
    ------
    UserError
        A photo cannot be read or does not belong with the others, there are too few, or the print's scale cannot be.

    Examples
    --------
    >>> import visioncheck
    >>> visioncheck.survey(["fixtures/photos/light-a4/survey-1.jpg"], ruled=310.5)
    Traceback (most recent call last):
    visioncheck.errors.InputError: ruled 310.5 does not say its unit; write it such as '310.5mm'
    """
    from visioncheck.measuring.sheets import read_sheets, survey_sheets

    ruled_mm = None if ruled is None else as_length("ruled", ruled, "'310.5mm'").value
    if is_path(photos) or not isinstance(photos, Iterable):
        raise InputError("photos", "<photos> takes several photos of the bare sheet; give a list of 6 to 12 paths")
    try:
        sheets = read_sheets(as_path("photos", each, "a photo") for each in photos)
    except Refusal as refusal:
        raise _explained(refusal) from None
    return SurveyResult(survey_sheets(sheets, ruled_mm))


def measure(
    photo: StrPath | tuple[StrPath, StrPath],
    *,
    rig: RigFile | Rig | SurveyResult | StrPath | None = None,
    sled: SledFile | Sled | StrPath | None = None,
    piece: str | None = None,
    thickness: str | Quantity | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    turned_half: str | None = None,
    nominal: str | float | None = None,
    cut_edge: str | None = None,
) -> Measurement:
    """Measure a test piece in one photo, or in two with the piece turned a quarter turn in between.

    Parameters
    ----------
    photo : str or Path, or two of them
        The photo; or the pair, of which the first gives the terms.
    rig : optional
        What `survey` or `load_rig` gave, or the rig file's path. Without one the sheet's own errors are in the ±.
    sled : optional
        What `load_sled` gave, or the sled file's path. Without one there is neither verdict nor correction.
    piece : {"corner", "panel", "strip", "slot", "gap", "bevel"}, optional
        What kind of piece it is; where the photo alone cannot tell, the result has a `question`.
    thickness : str or Quantity, optional
        Of the piece, where no tag tells: ``"18mm"``, ``"3/4in"``, ``"12.3mm±0.1mm"``.
    fence_edge : {"top", "bottom", "left", "right"}, optional
        Side of the picture that the edge which lay on the fence points to, where no tag tells.
    cuts : int, optional
        Successive cuts behind a strip: 5 all round a panel.
    turned_half : {"left", "right"}, optional
        Of a gap: the half that was turned over, as they lay at the saw.
    nominal : str or float, optional
        Of an offcut or strip: the angle, deg, that the cut should have made with the edge at the fence, where it is not
        the sled's.
    cut_edge : {"top", "bottom", "left", "right"}, optional
        Of a bevel, side of the picture that the cut points to; `fence_edge` is then the face that lay on the table.

    Returns
    -------
    Measurement
        With `value`, `verdict`, `correction`, `question` and `doubts`.

    Raises
    ------
    Refusal
        The photo cannot be measured honestly.
    UserError
        A file cannot be read, or what is told cannot be, contradicts itself or the photo.

    Examples
    --------
    >>> import visioncheck
    >>> photo = "fixtures/photos/light-a4/corner-2.jpg"
    >>> found = visioncheck.measure(photo, sled="fixtures/sleds/alder-lane.toml")
    >>> found.value.unit, found.verdict.value, [doubt.code for doubt in found.doubts]
    ('deg', 'cannot tell', ['no-rig'])
    >>> visioncheck.measure(photo, piece="banana")
    Traceback (most recent call last):
    visioncheck.errors.InputError: piece 'banana' is not known; choose one of corner, panel, strip, slot, gap, bevel
    >>> visioncheck.measure(photo, thickness=visioncheck.Quantity(0.75, 0.01, "inch"))
    Traceback (most recent call last):
    visioncheck.errors.InputError: thickness is in 'inch', which is no unit of length; write it such as '18mm'
    """
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.request import MeasureRequest

    first, second = _one_or_two(photo)
    sled_file, rig_file = as_sled(sled), as_rig(rig)
    told = _told(_owner(sled_file), piece, thickness, fence_edge, cuts, turned_half, nominal, cut_edge)
    outcome = measure_piece(MeasureRequest(first, second, sled_file, rig_file, told))
    if outcome.problem is not None:
        raise _explained(outcome.problem)
    return Measurement(outcome.without_pixels())


def compute(
    *,
    sled: SledFile | Sled | StrPath | None = None,
    cuts: int | None = None,
    rear: str | None = None,
    front: str | None = None,
    length: str | None = None,
    taper: str | float | None = None,
    wide: str | None = None,
    angle: str | float | None = None,
    corners: str | Iterable[str | float] | None = None,
    unordered: bool = False,
    wedge: str | float | None = None,
    turned: str | None = None,
    opens: str | None = None,
    side: str | None = None,
    fence: str | None = None,
    nominal: str | float | None = None,
    frame: int | None = None,
    frame_cuts: int | None = None,
    at_fence: str | None = None,
    bevel: str | float | None = None,
    bevel_wedge: str | float | None = None,
    height: str | None = None,
    u: str | None = None,
) -> TypedMeasurement:
    """Compute the fence error and its correction from readings of callipers, protractor or feeler gauge.

    Give one reading: `rear` with `front` and `length`, or `taper`, `angle`, `corners` or `wedge`. Lengths are text
    with their unit; angles are degrees, or text such as ``"0.1deg"`` or ``"1.7mm/m"``.

    Parameters
    ----------
    sled : optional
        What `load_sled` gave, or the sled file's path.
    cuts : int, optional
        Successive cuts behind the strip, each with the fresh edge on the fence; 5 if not said.
    rear, front, length : str
        Widths of the last strip at its rear (nearest to you) and front ends, and the distance between the two.
    taper, wide : str
        Taper of the last strip, and its wider end: ``"rear"`` or ``"front"``.
    angle : str or float
        Corner between fence edge and fresh cut.
    corners, unordered : four of str or float, bool
        Corners of a panel cut all round, in the order cut; or round the panel, the first cut not known.
    wedge, turned, opens : str
        Gap of two halves, one turned over, of a board with parallel edges: an angle, or a width with `length`; the
        half turned over, ``"left"`` or ``"right"``; where the gap is open, ``"straightedge"`` or ``"far"``.
    side, fence : str, optional
        Side of the blade the piece was on, and of the work the fence was on, where they are not the sled's.
    nominal : str or float, optional
        The angle that the cut should have made, deg, where it is not the sled's.
    frame, frame_cuts, at_fence : int, int, str
        With `wedge`: it is the gap left in a frame of so many sides; how many mitre cuts the frame has, where not two a
        side; the edge of its pieces that was on the fence, ``"outer"`` or ``"inner"``. `opens` is then ``"outside"`` or
        ``"inside"``.
    bevel, bevel_wedge, height : str or float, str or float, str
        For the blade's tilt in place of the fence's error: the corner between the face that lay on the table and the
        cut, or the gap of two halves of its thickness, one turned over (as for `wedge`); the height of the cut.
    u : str, optional
        Standard uncertainty of one reading: ``"0.01mm"``, ``"0.02deg"``.

    Raises
    ------
    UserError
        Something is missing, too much, or no such number; names it.

    Examples
    --------
    A strip 0.32 mm wider at its rear over 300 mm shows four times the fence's error: (1/4) atan(0.32/300) deg.

    >>> import visioncheck
    >>> found = visioncheck.compute(cuts=5, rear="30.42mm", front="30.10mm", length="300mm")
    >>> f"{found.value.value:.4f} ± {found.value.expanded():.4f} {found.value.unit}"
    '0.0153 ± 0.0026 deg'
    >>> visioncheck.compute(rear="30.42mm", front=30.10, length="300mm")
    Traceback (most recent call last):
    visioncheck.errors.InputError: front 30.1 does not say its unit; write it as text, such as '30.42mm'
    """
    from visioncheck.fence.typed import compute_typed

    lengths = {"rear": rear, "front": front, "length": length, "height": height, "u": u}
    for name, each in lengths.items():
        if each is not None and not isinstance(each, str):
            raise InputError(name, f"<{name}> {each!r:.60} does not say its unit; write it as text, such as '30.42mm'")
    words = {"wide": wide, "turned": turned, "opens": opens, "unordered": "yes" if unordered else None}
    words["at_fence"] = at_fence
    words |= {
        "frame": None if frame is None else str(frame),
        "frame_cuts": None if frame_cuts is None else str(frame_cuts),
    }
    angles = {"taper": taper, "angle": angle, "wedge": wedge, "bevel": bevel, "bevel_wedge": bevel_wedge}
    given = {name: each for name, each in (lengths | words).items() if each is not None}
    given |= {name: _angle(name, each) for name, each in angles.items() if each is not None}
    if corners is not None:
        each_corner = corners.split(",") if isinstance(corners, str) else corners
        given["corners"] = ",".join(_angle("corners", each) for each in each_corner)
    if cuts is not None:
        given["cuts"] = str(_count(cuts))
    sled_file = as_sled(sled)
    return TypedMeasurement(compute_typed(given, _owner(sled_file), side, fence, nominal), sled_file)


def load_sled(path: StrPath) -> SledFile:
    """Read a sled file: the sled, and the text that the log keeps.

    Raises
    ------
    UserError
        Naming the file and the line (broken TOML) or the key (a value that cannot be).

    Examples
    --------
    >>> import visioncheck
    >>> visioncheck.load_sled("fixtures/sleds/alder-lane.toml").sled.name
    'Alder Lane'
    """
    from visioncheck.measuring.request import read_sled

    return read_sled(as_path("path", path, "a sled file"))


def load_rig(path: StrPath) -> RigFile:
    """Read a rig file, as a survey wrote it: the rig, and the text that the log keeps.

    Raises
    ------
    UserError
        No such file, or not a whole rig file; names the line or the key.
    """
    from visioncheck.measuring.request import read_rig

    return read_rig(as_path("path", path, "a rig file"))


def draft_entry(found: TypedMeasurement, *, person: str = "", note: str = "", adjusted: str = "") -> EntryDraft:
    """Make an entry for the log of a typed reading.

    Raises
    ------
    InputError
        It was computed without a sled's file, by which the log keeps readings.
    """
    from visioncheck.log.entry import EntryDraft

    sled = _kept_sled(found.sled)
    return EntryDraft(
        sled=sled.sled.name,
        reading=found.to_dict(),
        kind="typed",
        sled_text=sled.text,
        person=person,
        note=note,
        adjusted=adjusted,
    )


def _kept_sled(sled: SledFile | None) -> SledFile:
    if sled is None or not sled.text:
        raise InputError("sled", "The log keeps readings by sled, with its file: give <sled> as the sled file's path")
    return sled


def _one_or_two(photo: object) -> tuple[Path, Path | None]:
    if isinstance(photo, tuple | list):
        if len(photo) != 2:
            raise InputError("photo", f"<photo> is one photo or two of one piece, and {len(photo)} are given")
        return as_path("photo", photo[0], "a photo"), as_path("photo", photo[1], "a photo")
    return as_path("photo", photo, "a photo"), None


def _told(
    owner: Sled | None,
    piece: str | None,
    thickness: str | Quantity | None,
    fence_edge: str | None,
    cuts: int | None,
    turned_half: str | None,
    nominal: str | float | None,
    cut_edge: str | None,
) -> PieceOptions:
    """Check what is told of the piece; a thickness that is not text must say its unit."""
    from visioncheck.measuring.options import read_piece_options

    units = owner.units if owner else None
    typed = thickness if isinstance(thickness, str) else None
    told = read_piece_options(
        typed,
        piece,
        fence_edge,
        None if cuts is None else _count(cuts),
        units=units,
        turned_half=turned_half,
        nominal=nominal,
        cut_edge=cut_edge,
    )
    if thickness is None or typed is not None:
        return told
    length = as_length("thickness", thickness, "'18mm'")
    if length.value >= _THICKEST_MM:
        raise InputError("thickness", f"<thickness> of {length.value:g} mm is no board's; write it such as '18mm'")
    return replace(told, thickness=length)


def _count(cuts: object) -> int:
    if isinstance(cuts, bool) or not isinstance(cuts, int) or cuts < 2:
        raise InputError("cuts", f"<cuts> {cuts!r:.60} is no count of cuts; write 2 or more, 5 all round a panel")
    return cuts


def _angle(name: str, given: object) -> str:
    """Write an angle as the typed readings take it; a bare number is degrees."""
    if isinstance(given, str):
        return given.strip()
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise InputError(name, f"<{name}> {given!r:.60} is no angle; write degrees, or text such as '0.1deg'")
    return f"{given:.9f}".rstrip("0").rstrip(".")


def _explained(problem: UserError) -> UserError:
    """A refusal is a code with fields; who calls from Python reads the sentence below it."""
    from visioncheck.present.naming import error_sentence

    if isinstance(problem, Refusal):
        problem.add_note(error_sentence(problem, "python"))
    return problem


def _owner(sled: SledFile | None) -> Sled | None:
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


def _plain(title: str, lines: Iterable[LabelledLine]) -> str:
    return "\n".join([title, *(f"{line.label:<10} {line.text}" for line in lines)])


def _write_png(path: StrPath, render: Any) -> Path:
    from visioncheck.files import write_whole

    place = as_path("path", path, "the picture to write")
    if place.suffix.lower() != ".png":
        raise InputError("path", f"<path> {place}: the picture is written as PNG; give it a name that ends in .png")
    write_whole(place, render())
    return place
