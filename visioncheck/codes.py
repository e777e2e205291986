"""What is asked of the user, what is doubtful and what else there is to say, as codes and fields, without words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from visioncheck.errors import Field
from visioncheck.flags import FlagCode

QuestionCode = Literal[
    "kind",
    "fence edge",
    "nominal",
    "bevel edges",
    "edges",
    "first edge",
    "cuts",
    "strip end",
    "turned half",
    "straightedge",
    "half and straightedge",
    # of typed readings
    "wider end",
    "order of cuts",
    "half and opening",
    "frame",
    "frame edge",
    "bevel half and opening",
    # of a log from before questions had codes
    "as told",
]
OUTER_SIDE = "outer side"
"""Source of uncertainty: a strip's long side that no cut of this fence made."""
TIGHT_JOINTS = "tight joints"
"""Source of uncertainty: the joints of a frame that are taken as closed."""

NoteCode = Literal["counted", "closure", "turned over", "other half", "frame", "as told"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that a reading may suffer from; `present.flags` says it.

    Attributes
    ----------
    code : FlagCode
        Of the quality flag.
    fields : mapping of str to Field
        What was seen, for its sentence; a name ends in its unit. ``sides`` are sides of the picture, with spaces
        between. Empty in logs from before doubts had fields.
    """

    code: FlagCode
    fields: Mapping[str, Field] = field(default_factory=dict)


def in_order(doubts: Iterable[Doubt]) -> tuple[Doubt, ...]:
    """The first doubt of each code, in the order in which a person would mend them."""
    first: dict[str, Doubt] = {}
    for each in doubts:
        first.setdefault(each.code, each)
    return tuple(sorted(first.values(), key=lambda each: get_args(FlagCode).index(each.code)))


@dataclass(frozen=True, slots=True)
class Question:
    """What the user must say for the fence error to be known.

    Attributes
    ----------
    code : QuestionCode
        What is asked.
    choices : tuple of str
        The answers to choose from, as the parameter takes them; empty where any number will do.
    fields : mapping of str to Field
        What else its sentence needs.
    """

    code: QuestionCode
    choices: tuple[str, ...] = ()
    fields: Mapping[str, Field] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Note:
    """Something else to say of a reading."""

    code: NoteCode
    fields: Mapping[str, Field] = field(default_factory=dict)
