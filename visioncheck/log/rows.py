"""From a draft to an entry, and from a row of the database or of an export to one."""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeGuard

from visioncheck.errors import UserError
from visioncheck.log.entry import CONTENT, KINDS, Entry, content_digest, entry_content, sha256_text
from visioncheck.log.sound import fence_error_columns, reading_text, require_expanded, require_time

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.log.entry import EntryDraft
    from visioncheck.log.photos import PhotoFile

_NUMBERS = ("fence_error_deg", "fence_error_u_deg", "fence_error_dof")
_MAY_LACK = (*_NUMBERS, "photo_sha256", "photo_suffix", "rig_sha256", "sled_sha256", "corrects")


class DamagedEntryError(UserError):
    """A row that gives no entry.

    Parameters
    ----------
    id_ : str
        Its id, as far as it can be read.
    why : str
        What is wrong with it.
    """

    def __init__(self, id_: str, why: str) -> None:
        super().__init__(f"Entry {id_} is damaged: {why}")
        self.why = why


def short(id_: str) -> str:
    """Shorten an id to its first eight characters, as users see it."""
    return id_[:8]


def entry_of_row(row: tuple[Any, ...]) -> Entry:
    """Build the entry of one row of the database (columns as `CONTENT`, digest, corrected_by).

    Raises
    ------
    UserError
        The row is damaged so that it gives no entry.
    """
    content: dict[str, Any] = dict(zip(CONTENT, row, strict=False))
    return entry_of_content(content, digest=row[-2], corrected_by=row[-1])


def entry_of_content(content: Mapping[str, Any], *, digest: str, corrected_by: str | None = None) -> Entry:
    """Build the entry with this content (times as text).

    Raises
    ------
    UserError
        The content is of the wrong kinds, or its reading no JSON object.
    """
    try:
        for name, value in content.items():
            _require_kind(name, value)
        times = {name: datetime.fromisoformat(content[name]) for name in ("time", "written")}
        entry = Entry(**{**content, **times}, digest=str(digest), corrected_by=corrected_by)
        _require_parts(entry)
    except (ValueError, TypeError, OverflowError, RecursionError) as error:
        raise DamagedEntryError(printable(short(str(content.get("id")))), printable(str(error))) from error
    return entry


def _require_parts(entry: Entry) -> None:
    if not entry.time.tzinfo or not entry.written.tzinfo:
        raise ValueError("its times have no zone")
    if not isinstance(entry.reading, dict):
        raise TypeError("it holds no reading")


def _require_kind(name: str, value: object) -> None:
    if value is None and name in _MAY_LACK:
        return
    kinds = (int, float) if name in _NUMBERS else (str,)
    if not isinstance(value, kinds) or isinstance(value, bool):
        raise TypeError(f"its {name} is no {'number' if name in _NUMBERS else 'text'}")
    if isinstance(value, str):
        value.encode()  # bytes that were no UTF-8 raise here


def printable(text: str) -> str:
    """Replace what no terminal can show in a damaged text."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def new_entry(draft: EntryDraft, file: PhotoFile | None = None, kept_suffix: str | None = None) -> Entry:
    """Build the entry that a draft asks for, with a new id and its digest.

    Parameters
    ----------
    draft : EntryDraft
        What the entry says.
    file : PhotoFile or None
        Its photo, read from the disk.
    kept_suffix : str or None
        File ending of the photo that the log keeps already (`EntryDraft.photo_sha256`).

    Raises
    ------
    UserError
        An unusable draft.
    """
    _require_whole(draft, file)
    now = datetime.now(UTC)
    text = reading_text(draft.reading)
    value, u, dof = fence_error_columns(draft.reading)
    require_expanded(draft.reading)
    entry = Entry(
        id=uuid.uuid4().hex,
        time=now if draft.time is None else draft.time.astimezone(UTC),
        written=now,
        sled=draft.sled,
        kind=draft.kind,
        photo_sha256=draft.photo_sha256 if file is None else file.sha256,
        photo_suffix=kept_suffix if file is None else file.suffix,
        file_name=draft.file_name,
        fence_error_deg=value,
        fence_error_u_deg=u,
        fence_error_dof=dof,
        rig_sha256=None if draft.rig_text is None else sha256_text(draft.rig_text),
        sled_sha256=None if draft.sled_text is None else sha256_text(draft.sled_text),
        person=draft.person,
        note=draft.note,
        adjusted=draft.adjusted,
        corrects=draft.corrects,
        reading_json=text,
    )
    require_time(entry.time, f"The photo {draft.file_name}" if draft.file_name else "The reading")
    return replace(entry, digest=content_digest(entry_content(entry)))


def _require_whole(draft: EntryDraft, file: PhotoFile | None) -> None:
    if not draft.sled.strip():
        raise UserError("An entry of the log needs the sled's name; give the sled file.")
    if draft.kind not in KINDS:
        raise UserError(f'An entry is of kind "photo" or "typed", not {draft.kind!r}.')
    has_photo = file is not None or draft.photo_sha256 is not None
    if has_photo != (draft.kind == "photo"):
        raise UserError("A photo's reading is logged with its photo, and a typed reading without one.")
    for name in ("sled", "file_name", "person", "note", "adjusted"):
        _require_text(name, getattr(draft, name))


def _require_text(name: str, text: str) -> None:
    try:
        text.encode()
    except UnicodeEncodeError:
        raise UserError(
            f"The entry's {name.replace('_', ' ')} {printable(text)} holds bytes that are no text; write it anew."
        ) from None


def says_the_same(new: Entry, old: Entry) -> bool:
    """Whether two entries say the same of one photo: all alike but id, hash, history and file name, and rounding.

    The last digits of a reading depend on the order in which a computer adds up.
    """
    own = ("id", "written", "corrects", "file_name", "digest", *_NUMBERS, "reading_json")
    return replace(new, **{name: getattr(old, name) for name in own}) == old and is_alike(new.reading, old.reading)


def is_alike(one: object, other: object) -> bool:
    """Whether two JSON values are equal within rounding: numbers within 1e-6 of their size or 1e-7 (deg, mm, 1)."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(is_alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(is_alike, one, other))
    if isinstance(one, float) or isinstance(other, float):
        return _is_number(one) and _is_number(other) and abs(one - other) <= 1e-7 + 1e-6 * abs(one)
    return type(one) is type(other) and one == other


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
