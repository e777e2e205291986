"""From what a log keeps of pieces on a sheet to a rig that knows its sheet better."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from visioncheck.camera.refine import contradicts, refine, sheet_angle_u_deg, sheet_moved_deg
from visioncheck.camera.rig_file import parse_rig
from visioncheck.errors import InputError, UserError
from visioncheck.log.entry import sha256_text
from visioncheck.measuring.options import options_from_json

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from visioncheck.camera.refine import Evidence
    from visioncheck.camera.rig import Rig
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.request import RigFile

Kind = Literal["pair", "panel"]


@dataclass(frozen=True)
class LeftOut:
    """A reading that teaches nothing: it contradicts the rig (no `problem`), or cannot be read with it."""

    entry: Entry
    kind: Kind
    problem: UserError | None = None


@dataclass(frozen=True)
class Refined:
    """A rig before and after, and what it was refined by.

    Attributes
    ----------
    used : tuple of (Entry, kind)
    u_before_deg, u_after_deg : float
        How well sheet 0's own right angles are known, standard uncertainty.
    moved_deg : float
        By how much the worst of them is now taken otherwise.
    """

    rig: Rig
    used: tuple[tuple[Entry, Kind], ...]
    left_out: tuple[LeftOut, ...]
    u_before_deg: float
    u_after_deg: float
    moved_deg: float


def refine_by_log(log: Log, file: RigFile) -> Refined:
    """Refine a rig by the quarter-turn pairs and four-cut panels that the log keeps of its sheet and phone.

    They are read again from the kept photos with this rig, whichever version of it they were read with at the time; a
    photo that the rig has learnt from already is passed over. Nothing is changed in the log.

    Raises
    ------
    UserError
        There is nothing to learn from, or all of it contradicts the rig.
    """
    used: list[tuple[Entry, Kind, Evidence]] = []
    left_out: list[LeftOut] = []
    for entry, kind in _lessons(log, file):
        try:
            evidence = _evidence(log, entry, kind, file.rig)
        except UserError as problem:
            left_out.append(LeftOut(entry, kind, problem))
            continue
        if contradicts(evidence, file.rig):
            left_out.append(LeftOut(entry, kind))
        else:
            used.append((entry, kind, evidence))
    if not used:
        raise _nothing(log, left_out)
    learnt = tuple(str(entry.photo_sha256) for entry, _, _ in used)
    refined = replace(
        refine(file.rig, [evidence for _, _, evidence in used]),
        learnt_from=(*file.rig.learnt_from, *learnt),
        survey_sha256=_origin(file.rig, file.text),
    )
    return Refined(
        refined,
        tuple((entry, kind) for entry, kind, _ in used),
        tuple(left_out),
        sheet_angle_u_deg(file.rig),
        sheet_angle_u_deg(refined),
        sheet_moved_deg(file.rig, refined),
    )


def count_lessons(log: Log, file: RigFile) -> int:
    """How many readings of the log could teach this rig; no photo is read for that."""
    return sum(1 for _ in _lessons(log, file))


def _nothing(log: Log, left_out: list[LeftOut]) -> UserError:
    if not left_out:
        return InputError(
            "log",
            f"The log {log.folder} keeps no quarter-turn pair and no four-cut panel of this rig that it has not learnt"
            " from; measure one with <rig> and <log> (two photos with <turned>, or a panel whose first cut is known).",
        )
    if any(each.problem is None for each in left_out):
        return UserError(
            "What the log keeps of this rig's sheet contradicts its survey, so nothing was learnt from it; survey the"
            " sheet again."
        )
    return UserError(f"No pair or panel of the log {log.folder} can be read with this rig: {left_out[0].problem}")


def _origin(rig: Rig, text: str) -> str:
    """Hash of the file that the survey wrote, which all versions of a rig have in common."""
    return rig.survey_sha256 or sha256_text(text)


def _lessons(log: Log, file: RigFile) -> Iterator[tuple[Entry, Kind]]:
    """Standing entries of this rig's sheet and phone that can teach it and have not."""
    origin = _origin(file.rig, file.text)
    origins: dict[str, str] = {}
    for entry in log.entries():
        kind = kind_of_lesson(entry.reading)
        if kind is None or entry.corrected_by or entry.rig_sha256 is None:
            continue
        if entry.rig_sha256 not in origins:
            origins[entry.rig_sha256] = _origin_in_log(log, entry.rig_sha256)
        if origins[entry.rig_sha256] == origin and entry.photo_sha256 not in file.rig.learnt_from:
            yield entry, kind


def _origin_in_log(log: Log, rig_sha256: str) -> str:
    text = log.document(rig_sha256) or ""
    # what is no rig to this version was not refined by it
    with contextlib.suppress(UserError):
        return _origin(parse_rig(text, f"the rig {rig_sha256[:8]} in the log"), text)
    return rig_sha256


def kind_of_lesson(reading: Mapping[str, Any]) -> Kind | None:
    """What a reading's JSON object shows of the sheet, if it does."""
    if reading.get("status") == "refused":
        return None
    if "turned" in reading:
        return "pair"
    return "panel" if reading.get("piece") == "panel" and reading.get("fence_edge") is not None else None


def _evidence(log: Log, entry: Entry, kind: Kind, rig: Rig) -> Evidence:
    # lazy: they bring the numerics and the pictures
    from visioncheck.measuring.pair import see_turned
    from visioncheck.measuring.photo import see_panel
    from visioncheck.reading.sheet_evidence import pair_evidence, panel_evidence

    told = options_from_json(entry.reading)
    first, *more = log.photo_paths(entry)
    if kind == "pair":
        return pair_evidence(*see_turned((first, more[0]), rig, told.thickness))
    return panel_evidence(*see_panel(first, rig, told.thickness, told.fence_edge))
