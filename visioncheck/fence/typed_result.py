"""What typed readings say of the sled, and what they were reckoned from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.codes import Note, Question
    from visioncheck.fence.straightness import FenceBow, Separated
    from visioncheck.fence.travel import Travel
    from visioncheck.quantity import Quantity
    from visioncheck.saw import Saw


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a typed result was reckoned from, whole enough to reckon it again.

    Parameters
    ----------
    typed : mapping of str to str
        As it was typed, by the names of the parameters.
    units : {"in", "mm"} or None
        The unit of bare numbers; None: none were allowed.
    saw : Saw
        How the saw was taken to stand.
    u : mapping of str to float
        Standard uncertainty that each kind of reading was given: ``reading_mm``, ``reading_deg``, ``length_mm``.
    """

    typed: Mapping[str, str]
    units: str | None
    saw: Saw
    u: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class TypedResult:
    """Fence error, what else there is to say, what is missing to know its sign, and the kind of test piece.

    `assumed` is what gives it its sign and was neither typed nor in a sled's file: ``fence``, ``piece_side``.
    `inputs` is what it was reckoned from. Of the kind ``bevel`` the error is the blade's tilt, and
    `cut_height_mm` the height of the cut where it is known. `two_cuts` are both cuts' own errors, and what they say
    together; `fence_bow` is what stands in the place of an error of the kind ``straight``,
    and `travel` of the kind ``travel``.
    """

    error: Quantity
    notes: tuple[Note, ...] = ()
    question: Question | None = None
    kind: str = ""
    assumed: Mapping[str, str] = field(default_factory=dict)
    inputs: Inputs | None = None
    cut_height_mm: float = 0.0
    two_cuts: tuple[Quantity, Quantity, Separated] | None = None
    fence_bow: FenceBow | None = None
    travel: Travel | None = None
