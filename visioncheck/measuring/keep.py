"""From one photo to its place in the log: measured with its sled and rig, and kept with all that it was read with."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.errors import InputError, UserError
from visioncheck.files import read_text
from visioncheck.log.adjusting import require_after
from visioncheck.log.entry import EntryDraft, sha256_text
from visioncheck.log.photos import read_photo, taken
from visioncheck.quantity import Quantity
from visioncheck.saw import PieceSide

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from visioncheck.camera.rig import Rig
    from visioncheck.correction.correct import Correction
    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.detect import Detection, Measured
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

PIECES = ("corner", "panel", "strip", "slot", "gap")
WAYS = ("top", "bottom", "left", "right")
HALVES: tuple[PieceSide, PieceSide] = ("left", "right")
_U_BOARD_MM = 0.05
"""How unlike a board's thickness is from place to place (common practice, no source)."""
_TWO_SIDED_95 = 1.959964
"""A ± that a user tells is taken as the program says its own: at 95 % of a normal distribution."""


@dataclass(frozen=True)
class SledFile:
    """A sled, and its file's text as it is kept in the log."""

    sled: Sled
    text: str


@dataclass(frozen=True)
class RigFile:
    """A rig, and its file's text as it is kept in the log."""

    rig: Rig
    text: str


@dataclass(frozen=True)
class PieceOptions:
    """What the user says of a piece beyond what its photo shows; see `visioncheck.measuring.photo.measure_photo`.

    `turned` is a second photo of it, turned a quarter turn; the reading names it. `turned_half` is the half of a gap
    that was turned over.
    """

    thickness: Quantity | None = None
    piece: str | None = None
    fence_edge: str | None = None
    cuts: int | None = None
    turned: Path | None = None
    turned_half: PieceSide | None = None

    def as_json(self) -> dict[str, Any]:
        """Write what was told; nothing for what was not."""
        thickness = None if self.thickness is None else {"value": self.thickness.value, "u": self.thickness.u}
        every = {"thickness_mm": thickness, "piece": self.piece, "fence_edge": self.fence_edge, "cuts": self.cuts}
        every["turned_half"] = self.turned_half
        return {key: value for key, value in every.items() if value is not None}


def options_from_json(reading: Mapping[str, Any]) -> PieceOptions:
    """What the user had said of the piece of a reading that the log keeps."""
    told = reading.get("told", {})
    thick = told.get("thickness_mm")
    return PieceOptions(
        thickness=None if thick is None else Quantity(thick["value"], thick["u"], "mm"),
        piece=told.get("piece"),
        fence_edge=told.get("fence_edge"),
        cuts=told.get("cuts"),
        turned_half=told.get("turned_half"),
    )


@dataclass(frozen=True)
class Outcome:
    """What became of one photo.

    Attributes
    ----------
    reading : dict
        The measurement's JSON object (schema 2): measured, with its budget and flags, or refused, with the reason.
    sled, rig : SledFile, RigFile or None
        What it was measured with.
    measured : Measured or None
        Photo and reading; None where refused.
    correction : Correction or None
        What to do about the fence error, where there is one and the sled is known.
    problem : UserError or None
        Why it was refused.
    turned : Path or None
        The second photo of the piece, read together with this one.
    instead : str
        What to do in place of what the reading says, where the log has a newer one or an adjustment after it.
    """

    path: Path
    reading: dict[str, Any]
    sled: SledFile | None = None
    rig: RigFile | None = None
    measured: Measured | None = None
    correction: Correction | None = None
    problem: UserError | None = None
    turned: Path | None = None
    instead: str = ""

    def without_pixels(self) -> Outcome:
        """Drop the photo's pixels: a long list of outcomes would not fit into memory with them."""
        if self.measured is None:
            return self
        photo = self.measured.photo
        return replace(self, measured=replace(self.measured, photo=replace(photo, bgr=photo.bgr[:0].copy())))


