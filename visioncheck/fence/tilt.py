"""Whether the blade stands upright: what a tilt asks to be done, beside the fence and never through it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from visioncheck.fence.decision import LEVEL, Verdict, decide, improvement_probability
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from visioncheck.fence.decision import Decision

Lean = Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class TiltAdvice:
    """What to do about a blade's tilt.

    Attributes
    ----------
    advice : {"leave it", "turn it back", "measure again"}
        Turned back where that very probably brings the blade nearer to upright and it is not known to be inside.
    decision : Decision
        How the tilt stands to its tolerance.
    lean : {"left", "right"} or None
        Where the blade's top leans, seen by the operator; None where the reading does not show it.
    """

    advice: Literal["leave it", "turn it back", "measure again"]
    decision: Decision
    lean: Lean | None


def advise(tilt: Quantity, tolerance_deg: float) -> TiltAdvice:
    """Say what a tilt, deg, positive where the blade's top leans to the right, asks for."""
    decision = decide(tilt, tolerance_deg)
    shows = abs(tilt.value) > tilt.expanded()
    lean: Lean | None = None if not shows else "right" if tilt.value > 0 else "left"
    size = Quantity(abs(tilt.value), tilt.u, tilt.unit, tilt.dof)
    if decision.verdict is Verdict.INSIDE or decision.probability_inside >= LEVEL:
        return TiltAdvice("leave it", decision, lean)
    better = improvement_probability(size, size.value)
    return TiltAdvice("turn it back" if lean and better >= LEVEL else "measure again", decision, lean)


def offset_at(tilt: Quantity, height_mm: float) -> Quantity:
    """How far the blade stands aside at a height above the table, mm, signed as the tilt."""
    slope = math.tan(math.radians(tilt.value))
    u = height_mm * math.radians(tilt.u) * (1 + slope**2)
    return Quantity(height_mm * slope, u, "mm", tilt.dof)
