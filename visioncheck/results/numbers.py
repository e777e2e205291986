"""Quantities and fence errors for JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from visioncheck.units import in_per_ft_from_deg, mm_per_m_from_deg

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity


def quantity_json(quantity: Quantity) -> dict[str, float | None]:
    """Write a quantity for JSON; infinite degrees of freedom are null."""
    dof = None if math.isinf(quantity.dof) else quantity.dof
    return {"value": quantity.value, "u": quantity.u, "dof": dof, "expanded": quantity.expanded()}


def error_json(error: Quantity) -> dict[str, Any]:
    """Write a fence error, and the other ways to say it, for JSON."""
    return {
        "fence_error_deg": quantity_json(error),
        "in_per_ft": in_per_ft_from_deg(error.value),
        "mm_per_m": mm_per_m_from_deg(error.value),
    }
