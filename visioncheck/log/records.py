"""The list of records beside the database: what was written, so that an older database put back is noticed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.log.chain import ENTRY, TAG, TAKEN_IN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from visioncheck.log.chain import Link

FILE_NAME = "records.txt"
_KINDS = {ENTRY: "entry", TAG: "tag", TAKEN_IN: "taken-in"}
_KINDS_BACK = {word: kind for kind, word in _KINDS.items()}
_HASH_LETTERS = 64


@dataclass(frozen=True, slots=True)
class Noted:
    """One line: number, kind, name and hash of a record's link."""

    number: int
    kind: str
    name: str
    sha256: str


def append(folder: Path, links: Sequence[Link]) -> None:
    """Note records that were just written.

    The list may lag behind the database, as after a crash: what it lacks, the chain in the database covers from the
    next record on. So a list that cannot be written stops nothing.
    """
    # a line that was broken off before ends here, because each begins with its own line break
    text = "".join(f"\n{each.number} {_KINDS[each.kind]} {each.name} {each.sha256}" for each in links)
    try:
        descriptor = os.open(folder / FILE_NAME, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o666)
        try:
            os.write(descriptor, text.encode())
        finally:
            os.close(descriptor)
    except OSError:
        return


def read(folder: Path) -> tuple[list[Noted], int] | None:
    """Read the list: its lines, and how many are damaged; None where there is no list."""
    try:
        lines = (folder / FILE_NAME).read_text("ascii", errors="replace").split("\n")
    except OSError:
        return None
    parsed = [_parsed(line) for line in lines if line]
    noted = [each for each in parsed if each is not None]
    return noted, len(parsed) - len(noted)


def _parsed(line: str) -> Noted | None:
    words = line.split(" ")
    if len(words) != 4 or not words[0].isdecimal() or words[1] not in _KINDS_BACK:
        return None
    number, kind, name, sha256 = words
    if len(number) > 12 or len(sha256) != _HASH_LETTERS:
        return None
    return Noted(int(number), _KINDS_BACK[kind], name, sha256)
