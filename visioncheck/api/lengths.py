"""Repeat cuts at a stop, for who calls from Python."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.api.results import explained, kept_sled, owner, plain, write_png
from visioncheck.errors import InputError, UserError
from visioncheck.given import StrPath, as_path, as_rig, as_sled, is_path

if TYPE_CHECKING:
    from datetime import datetime

    from visioncheck.camera.rig import Rig
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.options import PieceOptions
    from visioncheck.measuring.request import RigFile, SledFile
    from visioncheck.present.line import LabelledLine
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld
    from visioncheck.work.lengths import PieceLength, StopsCompared, StopSpread

Texts = str | Sequence[str] | Sequence[float]
TITLE = "Lengths of repeat cuts"


@dataclass(frozen=True, eq=False)
class RepeatLengths:
    """How far the lengths of repeat cuts spread, and whether a second stop continues the first.

    Attributes
    ----------
    stops : tuple of StopSpread
        One stop, or two.
    compared : StopsCompared or None
        Of two: the second one's zero and line against the first.
    photos : tuple of Path
        They were read in; empty: the lengths were told.
    sled : SledFile or None
    rig : RigFile or None
        Of the photos.
    units : {"in", "mm"}
        Units to speak in first.
    """

    stops: tuple[StopSpread, ...]
    compared: StopsCompared | None
    photos: tuple[Path, ...]
    sled: SledFile | None
    rig: RigFile | None
    units: UnitWorld

    def lines(self) -> list[LabelledLine]:
        """Say it line by line."""
        from visioncheck.present.lengths import lengths_lines

        return lengths_lines(self.stops, self.compared, self.units, owner(self.sled))

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold."""
        from visioncheck.results.lengths import lengths_json

        return lengths_json(self.stops, self.compared)

    def render(self) -> bytes:
        """Draw every piece's length against its stop's mean, PNG."""
        from visioncheck.present.lengths import draw_lengths

        return draw_lengths(self.stops, self.units)

    def draw(self, path: StrPath) -> Path:
        """Draw it and write it as PNG; raises UserError where that cannot be written."""
        return write_png(path, self.render)

    def keep(
        self, log: Log, *, person: str = "", note: str = "", adjusted: str = "", time: datetime | None = None
    ) -> tuple[Entry, ...]:
        """Keep it in an open log with all its photos, or as told: one entry.

        Raises
        ------
        UserError
            No sled's file, a photo that is gone or was changed, or a log that cannot be written.
        """
        from visioncheck.log.entry import EntryDraft
        from visioncheck.log.photos import read_photo

        sled = kept_sled(self.sled)
        files = [read_photo(path) for path in self.photos]
        of_photo = {"photo": self.photos[0].name, "photo_sha256": files[0].sha256} if files else {}
        draft = EntryDraft(
            sled=sled.sled.name,
            reading=self.to_dict() | of_photo,
            kind="photo" if files else "typed",
            file_name=self.photos[0].name if files else "",
            rig_text=self.rig.text if self.rig and files else None,
            sled_text=sled.text,
            person=person,
            note=note,
            adjusted=adjusted,
            time=time,
        )
        if not files:
            return (log.attach(draft),)
        told = {"person": person, "note": note, "adjusted": adjusted}
        return (log.attach_once(draft, files[0], told, files[1:]),)

    def __str__(self) -> str:
        return plain(TITLE, self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html(TITLE, self.lines(), self.render(), cautions=True)


def lengths(
    photos: Iterable[StrPath] = (),
    second: Iterable[StrPath] = (),
    *,
    read: Texts | None = None,
    second_read: Texts | None = None,
    angles: Texts | None = None,
    second_angles: Texts | None = None,
    u: str | None = None,
    set: str | None = None,  # noqa: A002 - the option's name
    second_set: str | None = None,
    rig: RigFile | Rig | StrPath | None = None,
    thickness: str | None = None,
    fence_edge: str | None = None,
    cut_edge: str | None = None,
    sled: SledFile | Sled | StrPath | None = None,
    units: str | None = None,
) -> RepeatLengths:
    """Measure repeat cuts at one stop, in photos or as read, and a second stop against the first.

    Parameters
    ----------
    photos, second : iterable of str or Path
        Pieces of the first stop and of a second one: several on a sheet, or one a photo.
    read, second_read : str or sequence of str
        Instead: lengths read, ``"300.02mm,300.05mm"`` or a list of such.
    angles, second_angles : str or sequence of float
        With `read`, of two stops: corners between fence edge and sawn end, deg, one for each length.
    u : str
        With `read`: standard uncertainty of one length; 0.02 mm if not said.
    set, second_set : str
        What the stops were set to; both alike if not said.
    rig : optional
        The survey of the photos' phone and sheet.
    thickness : str
        Of the pieces in the photos.
    fence_edge, cut_edge : {"top", "bottom", "left", "right"}
        Edges at the fence as the pictures show them, along which the length runs; sawn ends, for the line of two stops.
    sled : optional
        For the log and its units.
    units : {"in", "mm"}
        Units to speak in; otherwise the sled's, or those that were told.

    Returns
    -------
    RepeatLengths
        With `stops`, `compared`, `lines` and `draw`.

    Raises
    ------
    Refusal
        A photo cannot be measured honestly.
    UserError
        Something is missing, has no effect, or cannot be; names it.

    Notes
    -----
    The interval of the stop's own spread is the generalised one (S. Weerahandi, *Generalized confidence intervals*,
    1993); the zero's degrees of freedom are those of Welch and Satterthwaite.

    Examples
    --------
    Two pieces 0.03 mm apart spread by 0.03/√2 mm.

    >>> import visioncheck
    >>> found = visioncheck.lengths(read=["300.02mm", "300.05mm"])
    >>> f"{found.stops[0].mean.value:.3f} {found.stops[0].sd_mm:.4f}"
    '300.035 0.0212'
    >>> visioncheck.lengths(read="300.02mm,300.05mm", second_set="301mm")
    Traceback (most recent call last):
    visioncheck.errors.InputError: second_set has no effect of one stop alone: it compares it with a second one
    """
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.request import refuse_twice
    from visioncheck.work.lengths import compare_stops, spread
    from visioncheck.work.read_lengths import read_setting

    first, other = _paths("photos", photos), _paths("second", second)
    typed, typed_other = _text(read), _text(second_read)
    _require_one_way(first, other, typed, typed_other)
    is_typed, has_two = typed is not None, bool(other or typed_other)
    of_photos = {"rig": rig, "thickness": thickness, "fence_edge": fence_edge, "cut_edge": cut_edge}
    of_typed = {"angles": angles, "second_angles": second_angles, "u": u}
    _refuse_idle(of_photos if is_typed else of_typed, "with <read>" if is_typed else "without <read>")
    if not has_two:
        of_two = {"angles": angles, "second_angles": second_angles, "cut_edge": cut_edge, "second_set": second_set}
        _refuse_idle(of_two, "of one stop alone: it compares it with a second one")
    if (angles is None) != (second_angles is None):
        raise InputError(
            "angles", "<angles> and <second_angles> go together: they say whether the second stop continues the line"
        )
    if cut_edge and not fence_edge:
        raise InputError("cut_edge", "<cut_edge> needs <fence_edge>: the angle between the two is read")
    sled_file, rig_file = as_sled(sled), as_rig(rig)
    world = _world(units, sled_file, (set, typed, thickness))
    settings = read_setting("set", set, world), read_setting("second_set", second_set, world)
    if typed is None:
        told = read_piece_options(world, thickness=thickness, fence_edge=fence_edge, cut_edge=cut_edge)
        refuse_twice((*first, *other))
        groups = [_seen(each, rig_file, told) for each in (first, other) if each]
    else:
        bare = world if units or sled_file else None  # what a number without a unit is
        groups = [_typed(typed, _text(angles), u, bare)]
        groups += [_typed(typed_other, _text(second_angles), u, bare)] if typed_other else []
    stops = tuple(spread(group, setting) for group, setting in zip(groups, settings, strict=False))
    compared = compare_stops(*stops) if has_two else None
    return RepeatLengths(stops, compared, (*first, *other), sled_file, rig_file, world)


def _paths(name: str, given: Iterable[StrPath]) -> tuple[Path, ...]:
    if is_path(given) or not isinstance(given, Iterable):
        raise InputError(name, f"<{name}> takes photos of the pieces; give a list of paths")
    return tuple(as_path(name, each, "a photo") for each in given)


def _text(given: Texts | None) -> str | None:
    """What was told, with commas between."""
    return given if given is None or isinstance(given, str) else ",".join(str(each) for each in given)


def _require_one_way(first: Sequence[Path], other: Sequence[Path], read: str | None, second_read: str | None) -> None:
    if bool(first) == (read is not None):
        raise InputError("read", "Give either photos of the pieces or their lengths with <read>")
    if (other and not first) or (second_read and not read):
        raise InputError("second", "Give both stops in the same way: photos and <second>, or <read> and <second_read>")


def _refuse_idle(given: Mapping[str, object], why: str) -> None:
    for name, value in given.items():
        if value is not None:
            raise InputError(name, f"<{name}> has no effect {why}")


def _world(units: str | None, sled: SledFile | None, told: tuple[str | None, ...]) -> UnitWorld:
    if units not in {None, "in", "mm"}:
        raise InputError("units", f"<units> is {units!r}; write in or mm")
    if units is not None:
        return "in" if units == "in" else "mm"
    if sled is not None:
        return sled.sled.units
    text = next((each for each in told if each), "mm").rstrip().lower()
    return "in" if text.endswith(("in", '"', "thou", "ft")) else "mm"


def _seen(photos: Sequence[Path], rig: RigFile | None, told: PieceOptions) -> tuple[PieceLength, ...]:
    from visioncheck.measuring.lengths import measure_all

    try:
        return measure_all(photos, rig.rig if rig else None, told.thickness, told.fence_edge, told.cut_edge)
    except UserError as problem:
        raise explained(problem) from None


def _typed(read: str, angles: str | None, u: str | None, units: UnitWorld | None) -> tuple[PieceLength, ...]:
    from visioncheck.work.read_lengths import typed_lengths

    return typed_lengths(read, angles, u, units)
