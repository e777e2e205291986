"""The sleds and rigs that the page can choose from: its owner's files, and what the log remembers."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.log.store import Log
from visioncheck.measuring.request import SledFile, read_sled, sled_in_log

if TYPE_CHECKING:
    from pathlib import Path


def short_key(name: str) -> str:
    """A short name of our own for a sled's or file's name, to stand in addresses and forms."""
    return hashlib.sha256(name.encode()).hexdigest()[:12]


@dataclass(frozen=True)
class Sleds:
    """The sleds, by their key in the order of their names, and what is wrong with other sled files."""

    by_key: dict[str, SledFile]
    problems: tuple[str, ...] = ()


def find_sleds(folder: Path, log_folder: Path) -> Sleds:
    """Sled files of a folder; and, for sleds without one there, the newest text that the log keeps."""
    found: dict[str, SledFile] = {}
    problems = []
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        try:
            file = read_sled(path)
        except UserError as problem:
            problems.append(str(problem))
            continue
        if short_key(file.sled.name) in found:
            problems.append(
                f"{path.name}: another file there has the same sled name, {file.sled.name}; give it its own"
            )
            continue
        found[short_key(file.sled.name)] = file
    with Log.open(log_folder, readonly=True) as log:
        for name in log.sleds():
            kept = sled_in_log(log, name) if short_key(name) not in found else None
            if kept is not None:
                found[short_key(name)] = kept
    return Sleds(dict(sorted(found.items(), key=lambda item: item[1].sled.name)), tuple(problems))


@dataclass(frozen=True)
class RigChoice:
    """A rig that can be chosen: its file's name in the rigs' folder, and what the user knows it by."""

    file: str
    label: str


def find_rigs(folder: Path) -> dict[str, RigChoice]:
    """Rigs of a folder by their key, the newest survey first; whole checks come when one is used."""
    found = []
    for path in sorted(folder.glob("*.json")) if folder.is_dir() else []:
        try:
            content = json.loads(path.read_bytes())
            if content.get("kind") != "visioncheck rig":
                continue
            phone = content["phone"].get("model") or "phone"
            date = str(content["date"])[:16].replace("T", " ")
            label = f"{phone}, {content['paper']} {content['field']}, {date}"
        except (OSError, ValueError, KeyError, AttributeError, TypeError):
            continue
        found.append((str(content["date"]), RigChoice(path.name, label)))
    return {short_key(choice.file): choice for _, choice in sorted(found, key=lambda item: item[0], reverse=True)}
