"""The log as CSV or JSON: everything but the photos' own bytes, which stay files."""

from __future__ import annotations

import csv
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TextIO

from visioncheck.errors import UserError
from visioncheck.files import as_cell, from_cell
from visioncheck.log import chain, schema
from visioncheck.log.entry import CONTENT, Entry, content_digest, entry_content, sha256_text
from visioncheck.log.rows import entry_of_content, entry_of_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from visioncheck.log.store import Log

# one record is an entry, a rig's or sled's text, a line of the table of tags, a link of the chain, or its head
_LINK = ("number", "kind", "name", "digest", "previous", "sha256")
FIELDS = ("record", *CONTENT, "digest", "sha256", "text", "tag", "number", "name", "previous", "count")
_FLOATS = ("fence_error_deg", "fence_error_u_deg", "fence_error_dof")
_INTEGERS = {"tag": ("tag",), "link": ("number",), "head": ("count",)}
_OPTIONAL = (*_FLOATS, "photo_sha256", "photo_suffix", "rig_sha256", "sled_sha256", "corrects")
_FIELDS_OF = {
    "entry": (*CONTENT, "digest"),
    "document": ("sha256", "text"),
    "tag": ("tag", "sled"),
    "link": _LINK,
    "head": ("count", "sha256"),
}


def export_json(log: Log, stream: TextIO) -> None:
    """Write the log as one JSON list, a record a line.

    Raises
    ------
    UserError
        An entry is damaged: an export is whole or there is none.
    """
    stream.write("[")
    for number, record in enumerate(_records(log)):
        stream.write(",\n" if number else "\n")
        json.dump(record, stream, ensure_ascii=False, allow_nan=False)
    stream.write("\n]\n")


def export_csv(log: Log, stream: TextIO) -> None:
    """Write the log as CSV (RFC 4180), the entries first; open `stream` with ``newline=""``.

    Raises
    ------
    UserError
        As for `export_json`.
    """
    writer = csv.DictWriter(stream, FIELDS)
    writer.writeheader()
    writer.writerows({key: as_cell(value) for key, value in record.items()} for record in _records(log))


def read_json(stream: TextIO) -> Exported:
    """Read what `export_json` wrote.

    Raises
    ------
    UserError
        It is malformed, damaged, or lacks a record.
    """
    try:
        records = json.load(stream)
    except (ValueError, RecursionError) as error:
        raise UserError(f"The export is not JSON ({error}); export the log again.") from error
    if not isinstance(records, list) or not all(isinstance(record, dict) for record in records):
        raise UserError("The export is not a list of records; export the log again.")
    return Exported(records)


def read_csv(stream: TextIO) -> Exported:
    """As `read_json`, from what `export_csv` wrote."""
    usual = csv.field_size_limit(2**31 - 1)  # a rig's covariance is one long field
    try:
        return Exported([_typed(record) for record in csv.DictReader(stream, strict=True)])
    except (csv.Error, ValueError, TypeError, KeyError) as error:
        raise UserError(f"The export is not usable as CSV ({error}); export the log again.") from error
    finally:
        csv.field_size_limit(usual)


class Exported:
    """A log's export, whole and in itself consistent.

    Parameters
    ----------
    records : iterable of dict
        Its records, in any order.

    Attributes
    ----------
    texts : list of str
        The rigs' and sleds' files.
    tags : dict of int to str
        Which tag belongs to which sled.
    entries : dict of str to Entry
        By id; in the order written where the export has the chain, and each before what corrects it.
    links : tuple of Link
        The chain; empty in an export of before there was one, of which nothing tells whether it is all there.

    Raises
    ------
    UserError
        A record is incomplete, damaged or missing.
    """

    def __init__(self, records: Iterable[dict[str, Any]]) -> None:
        sorted_records: dict[str, list[dict[str, Any]]] = {kind: [] for kind in _FIELDS_OF}
        for number, record in enumerate(records, 1):
            kind = record.get("record")
            if kind not in sorted_records or any(name not in record for name in _FIELDS_OF[kind]):
                raise UserError(f"Record {number} of the export is incomplete; export the log again.")
            sorted_records[kind].append(record)
        self.texts = [_text(record) for record in sorted_records["document"]]
        self.tags = dict(map(_tag, sorted_records["tag"]))
        self.links = _chain(sorted_records["link"], sorted_records["head"])
        self.entries = self._ordered([_entry(record) for record in sorted_records["entry"]])

    def _ordered(self, entries: list[Entry]) -> dict[str, Entry]:
        found = {entry.id: entry for entry in sorted(entries, key=lambda entry: entry.written)}
        if not self.links:
            return found
        linked = {link.name: link for link in self.links if link.kind == chain.ENTRY}
        for id_, entry in found.items():
            if id_ not in linked or linked[id_].digest != entry.digest:
                raise UserError(f"Entry {id_!r} of the export is not in its chain; export the log again.")
        for link in self.links:
            lacking = link.kind == chain.ENTRY and link.name not in found
            if lacking or (link.kind == chain.TAG and link.name not in map(str, self.tags)):
                raise UserError(f"The {link.words} was taken out of the export after it was written; export again.")
        return {id_: found[id_] for id_ in linked}


