"""``visioncheck log attach``: a reading into the log, with its photo, or in place of an earlier entry."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry, EntryDraft
    from visioncheck.log.store import Log
    from visioncheck.measuring.request import RigFile, SledFile

LogFolder = Annotated[Path, typer.Argument(metavar="LOG", help="The log's folder.")]
TIME_HELP = "such as 2026-03-01 or 2026-03-01T14:30"
_WHICH_SLED = "Say which sled was read with --sled SLED.toml (visioncheck sled NEW.toml writes one)."


@dataclass(frozen=True, slots=True)
class _Given:
    """What was typed, read from its files: each None where it was not said."""

    photo: Path | None
    reading_file: Path | None
    reading: dict[str, Any] | None
    rig: Path | None
    rig_text: str | None
    person: str | None
    note: str | None
    adjusted: str | None
    time: datetime | None
    taken_after: bool
    corrects: str | None
    withdraw: str | None

    @property
    def beside(self) -> dict[str, Any]:
        """What was said beside the reading."""
        every = {"person": self.person, "note": self.note, "adjusted": self.adjusted, "time": self.time}
        return {key: value for key, value in every.items() if value}


def attach(
    log: LogFolder,
    photo: Annotated[Path | None, typer.Argument(metavar="[PHOTO]", help="The photo; none for typed readings.")] = None,
    reading: Annotated[
        Path | None, typer.Option(metavar="READING.json", help="What measure --json or reckon --json printed.")
    ] = None,
    sled: Annotated[
        str | None, typer.Option(metavar="SLED.toml|NAME", help="Sled file, or a sled's name that the log has.")
    ] = None,
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="Rig file the photo was read with.")] = None,
    person: Annotated[str | None, typer.Option(help="Who took the photo or the reading.")] = None,
    note: Annotated[str | None, typer.Option(help="Anything worth remembering.")] = None,
    adjusted: Annotated[
        str | None, typer.Option(help="What you changed on the sled since the reading before this one.")
    ] = None,
    time: Annotated[
        str | None, typer.Option(help=f"When it was read, {TIME_HELP}; else the photo's own time, or now.")
    ] = None,
    taken_after: Annotated[
        bool,
        typer.Option(
            "--taken-after", help="With --adjusted: taken after it for certain, whatever the photo's time says."
        ),
    ] = False,
    corrects: Annotated[
        str | None, typer.Option(metavar="ID", help="Entry that this one stands in for; the rest is taken from it.")
    ] = None,
    withdraw: Annotated[
        str | None, typer.Option(metavar="REASON", help="With --corrects: that entry's reading counts no longer.")
    ] = None,
) -> None:
    """Add a reading, with its photo, to the log; makes the log when there is none.

    Without --reading the photo is measured here; where there is more to say of the piece (--cuts and so on), use
    measure --log.
    """
    from visioncheck.files import read_text
    from visioncheck.log.store import Log

    if withdraw is not None and (corrects is None or any((reading, photo, rig, sled))):
        raise UserError("--withdraw goes with --corrects ID, and without a photo, --reading, --rig or --sled.")
    if taken_after and not adjusted:
        raise UserError("--taken-after is about --adjusted; say what you changed with it, or leave it out.")
    if rig is not None and photo is None and corrects is None:
        raise UserError(f"--rig {rig} has no effect on a typed reading; leave it out.")
    given = _Given(
        photo=photo,
        reading_file=reading,
        reading=None if reading is None else _read_reading(reading, photo),
        rig=rig,
        rig_text=None if rig is None else read_text(rig, "rig file"),
        person=person,
        note=note,
        adjusted=adjusted,
        time=None if time is None else parse_time("--time", time),
        taken_after=taken_after,
        corrects=corrects,
        withdraw=withdraw,
    )
    with Log.open(log, create=corrects is None) as open_log:
        name, file = (None, None) if sled is None else _sled_file(open_log, sled)
        if photo is not None and reading is None:
            _measure_and_attach(open_log, given, photo, file)
        else:
            typer.echo(_format_attached(open_log, _attach_as_given(open_log, given, name, file)))


def _attach_as_given(log: Log, given: _Given, name: str | None, file: SledFile | None) -> Entry:
    from visioncheck.log.adjusting import Moment
    from visioncheck.log.photos import read_photo

    draft = replace(_start(log, given), **_changes(given, name, file))
    if not draft.sled:
        raise UserError(_WHICH_SLED)
    what = f"The reading {given.reading_file}" if given.reading_file else "The entry's reading"
    _require_own(draft, given.photo, what)
    _require_as_assumed(draft.reading, file)
    if given.photo is None or given.corrects is not None:
        return log.attach(draft, given.photo)
    if given.time is None:
        draft = _of_after(log, draft, given.photo, Moment(is_sure=given.taken_after))
    return log.attach_once(draft, read_photo(given.photo), given.beside)


def _changes(given: _Given, name: str | None, file: SledFile | None) -> dict[str, Any]:
    """What was said, over what the entry to be corrected says."""
    from visioncheck.log.photos import taken

    changes: dict[str, Any] = {"person": given.person, "note": given.note, "adjusted": given.adjusted}
    changes |= {"reading": given.reading, "rig_text": given.rig_text}
    changes |= {"sled": name, "sled_text": file.text if file else None}
    if given.reading is not None:
        changes["kind"] = "typed" if given.photo is None else "photo"
    if given.photo is not None:
        changes |= {"file_name": given.photo.name, "time": taken(given.photo)}
    if given.time is not None:
        changes["time"] = given.time
    return {key: value for key, value in changes.items() if value is not None}


def _require_as_assumed(found: Mapping[str, Any], file: SledFile | None) -> None:
    """A reading made without a sled took its sides as usual; another sled's would turn its sign."""
    assumed = found.get("assumed")
    if file is None or not isinstance(assumed, dict):
        return
    own = {"fence": file.sled.fence_side, "piece_side": file.sled.piece_side}
    for key, what in (("fence", "the fence at the"), ("piece_side", "the piece from the blade's")):
        if assumed.get(key, own[key]) != own[key]:
            raise UserError(
                f"The reading was made without a sled, with {what} {assumed[key]}, and {file.sled.name} has it"
                f" {own[key]}; make it again with --sled"
            )


