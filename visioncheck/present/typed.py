"""Typed readings, line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.present.assumed import assumed_lines
from visioncheck.present.bevel import tilt_lines, tilt_question_lines
from visioncheck.present.correction import describe, format_fence_error
from visioncheck.present.line import LabelledLine
from visioncheck.present.naming import Door, sled_hint
from visioncheck.present.questions import note_line, question_sentence
from visioncheck.present.straight import straight_lines, two_cuts_lines
from visioncheck.present.travel import travel_lines
from visioncheck.results.basis import basis_of_typed
from visioncheck.units import format_error

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.fence.typed_result import TypedResult
    from visioncheck.sled.model import Sled


_NAMES = {
    "rear": "rear", "front": "front", "length": "apart", "taper": "taper", "wide": "wider at", "angle": "corner",
    "corners": "corners", "wedge": "gap", "turned": "turned half", "opens": "opens at", "cuts": "cuts",
    "frame": "frame of sides", "frame_cuts": "mitres", "at_fence": "edge at the fence",
    "bevel": "corner at the table's face", "bevel_wedge": "gap of the cut",
    "again": "corner again", "recut": "second cut",
    "edge_gap": "gap of two fitted edges",
    "lifted": "slot lifted off", "other_end": "from the other end", "pulled_back": "pulled back",
    "tip": "over the teeth", "height": "cut's height",
}  # fmt: skip


def format_inputs(reading: Mapping[str, Any]) -> str:
    """Say what was typed for a reading, with the uncertainty it was given; empty where the log does not have it."""
    inputs = reading.get("inputs")
    if not isinstance(inputs, dict):
        return ""
    typed = dict(inputs["typed"])
    said = [f"{name} {typed[key]}" for key, name in _NAMES.items() if key in typed]
    if typed.get("unordered"):
        said.append("first cut not known")
    reading_u = "u of a reading " + ", ".join(
        f"{u:.3g}{'°' if name.endswith('deg') else ' mm'}" for name, u in inputs["u"].items() if "reading" in name
    )
    usual = "" if "u" in typed else " (usual)"
    stood = f"fence {inputs['fence']}, piece {inputs['piece_side']} of the blade"
    nominal = "" if inputs["nominal_deg"] == 90 else f", nominal {inputs['nominal_deg']:g}°"
    return f"{', '.join(said)}; {reading_u}{usual}; {stood}{nominal}"


def _tilt_lines(result: TypedResult, sled: Sled | None, door: Door) -> list[LabelledLine]:
    if result.question:
        asked = LabelledLine("Tell me", question_sentence(result.question, door))
        return [*tilt_question_lines(result.error), asked]
    lines = tilt_lines(result.error, sled, result.cut_height_mm)
    return [*lines, *assumed_lines(result.assumed), *(note_line(note) for note in result.notes)]


def typed_lines(
    result: TypedResult, sled: Sled | None, door: Door = "command", instead: str = ""
) -> list[LabelledLine]:
    """Say what typed readings tell of the fence, and what to do about it where the sled is known.

    `instead` is what to do where the readings themselves do not count any more.
    """
    if result.travel:
        return travel_lines(result.travel, sled.units if sled else "mm")
    if result.fence_bow:
        return straight_lines(result.fence_bow, sled.units if sled else "mm")
    if result.kind == "bevel":
        return _tilt_lines(result, sled, door)
    if result.question:
        ways = format_error(result.error.value, sled.fence_length_mm if sled else None, signed=False)
        size = f"{ways.deg} ± {result.error.expanded():.3f}° ({ways.in_per_ft}, {ways.mm_per_m})"
        lines = [LabelledLine("Size", size), LabelledLine("Sign", question_sentence(result.question, door))]
    elif sled:
        lines = describe(result.error, sled, basis_of_typed(result), door, instead)
    else:
        hint = sled_hint(door)
        lines = [
            LabelledLine("Fence", format_fence_error(result.error)),
            *assumed_lines(result.assumed),
            LabelledLine("Hint", hint),
        ]
    if result.two_cuts:
        first, second, parted = result.two_cuts
        lines = [*lines, *two_cuts_lines(parted.how, first, second, parted.seat)]
    return [*lines, *(note_line(note) for note in result.notes)]