def _records(log: Log) -> Iterator[dict[str, Any]]:
    # one transaction, so that what is written while exporting cannot tear the export
    log.connection.execute("BEGIN")
    seen = set[str]()
    try:
        for row in log.rows():
            entry = entry_of_row(row)
            if content_digest(entry_content(entry)) != entry.digest:
                raise UserError(f"Entry {entry.id[:8]} of the log {log.folder} is damaged; run log check.")
            seen.add(entry.id)
            yield {"record": "entry", **entry_content(entry), "digest": entry.digest}
        for sha256, text in log.connection.execute("SELECT sha256, text FROM document ORDER BY sha256"):
            yield {"record": "document", "sha256": sha256, "text": text}
        for tag, sled in log.tags().items():
            yield {"record": "tag", "tag": tag, "sled": sled}
        for link in log.links():
            if link.kind == chain.ENTRY and link.name not in seen:
                raise UserError(f"The {link.words} is missing from the log {log.folder}; run log check.")
            yield {"record": "link", **asdict(link)}
        last = schema.last_link(log.connection)
        if last is not None:
            yield {"record": "head", "count": last.number, "sha256": last.sha256}
    finally:
        log.connection.execute("ROLLBACK")


def _typed(record: dict[str, str]) -> dict[str, Any]:
    """Give back the types that CSV has not."""
    typed: dict[str, Any] = {key: from_cell(value) for key, value in record.items() if key in FIELDS}
    for name in _OPTIONAL:
        typed[name] = typed.get(name) or None
    for name in _FLOATS:
        typed[name] = None if typed[name] is None else float(typed[name])
    for name in _INTEGERS.get(str(typed.get("record")), ()):
        typed[name] = int(typed[name])
    return typed


def _entry(record: dict[str, Any]) -> Entry:
    try:
        entry = entry_of_content({name: record[name] for name in CONTENT}, digest=record["digest"])
    except UserError as problem:
        raise UserError(f"In the export: {problem}; export the log again.") from problem
    if content_digest(entry_content(entry)) != entry.digest:
        raise UserError(f"Entry {entry.id!r} of the export was changed after it was written; export the log again.")
    return entry


def _text(record: dict[str, Any]) -> str:
    text = record["text"]
    if not isinstance(text, str) or sha256_text(text) != record["sha256"]:
        raise UserError(f"The rig or sled text {record['sha256']} of the export is damaged; export the log again.")
    return text


def _tag(record: dict[str, Any]) -> tuple[int, str]:
    tag, sled = record["tag"], record["sled"]
    if not isinstance(tag, int) or not 0 <= tag < 2**31 or not isinstance(sled, str) or not sled.strip():
        raise UserError(f"The line of tag {tag!r} of the export is damaged; export the log again.")
    return tag, sled


def _chain(records: list[dict[str, Any]], heads: list[dict[str, Any]]) -> tuple[chain.Link, ...]:
    try:
        links = tuple(chain.Link(**{name: record[name] for name in _LINK}) for record in records)
        links = tuple(sorted(links, key=lambda link: link.number))
        whole = all(link.is_whole for link in links) and next(chain.gaps(links), None) is None
    except TypeError:
        whole = False
    head = [(record["count"], record["sha256"]) for record in heads]
    if not whole or head != [(link.number, link.sha256) for link in links[-1:]]:
        raise UserError("The export's chain of records is broken: something was taken out of it; export the log again.")
    return links
