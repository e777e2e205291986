"""The blade's tilt for JSON: a quantity of its own, which no fence error is read from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.fence.tilt import advise, offset_at
from visioncheck.results.numbers import quantity_json

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled


def tilt_json(tilt: Quantity, sled: Sled | None, height_mm: float) -> dict[str, Any]:
    """Write a tilt, deg, positive where the blade's top leans to the operator's right.

    Returns
    -------
    dict
        ``blade_tilt_deg``, and ``tilt``: ``advice``, ``verdict``, ``probability_inside``, ``tolerance_deg``, and where
        they are known ``leans`` (left or right) and ``cut_height_mm`` with ``aside_mm``, how far the blade stands aside
        there.
    """
    tolerance = sled.tilt_tolerance_deg if sled else checks.TILT_TOLERANCE_DEG
    advice = advise(tilt, tolerance)
    found: dict[str, Any] = {
        "advice": advice.advice,
        "verdict": advice.decision.verdict.value,
        "probability_inside": advice.decision.probability_inside,
        "tolerance_deg": tolerance,
    }
    if advice.lean:
        found["leans"] = advice.lean
    if height_mm:
        found |= {"cut_height_mm": height_mm, "aside_mm": quantity_json(offset_at(tilt, height_mm))}
    return {"blade_tilt_deg": quantity_json(tilt), "tilt": found}
