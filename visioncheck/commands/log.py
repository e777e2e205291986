"""``visioncheck log``: the calibration log of your sleds."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry, EntryDraft
    from visioncheck.log.standing import Standing
    from visioncheck.log.store import Listed, Log
    from visioncheck.log.trend import Point
    from visioncheck.measuring.keep import SledFile
    from visioncheck.sled.model import Sled

LogFolder = Annotated[Path, typer.Argument(metavar="LOG", help="The log's folder.")]
SledName = Annotated[str | None, typer.Option("--sled", metavar="NAME", help="This sled alone.")]
_WHICH_SLED = "Say which sled was read with --sled SLED.toml (visioncheck sled NEW.toml writes one)."
_TIME_HELP = "such as 2026-03-01 or 2026-03-01T14:30"

log_app = typer.Typer(help="Keep, list and chart the readings of your sleds.", no_args_is_help=True)


@log_app.command()
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
        str | None, typer.Option(help=f"When it was read, {_TIME_HELP}; else the photo's own time, or now.")
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
    from visioncheck.log.adjusting import Moment
    from visioncheck.log.store import Log

    if withdraw is not None and (corrects is None or reading is not None):
        raise UserError("--withdraw goes with --corrects ID and without --reading: it takes back that entry's reading.")
    changes: dict[str, Any] = {"person": person, "note": note, "adjusted": adjusted}
    if reading is not None:
        changes |= {"reading": _read_reading(reading, photo), "kind": "typed" if photo is None else "photo"}
    if photo is not None:
        changes |= _photo_changes(photo)
    if time is not None:
        changes["time"] = _parse_time("--time", time)
    if rig is not None:
        changes["rig_text"] = read_text(rig, "rig file")
    with Log.open(log, create=corrects is None) as open_log:
        name, file = (None, None) if sled is None else _sled_file(open_log, sled)
        if photo is not None and reading is None and corrects is None:
            said = {"person": person or "", "note": note or "", "adjusted": adjusted or ""}
            said_time = None if time is None else changes["time"]
            now = Moment(is_sure=taken_after)
            _measure_and_attach(open_log, photo, file, rig, {**said, "time": said_time, "now": now})
            return
        draft = _start(open_log, corrects, has_reading=reading is not None)
        changes |= {"sled": name, "sled_text": file.text if file else None}
        if withdraw is not None:
            changes["reading"] = _withdrawn(draft.reading, withdraw)
        draft = replace(draft, **{key: value for key, value in changes.items() if value is not None})
        if not draft.sled:
            raise UserError(_WHICH_SLED)
        _require_own(draft, photo, f"The reading {reading}" if reading else "The entry's reading")
        _require_as_assumed(draft.reading, file)
        if photo is not None and corrects is None and time is None:
            draft = _of_after(open_log, draft, photo, Moment(is_sure=taken_after))
        entry = open_log.attach(draft, photo)
        typer.echo(_attached_words(open_log, entry))


def _require_as_assumed(found: Mapping[str, Any], file: SledFile | None) -> None:
    """A reading made without a sled took its sides as usual; another sled's would turn its sign."""
    assumed = found.get("assumed")
    if file is None or not isinstance(assumed, dict):
        return
    own = {"fence": file.sled.fence_side, "piece_side": file.sled.piece_side}
    for key, what in (("fence", "the fence at the"), ("piece_side", "the piece from the blade's")):
        if assumed.get(key, own[key]) != own[key]:
            raise UserError(
                f"the reading was made without a sled, with {what} {assumed[key]}, and {file.sled.name} has it"
                f" {own[key]}; make it again with --sled"
            )


@log_app.command("list")
def list_entries(
    log: LogFolder,
    sled: SledName = None,
    since: Annotated[str | None, typer.Option(help=f"From this time on, {_TIME_HELP}.")] = None,
    last: Annotated[int | None, typer.Option(min=1, help="Only the newest so many.")] = None,
) -> None:
    """List the entries, oldest first; corrected ones are marked."""
    from visioncheck.log.store import Log

    start = None if since is None else _parse_time("--since", since)
    with Log.open(log, readonly=True) as open_log:
        if sled is not None:
            open_log.require_sled(sled)
        # print, not typer.echo: that one hands every line to the system by itself
        print(f"{'id':8}  {'time':16}  {'fence error, 95 %':18}  sled, person, note")
        for entry in open_log.listed(sled=sled, since=start, limit=last):
            print(_list_line(entry))


