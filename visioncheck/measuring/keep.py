"""A measured piece into the log, with all that it was read with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.errors import InputError, UserError
from visioncheck.log.adjusting import require_after
from visioncheck.log.entry import EntryDraft
from visioncheck.log.photos import read_photo, taken

if TYPE_CHECKING:
    from datetime import datetime

    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry
    from visioncheck.log.photos import PhotoFile
    from visioncheck.log.store import Log
    from visioncheck.measuring.measure import Outcome


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
    file: PhotoFile | None = None,
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
        From `measure_piece`, with a sled.
    person, note, adjusted, time
        See `EntryDraft`; without `time` the photo's own.
    now : Moment or None
        That `adjusted` is being noted as done just now, so that the photo must be of after it; None: it is a record of
        old, whose times are its user's business.
    corrects : str or None
        Id of the entry that this one stands in for, whatever photo that was of; None: of this photo's, if there is one.
    file : PhotoFile or None
        The photo's bytes, where they were read with the measuring; None: they are read here.

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
    request = outcome.request
    if request.sled_file is None:
        raise InputError(
            "sled", "Say which sled was read: <sled>, a sled's file (visioncheck sled NEW.toml writes one)"
        )
    sled, rig = request.sled_file, request.rig_file
    photo = file or read_photo(request.photo)
    if photo.sha256 != outcome.reading["photo_sha256"]:
        raise UserError("was changed after it was measured; measure it again").of(request.photo)
    when = taken(photo.data)
    if now is not None and time is None:
        time = require_after(log, sled.sled.name, photo.sha256, when, adjusted, now)
    draft = EntryDraft(
        sled=sled.sled.name,
        reading=outcome.reading,
        time=when,
        file_name=request.photo.name,
        rig_text=rig.text if rig else None,
        sled_text=sled.text,
        corrects=corrects,
    )
    given = {"person": person, "note": note, "adjusted": adjusted, "time": time}
    said = {key: value for key, value in given.items() if value}
    more = [] if request.turned is None else [read_photo(request.turned)]
    return log.attach_once(draft, photo, said, more)
