"""Readings of logs from before schema 2, whose questions and refusals were sentences: brought up to schema 2."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

_WITHDRAWN = "withdrawn: "
_EDGES = ("top", "bottom", "left", "right")
_ENDS = r"--fence-edge (\w+) or (\w+)"
# what schema 1 asked with, the longest first; the choices are in the words where there are none here
_QUESTIONS: tuple[tuple[re.Pattern[str], str, tuple[str, ...]], ...] = (
    (re.compile("^Is this a panel cut all round .* or an offcut"), "kind", ("panel", "corner")),
    (re.compile("^Which edge lay on the fence"), "fence edge", _EDGES),
    (re.compile("^Which edge was cut first"), "first edge", _EDGES),
    (re.compile("^How many successive cuts"), "cuts", ()),
    (re.compile(f"^Which end of the strip.*{_ENDS}"), "strip end", ()),
    (re.compile(f"^Which half was turned over, as they lay.*{_ENDS}"), "half and straightedge", ()),
    (re.compile("^Which half was turned over, as they lay"), "turned half", ("left", "right")),
    (re.compile(f"^At which end of the gap.*{_ENDS}"), "straightedge", ()),
)


def brought_up(found: Mapping[str, Any]) -> dict[str, Any]:
    """Give a reading's JSON object as schema 2 has it; one of schema 2 as it is.

    The sentences that schema 1 kept stay as they were told, where no code says the same.
    """
    if found.get("schema") != 1:
        return dict(found)
    kept = {key: value for key, value in found.items() if key not in {"reason", "notes"}}
    reason = str(found.get("reason") or "")
    kept |= {"schema": 2, "kind": _kind(found, reason)}
    if kept["kind"] == "withdrawn":
        kept["withdrawn"] = reason.removeprefix(_WITHDRAWN)
    elif kept["kind"] == "refused":
        kept["refusal"] = {"code": None, "case": "as told", "fields": {"sentence": reason}}
    elif reason:
        kept["question"] = _question(found, reason)
    if "notes" in found:
        kept["notes"] = [_note(str(note)) for note in found["notes"]]
    return kept


def _kind(found: Mapping[str, Any], reason: str) -> str:
    if found.get("status") == "refused":
        return "withdrawn" if reason.startswith(_WITHDRAWN) else "refused"
    # typed readings have no places in a picture
    return str(found.get("piece") or "unknown") if "corners" in found or "width_mm" in found else "typed"


def _question(found: Mapping[str, Any], reason: str) -> dict[str, Any]:
    if found.get("open_kinds"):
        return _asked("kind", found["open_kinds"])
    for words, code, choices in _QUESTIONS:
        named = words.search(reason)
        if named and "corners" in found:
            return _asked(code, choices or named.groups())
    return _asked("as told", ()) | {"fields": {"sentence": reason}}


def _asked(code: str, choices: Any) -> dict[str, Any]:
    return {"code": code, "choices": list(choices), "fields": {}}


def _note(note: str) -> dict[str, Any]:
    label, _, sentence = note.partition(": ")
    return {"code": "as told", "fields": {"label": label, "sentence": sentence}}
