"""Whether all that was ever written to a log is still there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.log import chain, records
from visioncheck.log.problem import Problem
from visioncheck.log.rows import short

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from visioncheck.log.inventory import Inventory

_MOST_NAMED = 6


def chain_problems(found: Inventory) -> Iterator[Problem]:
    """Hold the chain against the entries and tags, and against itself."""
    damaged = {link.number for link in found.links if not link.is_whole}
    for number in sorted(damaged):
        yield Problem("chain", f"Record {number} of the chain is damaged: its content no longer gives its hash.")
    for gap in chain.gaps(link for link in found.links if link.number not in damaged):
        numbers = set(range(gap.first, min(gap.last, gap.first + 100_000) + 1))
        if gap.last < gap.first:
            yield Problem("chain", f"Records {gap.last} and {gap.first} of the chain do not follow each other.")
        elif not numbers <= damaged:
            yield Problem("missing record", f"{_numbered(gap.first, gap.last)} missing from the chain.")
    yield from _entry_problems(found, damaged)
    yield from _tag_problems(found, damaged)


def _entry_problems(found: Inventory, damaged: set[int]) -> Iterator[Problem]:
    chained = {link.name: link for link in found.links if link.kind == chain.ENTRY}
    for name, link in chained.items():
        if link.number in damaged:
            continue
        if name not in found.digests:
            yield Problem("missing record", f"Entry {short(name)} (record {link.number}) was written and is missing.")
        elif found.digests[name] != link.digest and name not in found.damaged:
            yield Problem("row", f"Entry {short(name)} is not the one that was written as record {link.number}.")
    if found.is_chained and not damaged:
        for id_ in found.digests.keys() - chained.keys():
            yield Problem("chain", f"Entry {short(id_)} has no place in the chain.")


def _tag_problems(found: Inventory, damaged: set[int]) -> Iterator[Problem]:
    newest = {link.name: link for link in found.links if link.kind == chain.TAG and link.number not in damaged}
    tags = {str(tag): digest for tag, digest in found.tags.items()}
    for name, link in newest.items():
        if name not in tags:
            yield Problem("tag", f"The line of tag {name} is missing; assign the tag again.")
        elif tags[name] != link.digest and not damaged:
            yield Problem("tag", f"The line of tag {name} is not the one that was written last; assign the tag again.")
    if found.is_chained and not damaged:
        for name in tags.keys() - newest.keys():
            yield Problem("tag", f"The line of tag {name} has no place in the chain; assign the tag again.")


def list_problems(folder: Path, found: Inventory) -> Iterator[Problem]:
    """Hold the database against the list of records beside it: what it names was written."""
    path = folder / records.FILE_NAME
    listed = records.read(folder)
    if listed is None:
        if found.links:
            why = "nothing beside the database tells whether records are missing at its end"
            yield Problem("list", f"{path} is missing, so {why}; the next writing makes it again.", path)
        return
    noted, damaged = listed
    if damaged:
        yield Problem("list", f"{path} has {damaged} damaged line{'s' if damaged > 1 else ''}.", path)
    lost = _lost(noted, found)
    if lost:
        names = [f"{each.kind} {short(each.name)}" for each in lost[:_MOST_NAMED]]
        more = f" and {len(lost) - _MOST_NAMED} more" if len(lost) > _MOST_NAMED else ""
        yield Problem(
            "missing record",
            f"Written and missing from the database: {', '.join(names)}{more}. An older database was put back, or its "
            "write-ahead file was removed; restore the newest backup.",
        )


def _lost(noted: Sequence[records.Noted], found: Inventory) -> list[records.Noted]:
    hashes = {link.sha256 for link in found.links}
    last = max((link.number for link in found.links), default=0)
    lost = dict[tuple[str, str], records.Noted]()
    for each in noted:
        if each.sha256 in hashes or (each.kind == chain.ENTRY and each.name in found.digests):
            continue
        if each.kind == chain.ENTRY or (each.kind == chain.TAG and each.number > last):
            lost[each.kind, each.name] = each
    return list(lost.values())


def _numbered(first: int, last: int) -> str:
    return f"Record {first} is" if first == last else f"Records {first} to {last} are"
