"""The log as CSV or JSON and back: everything but the photos' own bytes, which stay files."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, Any, TextIO

from visioncheck.errors import UserError
from visioncheck.log.entry import CONTENT, Entry, content_of, digest_of, sha256_text
from visioncheck.log.photos import PhotoFile, read_photo
from visioncheck.log.store import Log, entry_of_content, short

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

# one record is an entry, a rig's or sled's text, or a line of the table of tags
FIELDS = ("record", *CONTENT, "digest", "sha256", "text", "tag")
_NUMBERS = ("fence_error_deg", "fence_error_u_deg", "fence_error_dof")
_OPTIONAL = (*_NUMBERS, "photo_sha256", "photo_suffix", "rig_sha256", "sled_sha256", "corrects")
_FIELDS_OF = {"entry": (*CONTENT, "digest"), "document": ("sha256", "text"), "tag": ("tag", "sled")}


def export_json(log: Log, stream: TextIO) -> None:
    """Write the log as one JSON list, a record a line."""
    stream.write("[")
    for number, record in enumerate(_records(log)):
        stream.write(",\n" if number else "\n")
        json.dump(record, stream, ensure_ascii=False, allow_nan=False)
    stream.write("\n]\n")


def export_csv(log: Log, stream: TextIO) -> None:
    """Write the log as CSV (RFC 4180), the entries first; open `stream` with ``newline=""``."""
    writer = csv.DictWriter(stream, FIELDS)
    writer.writeheader()
    writer.writerows(_records(log))


def import_json(log: Log, stream: TextIO, photos: Path | None = None) -> int:
    """Add the entries of an export; all of them, or none with the reason.

    Entries that the log has already are passed over, so that two logs can be merged.

    Parameters
    ----------
    log : Log
        Where they go; a new log, or one that has some of them.
    stream : TextIO
        What `export_json` wrote.
    photos : Path or None
        The ``photos`` folder of the log that was exported; None: the photos stand in this log's already.

    Returns
    -------
    int
        Number of entries added.

    Raises
    ------
    UserError
        A malformed or damaged export, or a photo that cannot be found.
    """
    try:
        records = json.load(stream)
    except ValueError as error:
        raise UserError(f"The export is not JSON ({error}); export the log again.") from error
    if not isinstance(records, list) or not all(isinstance(record, dict) for record in records):
        raise UserError("The export is not a list of records; export the log again.")
    return _import(log, records, photos)


def import_csv(log: Log, stream: TextIO, photos: Path | None = None) -> int:
    """As `import_json`, from what `export_csv` wrote."""
    usual = csv.field_size_limit(2**31 - 1)  # a rig's covariance is one long field
    try:
        return _import(log, [_typed(record) for record in csv.DictReader(stream, strict=True)], photos)
    except (csv.Error, ValueError) as error:
        raise UserError(f"The export is not usable as CSV ({error}); export the log again.") from error
    finally:
        csv.field_size_limit(usual)


def _records(log: Log) -> Iterator[dict[str, Any]]:
    # one transaction, so that what is written while exporting cannot tear the export
    log.connection.execute("BEGIN")
    try:
        for entry in log.entries():
            yield {"record": "entry", **content_of(entry), "digest": entry.digest}
        for sha256, text in log.connection.execute("SELECT sha256, text FROM document ORDER BY sha256"):
            yield {"record": "document", "sha256": sha256, "text": text}
        for tag, sled in log.tags().items():
            yield {"record": "tag", "tag": tag, "sled": sled}
    finally:
        log.connection.execute("ROLLBACK")


def _typed(record: dict[str, str]) -> dict[str, Any]:
    """Give back the types that CSV has not."""
    typed: dict[str, Any] = {key: value for key, value in record.items() if key in FIELDS}
    for name in _OPTIONAL:
        typed[name] = typed.get(name) or None
    for name in _NUMBERS:
        typed[name] = None if typed[name] is None else float(typed[name])
    if typed.get("record") == "tag":
        typed["tag"] = int(typed["tag"])
    return typed


def _import(log: Log, records: Iterable[dict[str, Any]], photos: Path | None) -> int:
    sorted_records: dict[str, list[dict[str, Any]]] = {"document": [], "tag": [], "entry": []}
    for number, record in enumerate(records, 1):
        kind = record.get("record")
        if kind not in sorted_records or any(name not in record for name in _FIELDS_OF[kind]):
            raise UserError(f"Record {number} of the export is incomplete; export the log again.")
        sorted_records[kind].append(record)
    entries = [_entry(record) for record in sorted_records["entry"]]
    with log.writing(f"nothing was imported into the log {log.folder}") as placed:
        for record in sorted_records["document"]:
            _put_document(log, record)
        for record in sorted_records["tag"]:
            log.put_tag(record["tag"], record["sled"])
        fresh = [entry for entry in entries if not _has(log, entry)]
        for entry in fresh:
            _put_photos(log, entry, photos, placed)
            log.put_entry(entry)
    return len(fresh)


def _entry(record: dict[str, Any]) -> Entry:
    try:
        entry = entry_of_content({name: record[name] for name in CONTENT}, digest=record["digest"])
        whole = digest_of(content_of(entry)) == entry.digest
    except (ValueError, TypeError) as error:
        raise UserError(f"Entry {record['id']!r} of the export is damaged ({error}); export the log again.") from error
    if not whole:
        raise UserError(f"Entry {entry.id!r} of the export was changed after it was written; export the log again.")
    return entry


def _has(log: Log, entry: Entry) -> bool:
    found = log.connection.execute("SELECT digest FROM entry WHERE id = ?", (entry.id,)).fetchone()
    if found is not None and found[0] != entry.digest:
        raise UserError(f"The log {log.folder} has another entry {short(entry.id)}; run log check on both logs.")
    return found is not None


def _put_document(log: Log, record: dict[str, Any]) -> None:
    if sha256_text(record["text"]) != record["sha256"]:
        raise UserError(f"The rig or sled text {record['sha256']} of the export is damaged; export the log again.")
    log.put_document(record["text"])


def _put_photos(log: Log, entry: Entry, photos: Path | None, placed: list[PhotoFile]) -> None:
    for sha256, suffix in entry.photos:
        kept = log.photos.path(sha256, suffix)
        source = kept if photos is None else photos / kept.parent.name / kept.name
        if not source.is_file():
            raise UserError(
                f"Photo {source} of entry {short(entry.id)} is not there; name the photos folder of the exported log."
            )
        photo = read_photo(source)
        if photo.sha256 != sha256:
            raise UserError(f"Photo {source} of entry {short(entry.id)} is damaged; find a good copy of it first.")
        if log.photos.put(photo):
            placed.append(photo)