@log_app.command()
def show(
    log: LogFolder,
    entry_id: Annotated[str, typer.Argument(metavar="ID", help="The entry's id; its beginning is enough.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Show one entry with all that was kept with it."""
    from visioncheck.log.entry import content_of
    from visioncheck.log.standing import standing_of
    from visioncheck.log.store import Log
    from visioncheck.present.correction import without_move

    with Log.open(log, readonly=True) as open_log:
        entry = open_log.get(entry_id)
        photos = open_log.photo_paths(entry)
        standing = standing_of(entry, open_log.entries(sled=entry.sled))
        if as_json:
            content = {**content_of(entry), "corrected_by": entry.corrected_by, "reading": entry.reading}
            del content["reading_json"]
            content["sled_file"] = open_log.document(entry.sled_sha256)
            content["rig_file"] = open_log.document(entry.rig_sha256)
            content["standing"] = asdict(standing)
            if not standing.counts and "correction" in content["reading"]:
                content["reading"]["correction"] = without_move(content["reading"]["correction"])
            content["photo_paths"] = [str(photo) for photo in photos]
            typer.echo(json.dumps(content, indent=2, ensure_ascii=False))
            return
        for label, text in _shown(entry, photos, standing):
            typer.echo(f"{label:12} {text}")


@log_app.command()
def trend(
    log: LogFolder,
    sled: SledName = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="CHART", help="Also draw it: a .png or .svg file.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say whether a sled has stayed square since it was last adjusted, and chart it."""
    from visioncheck.log.standing import pending_adjustment
    from visioncheck.log.store import Log
    from visioncheck.log.trend import assess, points_of
    from visioncheck.present.trend import pending_words, trend_json, trend_words

    if output is not None and output.suffix.lower() not in {".png", ".svg"}:
        raise UserError(f"{output} must end in .png or .svg.")
    with Log.open(log, readonly=True) as open_log:
        names = open_log.sleds() if sled is None else [sled]
        if sled is not None:
            open_log.require_sled(sled)
        if output is not None and len(names) != 1:
            raise UserError(f"The log has {len(names)} sleds ({', '.join(names)}); choose one with --sled to chart it.")
        found: dict[str, Any] = {}
        for name in names:
            entries = list(open_log.entries(sled=name))
            points, owner = points_of(entries), _owner(open_log, name)
            units, pending = owner.units if owner else "mm", pending_adjustment(entries)
            found[name] = trend_json(assess(points)) | ({"adjusted_since": pending} if pending else {})
            if not as_json:
                said = [*trend_words(assess(points), units), *pending_words(pending)]
                typer.echo(f"{name}: {' '.join(said)}")
            if output is not None:
                _draw(output, points, name, owner)
    if as_json:
        typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
    elif output is not None:
        typer.echo(f"Wrote {output}.")


@log_app.command()
def tag(
    log: LogFolder,
    number: Annotated[int | None, typer.Argument(metavar="[TAG]", help="Number of the piece tag.")] = None,
    sled: Annotated[str | None, typer.Argument(metavar="[SLED]", help="Name of the sled it belongs to.")] = None,
) -> None:
    """Say which sled's pieces carry a tag; without a tag, list what is known."""
    from visioncheck.log.store import Log

    if number is None:
        with Log.open(log, readonly=True) as open_log:
            for known, name in open_log.tags().items():
                typer.echo(f"{known:4}  {name}")
        return
    if sled is None or not sled.strip() or number < 0:
        raise UserError("Give the tag's number and the sled's name: log tag LOG 7 'Long sled'.")
    with Log.open(log, create=True) as open_log:
        open_log.assign_tag(number, sled.strip())
    typer.echo(f"Pieces with tag {number} come from {sled.strip()}.")


@log_app.command()
def export(
    log: LogFolder,
    output: Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="A .json or .csv file.")],
) -> None:
    """Write the whole log but its photos to one file, from which import rebuilds it."""
    import io

    from visioncheck.files import write_whole
    from visioncheck.log.exchange import export_csv, export_json
    from visioncheck.log.store import Log

    write = {".json": export_json, ".csv": export_csv}.get(output.suffix.lower())
    if write is None:
        raise UserError(f"{output} must end in .json or .csv.")
    stream = io.StringIO(newline="")
    with Log.open(log, readonly=True) as open_log:
        write(open_log, stream)
    write_whole(output, stream.getvalue().encode())
    typer.echo(f"Wrote {output}; the photos stay in {log / 'photos'}.")


@log_app.command("import")
def import_entries(
    log: LogFolder,
    source: Annotated[Path, typer.Argument(metavar="FILE", help="What export wrote.")],
    photos: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="The exported log's photos folder, unless it is this log's.")
    ] = None,
) -> None:
    """Add an exported log's entries: all of them, or none with the reason."""
    import io

    from visioncheck.files import read_text
    from visioncheck.log.exchange import import_csv, import_json
    from visioncheck.log.store import Log

    read = {".json": import_json, ".csv": import_csv}.get(source.suffix.lower())
    if read is None:
        raise UserError(f"{source} must end in .json or .csv.")
    text = read_text(source, "export file")
    with Log.open(log, create=True) as open_log:
        count = read(open_log, io.StringIO(text, newline=""), photos)
    typer.echo(f"Added {count} entries to the log {log}.")


