"""The kinds of test piece in words: the question which one it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from visioncheck.codes import Question

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


def format_seam(length_mm: float, *, crosses: bool) -> str:
    """Say what runs into the piece."""
    how_far = "from edge to edge through" if crosses else f"{length_mm:.0f} mm into"
    return f"A straight line runs {how_far} the piece, as a slot or a gap does"