def _read_reading(path: Path, photo: Path | None) -> dict[str, Any]:
    """Read one measurement's object; out of a list, the one of this photo."""
    from visioncheck.files import read_text

    try:
        found = json.loads(read_text(path, "reading file"))
    except (ValueError, RecursionError) as error:
        raise UserError(f"{path} is not JSON ({error}); make it with measure --json or reckon --json.") from error
    readings = found if isinstance(found, list) else [found]
    if not all(isinstance(reading, dict) for reading in readings):
        raise UserError(f"{path} is no reading; make it with measure --json or reckon --json.")
    if len(readings) > 1 and photo is not None:
        readings = [reading for reading in readings if Path(str(reading.get("photo"))).name == photo.name]
    if len(readings) != 1:
        raise UserError(f"{path} has {len(readings)} readings for this entry; give one, with the photo that it is of.")
    reading: dict[str, Any] = readings[0]
    own = reading.get("photo")
    if own is not None and (photo is None or Path(str(own)).name != photo.name):
        raise UserError(f"{path} is the reading of the photo {own}; give that photo.")
    if own is None and photo is not None:
        raise UserError(f"{path} is a typed reading, not one of a photo; leave the photo {photo} out.")
    return reading


def _start(log: Log, given: _Given) -> EntryDraft:
    """Start from the entry to be corrected, or from nothing."""
    from visioncheck.log.drafts import draft_from_entry
    from visioncheck.log.entry import EntryDraft
    from visioncheck.results.as_json import withdrawn_json
    from visioncheck.results.model import WithdrawnResult

    if given.corrects is None:
        if given.reading is None:
            raise UserError("Give a photo to be measured, or a reading: --reading READING.json, from reckon --json.")
        return EntryDraft("", {})
    old = log.get(given.corrects)
    draft = draft_from_entry(log, old)
    if given.withdraw is not None:
        # an entry of a day still to come may be taken back, but not kept there
        time = None if old.time > datetime.now(UTC) else old.time
        return replace(
            draft, reading=withdrawn_json(WithdrawnResult(given.withdraw, draft.reading.get("photo"))), time=time
        )
    if given.reading is not None and given.photo is None and old.photo_sha256 is not None:
        raise UserError(
            f"Entry {old.id[:8]} is of the photo {old.file_name}, and {given.reading_file} is a typed reading; "
            "withdraw the entry, and attach the typed reading on its own."
        )
    return draft