@log_app.command()
def check(
    log: LogFolder,
    clean: Annotated[bool, typer.Option("--clean", help="Remove what broken-off writes left behind.")] = False,
) -> None:
    """Check every hash, row and file of the log; exit code 1 when something is wrong."""
    from visioncheck.log.check import check as look
    from visioncheck.log.check import clean as clear
    from visioncheck.log.store import Log

    with Log.open(log, readonly=not clean) as open_log:
        for path in clear(open_log) if clean else []:
            typer.echo(f"Removed {path}.")
        problems = list(look(open_log))
    for problem in problems:
        typer.echo(problem.what)
    if any(problem.is_harmless for problem in problems):
        typer.echo(f"What a broken-off write left harms nothing; remove it with: visioncheck log check {log} --clean")
    if problems:
        raise typer.Exit(1)
    typer.echo(f"The log {log} is whole.")


def _read_reading(path: Path, photo: Path | None) -> dict[str, Any]:
    """Read one measurement's object; out of a list, the one of this photo."""
    from visioncheck.files import read_text

    try:
        found = json.loads(read_text(path, "reading file"))
    except ValueError as error:
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


def _draft_of(log: Log, old: Entry) -> EntryDraft:
    """Take everything from an older entry, to change what was wrong in it."""
    from visioncheck.log.entry import EntryDraft

    return EntryDraft(
        sled=old.sled,
        reading=old.reading,
        kind=old.kind,
        time=old.time,
        photo_sha256=old.photo_sha256,
        file_name=old.file_name,
        rig_text=log.document(old.rig_sha256),
        sled_text=log.document(old.sled_sha256),
        person=old.person,
        note=old.note,
        adjusted=old.adjusted,
        corrects=old.id,
    )


def _start(log: Log, corrects: str | None, *, has_reading: bool) -> EntryDraft:
    """Start from the entry to be corrected, or from nothing."""
    from visioncheck.log.entry import EntryDraft

    if corrects is not None:
        return _draft_of(log, log.get(corrects))
    if not has_reading:
        raise UserError("Give a photo to be measured, or a reading: --reading READING.json, from reckon --json.")
    return EntryDraft("", {})


def _photo_changes(photo: Path) -> dict[str, Any]:
    from visioncheck.log.photos import taken

    return {"kind": "photo", "file_name": photo.name, "time": taken(photo)}


def _withdrawn(reading: Any, reason: str) -> dict[str, Any]:
    kept = {"photo": reading["photo"]} if "photo" in reading else {}
    return {"schema": 1, **kept, "status": "refused", "reason": f"withdrawn: {reason}"}


def _sled_file(log: Log, given: str) -> tuple[str, SledFile | None]:
    """Name and file of a sled: read now, or as the log kept it last (None: without a file)."""
    from visioncheck.measuring.keep import read_sled, sled_in_log

    path = Path(given)
    if path.is_file():
        file = read_sled(path)
        return file.sled.name, file
    if given in log.sleds():
        return given, sled_in_log(log, given)
    known = ", ".join(log.sleds()) or "none"
    raise UserError(f"--sled {given} is neither a file nor a sled in the log {log.folder} (there: {known}).")


