"""Repeated photos in a folder, measured and laid out for a gauge study.

A folder that holds photos is one piece, and the folder above it one person::

    FOLDER/PERSON/PIECE/*.jpg     several persons
    FOLDER/PIECE/*.jpg            one person
    FOLDER/*.jpg                  one person, the pieces told apart by their tags

A nested study has a folder for each laying within one for each cut, within one for each sled if there are several::

    FOLDER/SLED/CUT/LAYING/*.jpg
    FOLDER/CUT/LAYING/*.jpg
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.files import bounded_bytes
from visioncheck.photo.load import PHOTO_SUFFIXES
from visioncheck.present.naming import error_sentence
from visioncheck.present.questions import question_sentence
from visioncheck.study.words import Nested

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future
    from pathlib import Path

    from visioncheck.measuring.request import MeasureRequest

_DEEPEST = 3
_NESTED_DEPTHS = (3, 4)


@dataclass(frozen=True)
class StudyPhoto:
    """One photo of a study: which piece it shows and who took it; an empty `piece` is left to the tag.

    In a nested study `piece` is the cut's folder, `sled` and `laying` those above and below it.
    """

    path: Path
    piece: str
    person: str = ""
    sled: str = ""
    laying: str = ""


@dataclass(frozen=True)
class StudyReading:
    """What one photo gave: a fence error (deg) and the piece's tag, or the reason why not."""

    photo: StudyPhoto
    error_deg: float | None = None
    tag_id: int | None = None
    problem: str = ""


@dataclass(frozen=True)
class Laid:
    """Readings for the study (piece, person, fence error in deg), and the photos that have no part in it."""

    readings: tuple[tuple[str, str, float], ...]
    refused: tuple[StudyReading, ...]
    left_out: tuple[StudyReading, ...]


def find_study_photos(folder: Path, *, nested: bool = False) -> list[StudyPhoto]:
    """Find a study's photos, in order of their names; `nested`: with folders for sleds, cuts and layings.

    Raises
    ------
    UserError
        There is no such folder, no photo in it, photos lie at different depths, or one is there twice.
    """
    if not folder.is_dir():
        raise UserError(f"{folder} is no folder; give the folder of the study's photos")
    paths = sorted(
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in PHOTO_SUFFIXES and path.is_file() and not path.name.startswith(".")
    )
    if not paths:
        raise UserError(f"The folder {folder} holds no photos; lay them out as FOLDER/PERSON/PIECE/*.jpg")
    depths = {len(path.relative_to(folder).parts) for path in paths}
    if nested:
        return _nested_photos(folder, paths, depths)
    if len(depths) > 1 or max(depths) > _DEEPEST:
        raise UserError(
            f"The photos in {folder} lie at different or too great depths; lay them out as FOLDER/PERSON/PIECE/*.jpg,"
            " or FOLDER/PIECE/*.jpg for one person"
        )
    _check_copies(paths)
    found = []
    for path in paths:
        *persons, piece = ("", *path.relative_to(folder).parts[:-1])
        found.append(StudyPhoto(path, piece, persons[-1] if persons else ""))
    return found


def _nested_photos(folder: Path, paths: Sequence[Path], depths: set[int]) -> list[StudyPhoto]:
    if len(depths) > 1 or not depths <= set(_NESTED_DEPTHS):
        raise UserError(
            f"the photos in {folder} lie at different depths, or not in layings within cuts; lay them out as"
            " FOLDER/CUT/LAYING/*.jpg, or FOLDER/SLED/CUT/LAYING/*.jpg for several sleds"
        )
    _check_copies(paths)
    found = []
    for path in paths:
        *sleds, cut, laying = path.relative_to(folder).parts[:-1]
        sled = sleds[0] if sleds else ""
        found.append(StudyPhoto(path, f"{sled}/{cut}" if sled else cut, sled=sled, laying=laying))
    return found


def _check_copies(paths: Sequence[Path]) -> None:
    """A photo counted twice would repeat without any spread."""
    seen: dict[bytes, Path] = {}
    for path in paths:
        try:
            content = sha256(bounded_bytes(path, checks.PHOTO_MOST_BYTES)).digest()
        except OSError as error:
            raise UserError(f"The photo {path} cannot be read ({error.strerror}); check it") from None
        if content in seen:
            raise UserError(f"{path} is a copy of {seen[content]}; every repeat must be a photo of its own")
        seen[content] = path


