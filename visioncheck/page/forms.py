"""What a photo does not show and its user can tell: the page's questions, and the fields to ask for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from visioncheck.measuring.options import WAYS
from visioncheck.results.from_json import question_from_json

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from visioncheck.codes import Question


@dataclass(frozen=True, slots=True)
class Form:
    """What the photo does not show and its user can tell; which fields to ask for.

    Attributes
    ----------
    text : str
        The question.
    kinds : tuple of str
        The kinds of piece to choose from, where that is asked.
    edge, end, cuts, half, straightedge : bool
        Ask for the edge or the strip's end at the fence, the number of cuts, the half that was turned over, the end of
        the gap at the straightedge.
    frame_edge : bool
        Ask which edge of a frame's pieces was on the fence.
    table : bool
        Ask for the face that lay on the table and the cut, of a board on its edge.
    nominal : bool
        Ask for the angle that the cut should have made.
    ways : tuple of str
        The sides of the picture to choose from.
    pairs : mapping of str to str
        The pairs of edges to choose from, and how each is said.
    """

    text: str
    kinds: tuple[str, ...] = ()
    edge: bool = False
    end: bool = False
    cuts: bool = False
    half: bool = False
    straightedge: bool = False
    frame_edge: bool = False
    table: bool = False
    nominal: bool = False
    pairs: Mapping[str, str] = field(default_factory=dict)
    ways: tuple[str, ...] = WAYS


def form_from_reading(found: Mapping[str, Any]) -> Form | None:
    """The form for what is asked of a photo's reading; typed readings are typed anew."""
    question = question_from_json(found)
    ask = None if question is None else _FORMS.get(question.code)
    return None if question is None or ask is None else ask(question, found)


def _which_kind(question: Question, found: Mapping[str, Any]) -> Form:
    """Ask for the kind, and with it for what most of the kinds need."""
    kinds = question.choices
    edge = "fence_edge" not in found and not set(kinds) <= {"slot", "gap"}
    text = "What kind of piece is this" + (", and which edge lay on the fence?" if edge else "?")
    return Form(text, kinds=kinds, edge=edge, cuts="strip" in kinds)


def _sides(question: Question) -> tuple[str, ...]:
    """The sides of the picture that are offered, always in one order."""
    return tuple(way for way in WAYS if way in question.choices)


def _pairs(question: Question) -> dict[str, str]:
    """The pairs of edges that are offered, in words."""
    said = {pair: pair.split(",") for pair in question.choices}
    return {pair: f"{fence} lay on the fence, {cut} is the fresh cut" for pair, (fence, cut) in said.items()}


_FORMS: dict[str, Callable[[Question, Mapping[str, Any]], Form]] = {
    "kind": _which_kind,
    "fence edge": lambda *_: Form("Which edge lay on the fence?", edge=True),
    "bevel edges": lambda *_: Form("Which edge is the face that lay on the table, and which the cut?", table=True),
    "nominal": lambda asked, _: Form(
        f"The corner between fence edge and cut is {asked.choices[0]}°. What angle should it have had?", nominal=True
    ),
    "edges": lambda asked, _: Form("Which edges, as the picture names them, are it?", pairs=_pairs(asked)),
    "first edge": lambda *_: Form("Which edge was cut first?", edge=True),
    "cuts": lambda asked, _: Form(
        "How many successive cuts made this strip" + (", and which end was at the fence?" if asked.choices else "?"),
        cuts=True,
        end=bool(asked.choices),
        ways=_sides(asked),
    ),
    "strip end": lambda asked, _: Form("Which end of the strip was at the fence?", end=True, ways=_sides(asked)),
    "turned half": lambda *_: Form("Which half was turned over?", half=True),
    "straightedge": lambda asked, _: Form(
        "At which end of the gap was the straightedge?", straightedge=True, ways=_sides(asked)
    ),
    "frame edge": lambda *_: Form(
        "Which edge of the pieces, as they lie in the frame, was on the fence?", frame_edge=True
    ),
    "half and straightedge": lambda asked, _: Form(
        "Which half was turned over, and where was the straightedge?",
        half=True,
        straightedge=True,
        ways=_sides(asked),
    ),
}
"""The page's own words for what is asked, and its fields."""
