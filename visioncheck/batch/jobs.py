"""Which photos there are and what is said of each: from a folder or from a manifest."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.errors import InputError, UserError
from visioncheck.files import read_text
from visioncheck.measuring.options import TOLD, PieceOptions, parameter_of, read_piece_options
from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled
from visioncheck.photo.load import PHOTO_SUFFIXES, is_drawn

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from visioncheck.measuring.request import RigFile, SledFile

COLUMNS = (
    *("photo", "turned", "sled", "rig"),
    *TOLD,
    *("person", "note", "adjusted", "time"),
)


@dataclass(frozen=True)
class BatchPhoto:
    """One photo to be measured.

    Attributes
    ----------
    path : Path
        The photo; absolute, since workers may stand elsewhere.
    label : str
        Its name as the user wrote it, or below the folder.
    told : PieceOptions
        What is said of the piece.
    sled : str or None
        Name of its sled, where the manifest or a sub-folder says it.
    rig : str or None
        Name of its rig file, where the manifest says it.
    turned : Path or None
        A second photo of the piece, turned a quarter turn, that it is read with; absolute too.
    person, note, adjusted, time
        For the log, where given.
    sha256, turned_sha256 : str
        Of the photo's bytes, and of the second photo's that it is read with, once they were read.
    """

    path: Path
    label: str
    told: PieceOptions
    sled: str | None = None
    rig: str | None = None
    turned: Path | None = None
    person: str = ""
    note: str = ""
    adjusted: str = ""
    time: datetime | None = None
    sha256: str = ""
    turned_sha256: str = ""

    def request(self, sled: SledFile | None = None, rig: RigFile | None = None) -> MeasureRequest:
        """Ask for it to be measured with its sled and rig."""
        return MeasureRequest(self.path, self.turned, sled, rig, self.told)


@dataclass(frozen=True)
class Known:
    """The sleds, tags and rigs that photos are matched with.

    Attributes
    ----------
    sleds : mapping of str to SledFile
        By name.
    tags : mapping of int to str
        Which sled's pieces carry a tag.
    rigs : mapping of str to RigFile
        By file name.
    only : str or None
        The sled of every photo of which nothing else tells it.
    kept : frozenset of str
        Sleds whose file is not given but taken from the log.
    """

    sleds: Mapping[str, SledFile]
    tags: Mapping[int, str]
    rigs: Mapping[str, RigFile]
    only: str | None = None
    kept: frozenset[str] = frozenset()


def plain(name: str) -> str:
    """Reduce a name to its letters and digits: ``Alder Lane``, ``alder-lane`` and ``ALDER_LANE`` are one sled."""
    return re.sub(r"[\W_]+", " ", name).strip().casefold()


def list_files(places: list[Path], suffix: str) -> list[Path]:
    """List the files given: each itself, or all with this ending in a folder."""
    found: list[Path] = []
    for place in places:
        inside = sorted(place.glob(f"*{suffix}")) if place.is_dir() else [place]
        if not inside:
            raise UserError(f"The folder {place} holds no {suffix} file; name another")
        found += inside
    return list(dict.fromkeys(found))


def read_sleds(places: list[Path]) -> dict[str, SledFile]:
    """Read sled files, by the sled's name.

    Raises
    ------
    UserError
        A file that is no sled, or two files of one name.
    """
    sleds: dict[str, SledFile] = {}
    for path in list_files(places, ".toml"):
        file = read_sled(path)
        if file.sled.name in sleds:
            raise UserError(f"{path}: a second sled file of the name {file.sled.name!r}; give each its own name")
        sleds[file.sled.name] = file
    return sleds


def read_rigs(places: list[Path]) -> dict[str, RigFile]:
    """Read rig files, by file name as given; raises UserError for a file that is none."""
    return {str(path): read_rig(path) for path in list_files(places, ".json")}


def folder_jobs(folder: Path, known: Known, told: PieceOptions, person: str, leave_out: Path) -> list[BatchPhoto]:
    """List the photos in a folder and below; a sub-folder with a sled's name tells whose they are.

    Parameters
    ----------
    leave_out : Path
        A folder whose photos are not meant: the log, which may stand among them.

    Raises
    ------
    UserError
        No photo there.
    """
    jobs = []
    for path in sorted(folder.rglob("*")):
        below = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in below.parts)
        if (
            path.suffix.lower() not in PHOTO_SUFFIXES
            or hidden
            or path.is_dir()
            or leave_out.absolute() in path.absolute().parents
            or _is_drawn(path)
        ):
            continue
        jobs.append(BatchPhoto(path.absolute(), str(below), told, _sled_of_folders(below, known), person=person))
    if not jobs:
        raise UserError(f"{folder} holds no photos ({', '.join(sorted(PHOTO_SUFFIXES))}); name the folder they are in")
    return jobs


def _is_drawn(path: Path) -> bool:
    """Whether it is a picture of ours that stands beside the photos."""
    if path.suffix.lower() != ".png" or not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            return is_drawn(file.read(200))
    except OSError:
        return False  # why it cannot be read is said where it is measured


def _sled_of_folders(below: Path, known: Known) -> str | None:
    """The sled that the nearest folder named after one belongs to."""
    for folder in reversed(below.parts[:-1]):
        names = [name for name in known.sleds if plain(name) == plain(folder)]
        if len(names) == 1:
            return names[0]
    return None


def manifest_jobs(manifest: Path, known: Known, told: PieceOptions, person: str) -> tuple[list[BatchPhoto], Known]:
    """Read the photos of a manifest: a CSV table with the column ``photo`` and any of the other `COLUMNS`.

    The column ``turned`` names a second photo of the piece, turned a quarter turn, to be read together with the first.
    File names are below the manifest's own folder. What a row leaves empty is taken from `told` and `person`.

    Returns
    -------
    list of BatchPhoto, Known
        The photos, and what is known with the sled and rig files that the manifest names.

    Raises
    ------
    UserError
        Not such a table; names the line.
    """
    sleds, rigs = dict(known.sleds), dict(known.rigs)
    jobs = []
    for number, row in _rows(manifest):
        try:
            jobs.append(_job(row, manifest.parent, sleds, rigs, told, person))
        except UserError as problem:
            raise UserError(f"{manifest}, line {number}: {problem}") from None
    if not jobs:
        raise UserError(f"{manifest} lists no photos; write one a line below the heading 'photo'")
    _require_use(told, jobs)
    return jobs, replace(known, sleds=sleds, rigs=rigs)


def _require_use(told: PieceOptions, jobs: Sequence[BatchPhoto]) -> None:
    """Refuse what is said of every photo where each row says it itself or is of a kind that has no use for it."""
    for name, value in told.said.items():
        if all(getattr(job.told, name) != value for job in jobs):
            parameter = parameter_of(name)
            said = (
                f"<{parameter}> has no effect: every row says it itself, or is of another kind of piece; leave it out"
            )
            raise InputError(parameter, said)


def require_used(
    jobs: Sequence[BatchPhoto], sleds: Mapping[Path, frozenset[str]], rigs: Sequence[Path], person: str
) -> None:
    """Refuse what is given for all photos where each says something else itself, before the long work.

    Parameters
    ----------
    sleds : mapping of Path to frozenset of str
        Files and folders given, and the names of the sleds in each.
    rigs : sequence of Path
        Files and folders given.
    person : str
        Who took the photos; empty: not given.

    Raises
    ------
    InputError
        Naming what no photo can have a use for.
    """
    said = {job.sled for job in jobs}
    if None not in said:
        for place, names in sleds.items():
            if not names & said:
                raise _idle("sled", f" {place}", "every photo is said to be of another sled")
    if rigs and all(job.rig for job in jobs):
        raise _idle("rig", "", "every row names its own")
    if person and all(job.person != person for job in jobs):
        raise _idle("person", "", "every row says it itself")


def _idle(parameter: str, which: str, why: str) -> InputError:
    return InputError(parameter, f"<{parameter}>{which} has no effect: {why}; leave it out")


def _rows(manifest: Path) -> Iterator[tuple[int, dict[str, str]]]:
    text = read_text(manifest, "manifest", "split it", checks.MANIFEST_MOST_BYTES).removeprefix("\ufeff")
    heading = text.partition("\n")[0]
    # spreadsheets write semicolons or tabs where the comma is the decimal sign
    mark = max(",;\t", key=heading.count)
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    try:
        names = [name.strip().casefold() for name in rows.fieldnames or []]
        _check_heading(manifest, names)
        rows.fieldnames = names
        for row in rows:
            if None in row:
                raise UserError(f"{manifest}, line {rows.line_num}: more values than the heading has columns")
            cells = {name: (value or "").strip() for name, value in row.items()}
            if any(cells.values()):
                yield rows.line_num, cells
    except csv.Error as error:
        raise UserError(f"{manifest}, line {rows.line_num}: not usable as CSV ({error}); save it again") from None


def _check_heading(manifest: Path, names: list[str]) -> None:
    for name in names:
        if name not in COLUMNS:
            near = get_close_matches(name, COLUMNS, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(COLUMNS)}"
            raise UserError(f"{manifest}: the heading has an unknown column {name!r}; {hint}")
    if "photo" not in names or len(set(names)) != len(names):
        raise UserError(f"{manifest}: the heading needs the column photo, and each column once")


def _job(
    row: dict[str, str],
    folder: Path,
    sleds: dict[str, SledFile],
    rigs: dict[str, RigFile],
    told: PieceOptions,
    person: str,
) -> BatchPhoto:
    if not row["photo"]:
        raise UserError("the column photo is empty")
    said: dict[str, object] = {name: row.get(name) or None for name in TOLD}
    own = read_piece_options(None, **said | {"cuts": _cuts(row.get("cuts"))})
    if (own.kind or told.kind) is None:
        # what is said of every gap is not said of the other pieces
        told = replace(told, turned_half=None, cut_edge=None, at_fence=None, frame_cuts=None)
    return BatchPhoto(
        path=(folder / row["photo"]).absolute(),
        label=row["photo"],
        told=own.over(told),
        turned=(folder / row["turned"]).absolute() if row.get("turned") else None,
        sled=_sled(row.get("sled"), folder, sleds),
        rig=_rig(row.get("rig"), folder, rigs),
        person=row.get("person") or person,
        note=row.get("note", ""),
        adjusted=row.get("adjusted", ""),
        time=_time(row.get("time")),
    )


def _cuts(text: str | None) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or int(text) < 2:
        raise UserError(f"cuts {text!r} is no count of cuts; write 2 or more, 5 all round a panel")
    return int(text)


def _time(text: str | None) -> datetime | None:
    if not text:
        return None
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError, OSError):
        raise UserError(f"time {text!r} is no time; write it such as 2026-03-01T14:30") from None


def _sled(given: str | None, folder: Path, sleds: dict[str, SledFile]) -> str | None:
    """Name of the sled that the manifest names, by its name or its file, which is then added to those known."""
    if not given:
        return None
    names = [name for name in sleds if plain(name) == plain(given)]
    if given in sleds or len(names) == 1:
        return given if given in sleds else names[0]
    path = folder / given
    if not path.is_file():
        raise UserError(f"{given!r} is neither a sled file nor a sled known here ({', '.join(sleds) or 'none'})")
    file = read_sled(path)
    if sleds.setdefault(file.sled.name, file) != file:
        raise UserError(f"{given} describes {file.sled.name!r} differently from the sled file known already")
    return file.sled.name


def _rig(given: str | None, folder: Path, rigs: dict[str, RigFile]) -> str | None:
    if not given:
        return None
    name = str(folder / given)
    if name not in rigs:
        rigs[name] = read_rig(folder / given)
    return name
