"""One entry of the calibration log: a reading, where it came from and what was done to the sled."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from visioncheck.quantity import Quantity
from visioncheck.results.schema_1 import brought_up

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.results.model import Result

KINDS = ("photo", "typed")
# what came of a measurement; only a measured fence error has a sign and may be charted
STATUSES = ("measured", "refused", "sign unknown")

# key of a reading's JSON object: photos that were read together with the entry's own
MORE_PHOTOS = "more_photos"
# the adjustment before the reading, as structure; see `visioncheck.log.adjustment`
ADJUSTMENT = "adjustment"


@dataclass(frozen=True, slots=True)
class EntryDraft:
    """What a new entry is to say; the log adds its id and the time of writing.

    Attributes
    ----------
    sled : str
        The sled's name.
    reading : Mapping
        The JSON object of one measurement, kept whole.
    kind : str
        ``"photo"`` or ``"typed"`` (readings typed in from callipers).
    time : datetime or None
        When the test cut was read; None: now.
    photo_sha256 : str or None
        A photo that the log keeps already, for an entry that corrects an older one.
    file_name : str
        The photo's own name, as the user knows it.
    rig_text, sled_text : str or None
        The rig and sled files as they were.
    adjusted : str
        What was changed on the sled since the reading before this one; empty: nothing.
    corrects : str or None
        Id of the older entry that this one stands in for.
    """

    sled: str
    reading: Mapping[str, Any]
    kind: str = "photo"
    time: datetime | None = None
    photo_sha256: str | None = None
    file_name: str = ""
    rig_text: str | None = None
    sled_text: str | None = None
    person: str = ""
    note: str = ""
    adjusted: str = ""
    corrects: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry as the log keeps it; never edited.

    Attributes
    ----------
    id : str
        32 hexadecimal digits; any unique beginning names it to the user.
    time, written : datetime
        When the test cut was read, and when the entry was written; UTC.
    photo_sha256, photo_suffix : str or None
        The photo's hash and file ending; None for a typed reading.
    reading_json : str
        The measurement's JSON object as text (`reading` parses it).
    fence_error_deg, fence_error_u_deg, fence_error_dof : float or None
        Copied out of the reading for charts; None where the reading has no fence error.
        The degrees of freedom are None where they are not finite.
    rig_sha256, sled_sha256 : str or None
        Names of the rig's and sled's text (`Log.document`).
    corrected_by : str or None
        Id of the later entry that stands in for this one. Not part of `digest`.
    digest : str
        SHA-256 over all the rest, to find a damaged row.
    """

    id: str
    time: datetime
    written: datetime
    sled: str
    kind: str
    photo_sha256: str | None
    photo_suffix: str | None
    file_name: str
    fence_error_deg: float | None
    fence_error_u_deg: float | None
    fence_error_dof: float | None
    rig_sha256: str | None
    sled_sha256: str | None
    person: str
    note: str
    adjusted: str
    corrects: str | None
    reading_json: str
    digest: str = ""
    corrected_by: str | None = field(default=None, compare=False)
    _parsed: dict[str, Any] | None = field(default=None, init=False, repr=False, compare=False)

    @property
    def reading(self) -> dict[str, Any]:
        """The measurement's JSON object as schema 2 has it, parsed once; do not change it."""
        if self._parsed is None:
            object.__setattr__(self, "_parsed", brought_up(json.loads(self.reading_json)))
        parsed: dict[str, Any] = self._parsed or {}
        return parsed

    @property
    def result(self) -> Result:
        """The reading as data, by kind."""
        from visioncheck.results.from_json import result_from_json

        return result_from_json(self.reading)

    @property
    def photos(self) -> list[tuple[str, str]]:
        """Hash and file ending of every photo behind the reading, the one that the entry is of first."""
        if self.photo_sha256 is None or self.photo_suffix is None:
            return []
        more = self.reading.get(MORE_PHOTOS, []) if MORE_PHOTOS in self.reading_json else []
        return [(self.photo_sha256, self.photo_suffix), *((each["sha256"], each["suffix"]) for each in more)]

    @property
    def fence_error(self) -> Quantity | None:
        """The fence error in degrees, or None where the reading has none."""
        if self.fence_error_deg is None or self.fence_error_u_deg is None:
            return None
        dof = math.inf if self.fence_error_dof is None else self.fence_error_dof
        return Quantity(self.fence_error_deg, self.fence_error_u_deg, "deg", dof)


# what the digest covers and an export carries, in this order
CONTENT = tuple(name for name in Entry.__dataclass_fields__ if name not in {"digest", "corrected_by", "_parsed"})


def entry_content(entry: Entry) -> dict[str, Any]:
    """List the entry's own content, with times as text: what is hashed, stored and exported."""
    content = {name: getattr(entry, name) for name in CONTENT}
    content["time"] = utc_text(entry.time)
    content["written"] = utc_text(entry.written)
    return content


def content_digest(content: Mapping[str, Any]) -> str:
    """SHA-256 over `content`; a damaged byte anywhere in it gives another digest."""
    text = json.dumps([content[name] for name in CONTENT], ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def utc_text(time: datetime) -> str:
    """ISO 8601 in UTC with fixed width, so that text order is time order."""
    return time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def sha256_text(text: str) -> str:
    """SHA-256 of a text's UTF-8 bytes."""
    return hashlib.sha256(text.encode()).hexdigest()


def tag_digest(tag: int, sled: str) -> str:
    """SHA-256 of one line of the table of tags."""
    return sha256_text(f"{tag} {sled}")