def _measure_and_attach(log: Log, photo: Path, sled: SledFile | None, rig: Path | None, said: dict[str, Any]) -> None:
    from visioncheck.measuring.keep import attach_outcome, measure_for_log, read_rig

    if sled is None:
        raise UserError(_WHICH_SLED)
    outcome = measure_for_log(photo, sled, read_rig(rig) if rig else None)
    entry = attach_outcome(log, outcome, **said)
    typer.echo(_attached_words(log, entry))
    if entry.fence_error is None:
        typer.echo(f"No fence error yet: {outcome.reading['reason']} Answer it with visioncheck measure … --log.")


def _of_after(log: Log, draft: EntryDraft, photo: Path, now: Moment) -> EntryDraft:
    """Require that a photo shows the sled after what is noted as adjusted with it."""
    from visioncheck.log.adjusting import require_after
    from visioncheck.log.photos import read_photo

    time = require_after(log, draft.sled, read_photo(photo).sha256, draft.time, draft.adjusted, now)
    return draft if time is None else replace(draft, time=time)


def _attached_words(log: Log, entry: Entry) -> str:
    return f"Entry {entry.id[:8]} of {entry.sled} is in the log {log.folder}."


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


def _owner(log: Log, name: str) -> Sled | None:
    from visioncheck.measuring.keep import sled_in_log

    file = sled_in_log(log, name)
    return file.sled if file else None


def _parse_time(option: str, text: str) -> datetime:
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise UserError(f"{option} {text!r} is no time; write it {_TIME_HELP}.") from error


def _draw(output: Path, points: list[Point], name: str, sled: Sled | None) -> None:
    from visioncheck.files import write_whole
    from visioncheck.present.trend_chart import chart_bytes, draw_chart

    figure = draw_chart(points, name, sled.tolerance_deg if sled else None, sled.units if sled else "mm")
    write_whole(output, chart_bytes(figure, output.suffix))


def _list_line(entry: Listed) -> str:
    said = "none"
    if entry.fence_error_deg is not None:
        said = f"{entry.fence_error_deg:+.3f}° ± {_expanded(entry):.3f}°"
    marks = [mark for mark in (entry.person, entry.note) if mark]
    if entry.adjusted:
        marks.append(f"adjusted: {entry.adjusted}")
    if entry.corrects:
        marks.append(f"corrects {entry.corrects[:8]}")
    if entry.corrected_by:
        marks.append(f"CORRECTED by {entry.corrected_by[:8]}")
    text = ", ".join([entry.sled, *marks]).replace("\n", " ")
    return f"{entry.id[:8]}  {datetime.fromisoformat(entry.time).astimezone():%Y-%m-%d %H:%M}  {said:18}  {text}"


def _expanded(entry: Listed) -> float:
    if entry.fence_error_expanded_deg is not None:
        return entry.fence_error_expanded_deg
    from visioncheck.quantity import Quantity

    dof = math.inf if entry.fence_error_dof is None else entry.fence_error_dof
    return Quantity(entry.fence_error_deg or 0.0, entry.fence_error_u_deg or 0.0, "deg", dof).expanded()


def _shown(entry: Entry, photos: list[Path], standing: Standing) -> list[tuple[str, str]]:
    from visioncheck.present.correction import error_words

    reading, error = entry.reading, entry.fence_error
    read, written = (f"{when.astimezone():%Y-%m-%d %H:%M}" for when in (entry.time, entry.written))
    lines = [
        ("Entry", entry.id),
        ("Sled", entry.sled),
        ("Read", f"{read} ({entry.kind}), written {written}"),
        ("Fence", "no fence error in this reading" if error is None else error_words(error)),
        ("Status", str(reading["status"]) + (f": {reading['reason']}" if reading.get("reason") else "")),
        ("Photo", f"{photos[0]} (was {entry.file_name})" if photos else "none"),
        *(("Read with", str(photo)) for photo in photos[1:]),
        ("Person", entry.person),
        ("Note", entry.note),
        ("Adjusted", entry.adjusted),
        ("Since then", _since_words(standing)),
        ("Corrects", entry.corrects or ""),
        ("Corrected by", entry.corrected_by or ""),
        ("Flags", ", ".join(str(flag) for flag in reading.get("flags", []))),
    ]
    return [(label, text) for label, text in lines if text]


def _since_words(standing: Standing) -> str:
    """Say why this entry is not the one to go by; empty where it is."""
    if standing.state == "adjusted":
        return f"adjusted ({standing.adjusted}): this reading orders no move any more"
    return f"the newest reading is {standing.newer[:8]}" if standing.state == "older" and standing.newer else ""


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(log_app, name="log")