def read_photo(photo: StudyPhoto, ask: Callable[[Path], MeasureRequest]) -> StudyReading:
    """Measure one photo, with what `ask` adds to it; one that cannot be measured is a reading with a problem."""
    from visioncheck.measuring.measure import measure_piece

    outcome = measure_piece(ask(photo.path))
    if outcome.measured is None:
        assert outcome.problem is not None  # one of the two
        return StudyReading(photo, problem=error_sentence(outcome.problem))
    reading = outcome.measured.reading
    if not photo.piece:
        if reading.tag_id is None:
            return StudyReading(photo, problem=f"{photo.path.name}: neither a tag nor a folder says which piece it is.")
        photo = replace(photo, piece=f"tag {reading.tag_id}")
    if reading.fence_error is None:
        assert reading.question is not None  # one of the two
        return StudyReading(photo, problem=f"{photo.path.name}: {question_sentence(reading.question)}")
    return StudyReading(photo, reading.fence_error.value, reading.tag_id)


def settled(photo: StudyPhoto, future: Future[StudyReading]) -> StudyReading:
    """Take the reading that a process of its own has made; one that died on the photo is a problem of it."""
    problem = future.exception()
    if problem is None:
        return future.result()
    return StudyReading(photo, problem=f"{photo.path.name}: the measuring failed on it ({problem!r}).")


def lay_out(readings: Sequence[StudyReading]) -> Laid:
    """Balance a study: every person's every piece counts as often as the one with the fewest readings.

    Raises
    ------
    UserError
        A piece that someone did not photograph, or fewer than two readings somewhere.
    """
    readings = _without_strangers(sorted(readings, key=lambda reading: reading.photo.path))
    cells: dict[tuple[str, str], list[StudyReading]] = {}
    refused = tuple(reading for reading in readings if reading.error_deg is None)
    for reading in readings:
        if reading.error_deg is not None:
            cells.setdefault((reading.photo.piece, reading.photo.person), []).append(reading)
    pieces = dict.fromkeys(reading.photo.piece for reading in readings if reading.photo.piece)
    persons = dict.fromkeys(reading.photo.person for reading in readings)
    counts = {(piece, person): len(cells.get((piece, person), ())) for piece in pieces for person in persons}
    fewest = min(counts, key=lambda cell: counts[cell], default=("", ""))
    if len(pieces) < 2 or counts[fewest] < 2:
        raise UserError(_too_few(len(pieces), fewest, counts.get(fewest, 0), refused))
    trials = counts[fewest]
    used = [reading for cell in counts for reading in cells[cell][:trials]]
    left_out = tuple(reading for cell in counts for reading in cells[cell][trials:])
    return Laid(
        tuple((each.photo.piece, each.photo.person, each.error_deg) for each in used if each.error_deg is not None),
        refused,
        left_out,
    )


def lay_out_nested(readings: Sequence[StudyReading]) -> tuple[Nested, tuple[StudyReading, ...]]:
    """Take what was read for a nested study, in any number at each place; and the photos that have no part in it."""
    readings = _without_strangers(sorted(readings, key=lambda reading: reading.photo.path))
    used = tuple(
        ((each.photo.sled, each.photo.piece, each.photo.laying), each.error_deg)
        for each in readings
        if each.error_deg is not None
    )
    return Nested(used, "the photos"), tuple(each for each in readings if each.error_deg is None)


def _too_few(pieces: int, cell: tuple[str, str], count: int, refused: Sequence[StudyReading]) -> str:
    first = f"; the first photo refused: {refused[0].problem}" if refused else ""
    if pieces < 2:
        return f"a study needs at least 2 pieces, each photographed at least twice; here is {pieces}{first}"
    by = f" by {cell[1]}" if cell[1] else ""
    return f"piece {cell[0]} has {count} usable photos{by}; a study needs at least 2 of every piece by everyone{first}"


def _without_strangers(readings: Sequence[StudyReading]) -> list[StudyReading]:
    """A photo whose tag is not the one of its piece shows another piece."""
    tags: dict[str, Counter[int]] = {}
    for reading in readings:
        if reading.tag_id is not None:
            tags.setdefault(reading.photo.piece, Counter())[reading.tag_id] += 1
    kept = []
    for reading in readings:
        usual = tags[reading.photo.piece].most_common(1)[0][0] if reading.photo.piece in tags else None
        if reading.tag_id in {None, usual}:
            kept.append(reading)
            continue
        name = reading.photo.path.name
        said = f"{name}: shows tag {reading.tag_id}, the other photos of piece {reading.photo.piece} tag {usual}."
        kept.append(StudyReading(reading.photo, problem=said))
    return kept
