"""A cut board against its plan: each wall's place and each groove's width, with a three-way verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.fence.decision import Decision, decide
from visioncheck.quantity import Quantity
from visioncheck.uncertainty import welch_satterthwaite
from visioncheck.units import format_length

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.kerf.plan import Groove, Plan


@dataclass(frozen=True, slots=True)
class MeasuredGroove:
    """Both walls of one groove in the cut board, mm from one of its edges, and the way between them.

    `width` is asked for apart: both walls share most of the uncertainty of the edge, their difference does not.
    """

    edge: str
    near: Quantity
    far: Quantity
    width: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One length of the plan and what was measured: ``error`` is measured less planned, mm."""

    what: str
    planned_mm: float
    measured: Quantity
    error: Quantity
    decision: Decision


@dataclass(frozen=True, slots=True)
class Verified:
    """The checks of one groove: near wall, far wall, width."""

    groove: Groove
    checks: tuple[Check, ...]


def verify(plan: Plan, measured: Sequence[MeasuredGroove]) -> tuple[Verified, ...]:
    """Compare the grooves of a cut board with the plan.

    Every measured groove is held against the planned one whose middle is nearest.

    Parameters
    ----------
    plan : Plan
        The plan.
    measured : sequence of MeasuredGroove
        In any order; from either edge.

    Returns
    -------
    tuple of Verified
        In the order of the plan; only the grooves measured.

    Raises
    ------
    UserError
        When a measured groove belongs to none of the plan, or two to the same one, or it names an unknown edge.
    """
    found: dict[str, Verified] = {}
    for one in measured:
        groove = _nearest(plan, one)
        if groove.name in found:
            raise UserError(f"Two measured grooves lie nearest to groove {groove.name!r}; check the plan and the edge")
        found[groove.name] = _verified(groove, one, plan)
    return tuple(found[groove.name] for groove in plan.grooves if groove.name in found)


def _nearest(plan: Plan, one: MeasuredGroove) -> Groove:
    if one.edge not in {plan.fence_edge, plan.other_edge}:
        edges = f"{plan.fence_edge!r} and {plan.other_edge!r}"
        raise UserError(f"The plan's board has no edge {one.edge!r}; its edges are {edges}")
    middle = (one.near.value + one.far.value) / 2

    def off(groove: Groove) -> float:
        near, far = planned(groove, one.edge, plan)
        return abs((near + far) / 2 - middle)

    nearest = min(plan.grooves, key=off)
    if off(nearest) > checks.GROOVE_FAR_OFF_MM:
        place = format_length(middle, plan.units)
        raise UserError(f"No groove of the plan lies near {place} from the edge {one.edge!r}; check the plan and edge")
    return nearest


def planned(groove: Groove, edge: str, plan: Plan) -> tuple[float, float]:
    """Give where a groove's walls must lie, mm from the board's edge named `edge`, the nearer one first."""
    near, far = groove.at_mm, groove.at_mm + groove.width_mm
    return (near, far) if groove.edge == edge else (plan.board_mm - far, plan.board_mm - near)


def _verified(groove: Groove, one: MeasuredGroove, plan: Plan) -> Verified:
    near, far = planned(groove, one.edge, plan)
    width = one.width or _difference(one.far, one.near)
    rows = (("near wall", near, one.near), ("far wall", far, one.far), ("width", groove.width_mm, width))
    return Verified(groove, tuple(_check(what, wanted, got, plan.tolerance_mm) for what, wanted, got in rows))


def _difference(far: Quantity, near: Quantity) -> Quantity:
    """Give the width of two walls taken as independent: too careful rather than too sure."""
    dof = welch_satterthwaite([far.u, near.u], [far.dof, near.dof])
    return Quantity(far.value - near.value, math.hypot(far.u, near.u), "mm", dof)


def _check(what: str, planned_mm: float, measured: Quantity, tolerance_mm: float) -> Check:
    error = Quantity(measured.value - planned_mm, measured.u, "mm", measured.dof)
    return Check(what, planned_mm, measured, error, decide(error, tolerance_mm))