def _sled_file(log: Log, given: str) -> tuple[str, SledFile | None]:
    """Name and file of a sled: read now, or as the log kept it last (None: without a file)."""
    from visioncheck.measuring.request import read_sled, sled_in_log

    path = Path(given)
    if path.is_file():
        file = read_sled(path)
        return file.sled.name, file
    if given in log.sleds():
        return given, sled_in_log(log, given)
    known = ", ".join(log.sleds()) or "none"
    raise UserError(f"--sled {given} is neither a file nor a sled in the log {log.folder} (there: {known}).")


def _measure_and_attach(log: Log, given: _Given, photo: Path, sled: SledFile | None) -> None:
    from visioncheck.log.adjusting import Moment
    from visioncheck.measuring.keep import attach_outcome
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.request import MeasureRequest, read_rig
    from visioncheck.present.questions import format_reason

    rig = None if given.rig is None else read_rig(given.rig)
    old = None if given.corrects is None else log.get(given.corrects)
    if old is not None:
        sled, rig = sled or _kept_sled(log, old), rig or _kept_rig(log, old)
    if sled is None:
        raise UserError(_WHICH_SLED)
    outcome = measure_piece(MeasureRequest(photo, sled_file=sled, rig_file=rig))
    now = Moment(is_sure=given.taken_after)
    entry = attach_outcome(log, outcome, **given.beside, now=now, corrects=None if old is None else old.id)
    typer.echo(_format_attached(log, entry))
    if entry.fence_error is None:
        typer.echo(f"No fence error yet: {format_reason(outcome.result)} Answer it with visioncheck measure … --log.")


def _kept_sled(log: Log, entry: Entry) -> SledFile | None:
    from visioncheck.measuring.request import SledFile
    from visioncheck.sled.file import parse_sled

    text = log.document(entry.sled_sha256)
    return None if text is None else SledFile(parse_sled(text, f"the sled's file of entry {entry.id[:8]}"), text)


def _kept_rig(log: Log, entry: Entry) -> RigFile | None:
    from visioncheck.camera.rig_file import parse_rig
    from visioncheck.measuring.request import RigFile

    text = log.document(entry.rig_sha256)
    return None if text is None else RigFile(parse_rig(text, f"the rig of entry {entry.id[:8]}"), text)


def _of_after(log: Log, draft: EntryDraft, photo: Path, now: Moment) -> EntryDraft:
    """Require that a photo shows the sled after what is noted as adjusted with it."""
    from visioncheck.log.adjusting import require_after
    from visioncheck.log.photos import read_photo

    time = require_after(log, draft.sled, read_photo(photo).sha256, draft.time, draft.adjusted, now)
    return draft if time is None else replace(draft, time=time)


def _format_attached(log: Log, entry: Entry) -> str:
    instead = f" It stands in for {entry.corrects[:8]}." if entry.corrects else ""
    return f"Entry {entry.id[:8]} of {entry.sled} is in the log {log.folder}.{instead}"


def _require_own(draft: EntryDraft, photo: Path | None, what: str) -> None:
    """Refuse a reading that names another sled, rig or photo than those it is to be kept with.

    The sled's fence and the rig's print are in the reading's numbers and signs: another file cannot be put under it.
    """
    from visioncheck.log.entry import sha256_text
    from visioncheck.log.photos import read_photo

    found, again = draft.reading, "measure the photo again with measure --log, or give the one used"
    if found.get("sled") not in {None, draft.sled}:
        raise UserError(f"{what} was made for the sled {found['sled']}, not {draft.sled}; {again}.")
    if draft.rig_text is not None and found.get("rig_sha256") not in {None, sha256_text(draft.rig_text)}:
        raise UserError(f"{what} was made with another rig file, or the file was changed since; {again}.")
    if photo is not None and found.get("photo_sha256") not in {None, read_photo(photo).sha256}:
        raise UserError(f"{what} was made from another photo than {photo}; {again}.")


def parse_time(option: str, text: str) -> datetime:
    """Read a time as typed; raises UserError with the option's name."""
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise UserError(f"{option} {text!r} is no time; write it {TIME_HELP}.") from error