def read_piece_options(
    thickness: str | None = None,
    piece: str | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    units: UnitWorld | None = None,
    turned_half: str | None = None,
) -> PieceOptions:
    """Read what the user typed of a piece; `units` is the unit of a bare number.

    Raises
    ------
    InputError
        Naming the parameter.
    """
    choices = {"piece": (piece, PIECES), "fence_edge": (fence_edge, WAYS), "turned_half": (turned_half, HALVES)}
    for name, (value, known) in choices.items():
        if value is not None and value not in known:
            raise InputError(name, f"<{name}> {value!r} is not known; choose one of {', '.join(known)}")
    half = None if turned_half is None else HALVES[HALVES.index(turned_half)]
    return PieceOptions(
        None if thickness is None else _thickness(thickness, units), piece, fence_edge, cuts, turned_half=half
    )


def _thickness(text: str, units: UnitWorld | None) -> Quantity:
    """A thickness as typed; its uncertainty as told after ±, or by how finely it was typed."""
    from visioncheck.units import last_digit_mm, parse_length, split_doubt

    told, doubt = split_doubt(text)
    try:
        value = parse_length(told, units)
        expanded = None if doubt is None else parse_length(doubt, units)
    except UserError as problem:
        raise InputError("thickness", f"<thickness>: {problem}") from None
    if not 0 < value < checks.THICKEST_MM:
        raise InputError(
            "thickness", f"<thickness> {text} is not a board's thickness; give it like 18mm, 3/4in or 12.3mm±0.1mm"
        )
    if expanded is None:
        # rectangular within half a step of the last digit (JCGM 100:2008, 4.3.7), and a board is not all alike
        return Quantity(value, math.hypot(last_digit_mm(told, units) / math.sqrt(12), _U_BOARD_MM), "mm")
    if not 0 < expanded < value:
        raise InputError(
            "thickness", f"<thickness> {text}: what follows ± is to be above 0 and below the thickness itself"
        )
    return Quantity(value, expanded / _TWO_SIDED_95, "mm")


def read_sled(path: Path) -> SledFile:
    """Read a sled file and keep its text; raises UserError as `load_sled` does."""
    from visioncheck.sled.file import parse_sled, sled_text

    text = sled_text(path)
    return SledFile(parse_sled(text, str(path)), text)


def sled_in_log(log: Log, name: str) -> SledFile | None:
    """Take a sled's file as the log kept it last; None where it keeps none."""
    from visioncheck.sled.file import parse_sled

    text = log.sled_text(name)
    return None if text is None else SledFile(parse_sled(text, f"the file of {name} in the log"), text)


def read_rig(path: Path) -> RigFile:
    """Read a rig file and keep its text; raises UserError as `load_rig` does."""
    from visioncheck.camera.rig_file import load_rig

    return RigFile(load_rig(path), read_text(path, "rig file"))


def measure_for_log(
    path: Path,
    sled: SledFile | None = None,
    rig: RigFile | None = None,
    told: PieceOptions | None = None,
    detection: Detection | None = None,
) -> Outcome:
    """Measure one photo; a photo that cannot be measured is an outcome too, and never raises UserError.

    Parameters
    ----------
    path : Path
        The photo.
    sled : SledFile or None
        The sled it belongs to; the log needs one.
    rig : RigFile or None
        The survey of this phone and sheet.
    told : PieceOptions or None
        What the photo does not show.
    detection : Detection or None
        What was found in the photo already, where sled or rig were chosen by it.
    """
    # looked up here, so that attaching alone does not load the measuring
    from visioncheck.correction.correct import correct
    from visioncheck.measuring.pair import measure_turned
    from visioncheck.measuring.photo import measure_photo
    from visioncheck.results.basis import basis_from_reading

    told = told or PieceOptions()
    owner = sled.sled if sled else None
    try:
        with_what = (rig.rig if rig else None, told.thickness, told.piece, owner, told.fence_edge, told.cuts)
        if told.turned is None:
            measured = measure_photo(detection or path, *with_what, turned_half=told.turned_half)
        else:
            measured = measure_turned((path, told.turned), *with_what)
    except UserError as problem:
        return refused(path, problem, sled, rig, told)
    error = measured.reading.fence_error
    correction = correct(error, owner, basis_from_reading(measured.reading)) if error and owner else None
    reading = _reading_json(measured, correction, sled, rig, told)
    return Outcome(path, reading, sled, rig, measured, correction, turned=told.turned)


