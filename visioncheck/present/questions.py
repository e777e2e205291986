"""What is asked of the user, why a reading has no fence error, and notes on it: in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.codes import Note, Question
from visioncheck.errors import with_names
from visioncheck.present.assumed import PARALLEL_ONLY
from visioncheck.present.kinds import format_counted, format_which_kind
from visioncheck.present.line import LabelledLine
from visioncheck.present.mitre import format_frame, format_other_half
from visioncheck.present.naming import NAMING, Door, as_sentence
from visioncheck.present.refusals import refusal_sentence
from visioncheck.results.from_json import result_from_json
from visioncheck.results.model import RefusedResult, Result, WithdrawnResult, asked

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

_HALF = "which half was turned over, as they lay at the saw: <turned_half> left or right"
_STRAIGHTEDGE = "at which end of the gap was the straightedge, as the picture shows it: <fence_edge> {0} or {1}"
_NO_SIGN = "The reading does not say which way the fence leans"


def _which_edges(question: Question) -> str:
    asked = (
        "Which edge lay on the fence, and which is the fresh cut? Say <edges>, their letters in the picture, the one at"
        f" the fence first, such as {question.choices[0]}; a is the top edge, the others follow clockwise."
    )
    passed = str(question.fields.get("passed", "")).split()
    if not passed:
        return asked
    return (
        f"The outline reaches past edge{'s' * (len(passed) > 1)} {', '.join(passed)}, so something may lie against the"
        f" work: take it away, or say which edges to read. {asked}"
    )


_SENTENCES: dict[str, str | Callable[[Question], str]] = {
    "kind": format_which_kind,
    "edges": _which_edges,
    "fence edge": "Which edge lay on the fence? Say <fence_edge> top, bottom, left or right, as in the picture.",
    "nominal": (
        "What angle should the cut have made with the fence? The corner between them is {0}°, and with the {1}° that it"
        " is taken to be the fence would be out by more than 5°. Say <nominal>, such as <nominal=45>, or which edge lay"
        " on the fence."
    ),
    "bevel edges": (
        "Which edge in the picture is the face that lay on the table, and which is the cut? Say <fence_edge> and"
        " <cut_edge>, each top, bottom, left or right."
    ),
    "first edge": (
        "Which edge was cut first? The four orders fit alike; stick a tag on, its arrow to that edge, or say"
        " <fence_edge> top, bottom, left or right."
    ),
    "cuts": "How many successive cuts made this strip? Say <cuts>, 5 for a panel cut all round.",
    "strip end": "Which end of the strip was at the fence? Say <fence_edge> {0} or {1}.",
    "turned half": f"{_HALF}.",
    "straightedge": f"{_STRAIGHTEDGE}.",
    "half and straightedge": f"{_HALF}, and {_STRAIGHTEDGE}.",
    "bevel half and opening": (
        "The reading does not say which way the blade leans: say <turned> left or right and <opens> straightedge or far"
    ),
    "frame edge": ("which edge of the pieces, as they lie in the frame, was on the fence: <at_fence> outer or inner."),
    "frame": (
        f"{_NO_SIGN}: say where the last joint is open with <opens> outside or inside, and which edge of the pieces, as"
        " they lie in the frame, was on the fence with <at_fence> outer or inner"
    ),
    "wider end": f"{_NO_SIGN}: say which end of the strip is the wider with <wide> rear or <wide> front",
    "order of cuts": (
        "The four orders of cutting can't be told apart: read the corners in the order cut, without <unordered>"
    ),
    "half and opening": f"{_NO_SIGN}: say <turned> left or right and <opens> straightedge or far",
    "as told": lambda question: str(question.fields["sentence"]),
}


def question_sentence(question: Question, door: Door = "command") -> str:
    """Ask it."""
    words = _SENTENCES[question.code]
    if isinstance(words, str):
        said = with_names(words, NAMING[door]).format(*question.choices)
        return said[:1].upper() + said[1:]
    return with_names(words(question), NAMING[door])


def missing_reason(found: Mapping[str, Any], door: Door = "command") -> str:
    """Say why a reading's JSON object has no fence error; see `format_reason`."""
    return format_reason(result_from_json(found), door)


def format_reason(result: Result, door: Door = "command") -> str:
    """Say why a result has no fence error, or not its sign; empty where it has one."""
    if isinstance(result, WithdrawnResult):
        return f"withdrawn: {result.reason}"
    if isinstance(result, RefusedResult):
        if result.refusal is not None:
            return refusal_sentence(result.refusal, door)
        return as_sentence(with_names(result.sentence, NAMING[door]), door)
    question = asked(result)
    return "" if question is None else question_sentence(question, door)


def with_reason(found: Mapping[str, Any]) -> dict[str, Any]:
    """Add the sentence to a reading's JSON object, for people who read JSON."""
    reason = missing_reason(found)
    return dict(found) | ({"reason": reason} if reason else {})


def note_line(note: Note) -> LabelledLine:
    """Say a note in a line."""
    said = note.fields
    if note.code == "counted":
        return LabelledLine("Counted", format_counted(said))
    if note.code == "closure":
        return LabelledLine(
            "Closure", f"the four corners sum to 360° {said['off_deg']:+.3f}° ± {said['expanded_deg']:.3f}°"
        )
    if note.code == "other half":
        return LabelledLine("Cut", format_other_half(str(said["piece_side"]), float(str(said["nominal_deg"]))))
    if note.code == "frame":
        return LabelledLine("Frame", format_frame(said))
    if note.code == "turned over":
        return LabelledLine("Turned over", f"the {said['half']} half, as they lay at the saw; {PARALLEL_ONLY}")
    return LabelledLine(str(said["label"]), str(said["sentence"]))
