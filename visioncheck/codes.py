"""What is asked of the user and what else there is to say, as codes and fields; `present` has the sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from visioncheck.errors import Field

QuestionCode = Literal[
    "kind",
    "fence edge",
    "nominal",
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
    # of a log from before questions had codes
    "as told",
]
NoteCode = Literal["counted", "closure", "turned over", "other half", "frame", "as told"]


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