def _reading_json(
    measured: Measured, correction: Correction | None, sled: SledFile | None, rig: RigFile | None, told: PieceOptions
) -> dict[str, Any]:
    from visioncheck.results.as_json import reading_json

    found = reading_json(measured.reading, correction, sled.sled if sled else None)
    return found | {"photo_sha256": measured.photo.sha256} | _read_with(sled, rig, told)


def refused(
    path: Path,
    problem: UserError,
    sled: SledFile | None = None,
    rig: RigFile | None = None,
    told: PieceOptions | None = None,
) -> Outcome:
    """Build the outcome of a photo that cannot be measured."""
    from visioncheck.results.as_json import refused_json

    reading = refused_json(path.name, problem) | _read_with(sled, rig, told or PieceOptions())
    return Outcome(path, reading, sled, rig, problem=problem)


def _read_with(sled: SledFile | None, rig: RigFile | None, told: PieceOptions) -> dict[str, Any]:
    """Name the sled and rig in the reading, so that the log can tell when it is given others."""
    found: dict[str, Any] = {}
    if sled:
        found["sled"] = sled.sled.name
    if rig:
        found["rig_sha256"] = sha256_text(rig.text)
    said = told.as_json()
    return found | {"told": said} if said else found


def attach_outcome(
    log: Log,
    outcome: Outcome,
    *,
    person: str = "",
    note: str = "",
    adjusted: str = "",
    time: datetime | None = None,
    now: Moment | None = None,
    corrects: str | None = None,
) -> Entry:
    """Keep a measured photo in the log, with its reading and the texts of its sled and rig.

    A photo stands once in the log: measured again with another result, the new entry corrects the one that
    stands, and takes over its person, note, adjustment and time unless others are given. With the same result
    nothing is added.

    Parameters
    ----------
    log : Log
        Open for writing.
    outcome : Outcome
        From `measure_for_log`, with a sled.
    person, note, adjusted, time
        See `EntryDraft`; without `time` the photo's own.
    now : Moment or None
        That `adjusted` is being noted as done just now, so that the photo must be of after it; None: it is a record of
        old, whose times are its user's business.
    corrects : str or None
        Id of the entry that this one stands in for, whatever photo that was of; None: of this photo's, if there is one.

    Returns
    -------
    Entry
        The new entry, or the one that says the same already.

    Raises
    ------
    UserError
        A refused photo (its reason), no sled, a photo that was changed since it was measured, one that shows the
        sled before it was adjusted (`TakenBefore` where its time alone says so), or a log that cannot be written.
    """
    if outcome.problem is not None:
        raise outcome.problem
    if outcome.sled is None:
        raise InputError(
            "sled", "say which sled was read: <sled>, a sled's file (visioncheck sled NEW.toml writes one)"
        )
    photo = read_photo(outcome.path)
    if photo.sha256 != outcome.reading["photo_sha256"]:
        raise UserError(f"{outcome.path} was changed after it was measured; measure it again.")
    when = taken(photo.data)
    if now is not None and time is None:
        time = require_after(log, outcome.sled.sled.name, photo.sha256, when, adjusted, now)
    draft = EntryDraft(
        sled=outcome.sled.sled.name,
        reading=outcome.reading,
        time=when,
        file_name=outcome.path.name,
        rig_text=outcome.rig.text if outcome.rig else None,
        sled_text=outcome.sled.text,
        corrects=corrects,
    )
    given = {"person": person, "note": note, "adjusted": adjusted, "time": time}
    said = {key: value for key, value in given.items() if value}
    more = [] if outcome.turned is None else [read_photo(outcome.turned)]
    return log.attach_once(draft, photo, said, more)
