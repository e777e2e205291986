"""The kinds of test piece in words: the question which one it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from visioncheck import checks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.codes import Question
    from visioncheck.errors import Field

KIND_WORDS = {
    "corner": "an offcut with one fresh cut",
    "panel": "a panel cut all round",
    "strip": "the strip of successive cuts",
    "slot": "a board with a saw slot",
    "gap": "two halves of one cut, butted",
    "straight": "a board's edge planed to fit the fence",
    "bevel": "a board on its edge, or two halves of a tall cut",
}
_ANSWERS = {"strip": "<cuts>, 5 for a panel cut all round"}
RUB_OUT = "If it is only drawn, rub it out and shoot again"


def format_which_kind(question: Question) -> str:
    """Ask which of several kinds a piece is, and name what answers."""
    choices = [f"{KIND_WORDS[kind]} (say {_ANSWERS.get(kind, f'<piece={kind}>')})" for kind in question.choices]
    asked = f"Is this {', '.join(choices[:-1])} or {choices[-1]}?"
    crosses, length_mm = (question.fields.get(key) for key in ("seam_crosses", "seam_mm"))
    if crosses is None:
        return f"{asked} The photo alone does not tell."
    line = format_seam(float(length_mm or 0.0), crosses=bool(crosses))
    return f"{asked} {line}.{f' {RUB_OUT}.' if crosses else ''}"


def format_counted(said: Mapping[str, Field]) -> str:
    """Say how many times the fence's error the strip of so many cuts carries, or was taken to in an older log."""
    if "multiple" in said:
        rule = "; by a rule that was wrong before the fifth cut, so reckon it again" if said["outer_side_uncut"] else ""
        return f"the strip of cut {said['cuts']} was taken to carry the error {said['multiple']} times{rule}"
    cuts, least, most = (int(str(said[key])) for key in ("cuts", "least", "most"))
    if least == most:
        return f"the strip of cut {cuts} carries the error {_times(most)}"
    return (
        f"the strip of cut {cuts} carries the error {_times(most)} if the board was square before,"
        f" {_times(least)} if its outer side was made true to the first cut; the ± covers both, and"
        f" {format_board_side()}. Cut on once round: then the strip hangs on no side of the board"
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def format_board_side() -> str:
    """Say what the ± of such a strip allows the board's own side."""
    per_metre = math.sqrt(3) * 1000 * math.tan(math.radians(checks.BOARD_SIDE_U_DEG))
    return f"a board out of square by {per_metre:.0f} mm/m ({12 * per_metre / 1000:.3f} in/ft)"


def format_seam(length_mm: float, *, crosses: bool) -> str:
    """Say what runs into the piece."""
    how_far = "from edge to edge through" if crosses else f"{length_mm:.0f} mm into"
    return f"A straight line runs {how_far} the piece, as a slot or a gap does"
