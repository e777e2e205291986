"""The chain of a log's records: each one's hash covers the hash of the one before, so that none can go unnoticed."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

# what a record is: an entry (corrections and withdrawals are entries too), a line of the table of tags, or the mark
# that all records before the next one after it were there before the log was chained
ENTRY, TAG, TAKEN_IN = "entry", "tag", "taken in"


@dataclass(frozen=True, slots=True)
class Link:
    """One record's place in the chain (a linked time-stamp: Haber and Stornetta, 1991, from memory).

    Attributes
    ----------
    number : int
        1, 2, 3 … in the order written.
    kind, name : str
        `ENTRY` and the entry's id; `TAG` and the tag's number; `TAKEN_IN` and how many records follow that were there
        before.
    digest : str
        The record's own hash.
    previous : str
        Hash of the link before; empty for the first.
    sha256 : str
        Hash of all that.
    """

    number: int
    kind: str
    name: str
    digest: str
    previous: str
    sha256: str

    @property
    def is_whole(self) -> bool:
        """Whether the hash is that of the rest."""
        try:
            return self.sha256 == _hash(self.number, self.kind, self.name, self.digest, self.previous)
        except (TypeError, ValueError):  # bytes, or letters that are none, in a damaged file
            return False

    @property
    def words(self) -> str:
        """What messages call the record."""
        if self.kind == TAKEN_IN:
            return "the mark of when the log was first chained"
        return f"{self.kind} {self.name[:8]}"


def next_link(last: Link | None, kind: str, name: str, digest: str) -> Link:
    """Chain a record to the last one (None: it is the first)."""
    number, previous = (1, "") if last is None else (last.number + 1, last.sha256)
    return Link(number, kind, name, digest, previous, _hash(number, kind, name, digest, previous))


def _hash(number: int, kind: str, name: str, digest: str, previous: str) -> str:
    text = json.dumps([number, kind, name, digest, previous], ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Gap:
    """Where the chain is broken.

    Attributes
    ----------
    first, last : int
        Numbers of the records missing; `last` below `first` where none is missing and the two neighbours do not
        fit together.
    """

    first: int
    last: int


def gaps(links: Iterable[Link]) -> Iterator[Gap]:
    """Find where records are missing, or where two that follow each other were not written one after the other.

    Parameters
    ----------
    links : iterable of Link
        In order of number; links that are damaged themselves left out.
    """
    number, sha256 = 0, ""
    for link in links:
        if link.number != number + 1:
            yield Gap(number + 1, link.number - 1)
        elif link.previous != sha256:
            yield Gap(link.number, number)
        number, sha256 = link.number, link.sha256
