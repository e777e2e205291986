"""Typed readings, line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.fence.next_step import Basis
from visioncheck.present.assumed import assumed_lines
from visioncheck.present.correction import describe, format_fence_error
from visioncheck.present.line import LabelledLine
from visioncheck.present.naming import Door, sled_hint
from visioncheck.present.questions import note_line, question_sentence
from visioncheck.units import format_error

if TYPE_CHECKING:
    from visioncheck.fence.typed import TypedResult
    from visioncheck.sled.model import Sled


def typed_lines(result: TypedResult, sled: Sled | None, door: Door = "command") -> list[LabelledLine]:
    """Say what typed readings tell of the fence, and what to do about it where the sled is known."""
    if result.question:
        ways = format_error(result.error.value, sled.fence_length_mm if sled else None, signed=False)
        size = f"{ways.deg} ± {result.error.expanded():.3f}° ({ways.in_per_ft}, {ways.mm_per_m})"
        lines = [LabelledLine("Size", size), LabelledLine("Sign", question_sentence(result.question, door))]
    elif sled:
        lines = describe(result.error, sled, Basis(result.kind), door)
    else:
        hint = sled_hint(door)
        lines = [
            LabelledLine("Fence", format_fence_error(result.error)),
            *assumed_lines(result.assumed),
            LabelledLine("Hint", hint),
        ]
    return [*lines, *(note_line(note) for note in result.notes)]
