"""A plan of grooves: the board, the saw with its fence scale, the blade on it, and where each groove must lie."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from visioncheck import checks

if TYPE_CHECKING:
    from visioncheck.kerf.fit import DadoStack, Fit
    from visioncheck.quantity import Quantity
    from visioncheck.units import UnitWorld

Side = Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class TableSaw:
    """A saw whose fence has a scale, as the operator sees it who faces the blade.

    Parameters
    ----------
    fence, flange : {"left", "right"}
        Side of the blade on which the fence stands, and on which the arbor's fixed flange is. The face of the
        blade against that flange stays where it is whatever is put on the arbor.
    zero_kerf : Quantity
        Kerf of the blade with which the scale was set to zero at the fence touching that blade, mm.
    setting_u_mm : float
        Standard uncertainty of setting the fence once; 0 leaves it out.
    overhang : Quantity or None
        How much farther the teeth of another blade or stack reach to the flange's side than the zero blade's, mm, as a
        trial cut shows it; None: not known, taken as alike.
    """

    fence: Side
    flange: Side
    zero_kerf: Quantity
    setting_u_mm: float = 0.0
    overhang: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Groove:
    """A groove wanted in the board.

    Parameters
    ----------
    name : str
        What the plan calls it.
    edge : str
        The datum edge; `at_mm` is the distance from there to the groove's near wall.
    at_mm, width_mm : float
        Place and width.
    kerf : Quantity or None
        Kerf of the blade or stack that cuts it, mm; None: the blade that the scale was zeroed with.
    after : str or None
        Name of the groove from whose far wall the plan measures this one; `at_mm` is from the datum all the same.
    settings_mm : tuple of float or None
        Fence-scale settings wished for by the plan's owner, in order; None lets them be worked out.
    blade_line_mm : float or None
        For the channel of a removable insert: distance from the datum to the middle of the kerf that the sled's own
        blade cuts there.
    mating : Quantity or None
        Thickness or width of the part that goes into it, mm.
    is_mating_seen : bool
        Whether that was measured in a photo.
    fit : Fit or None
        How the part is to sit.
    is_centred : bool
        Whether it was asked for in the middle of the board.
    """

    name: str
    edge: str
    at_mm: float
    width_mm: float
    kerf: Quantity | None = None
    after: str | None = None
    settings_mm: tuple[float, ...] | None = None
    blade_line_mm: float | None = None
    mating: Quantity | None = None
    fit: Fit | None = None
    is_centred: bool = False
    is_mating_seen: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """Grooves in one board, all cut with the same edge of it against the fence.

    Parameters
    ----------
    name : str
        What it is.
    units : {"in", "mm"}
        Units to speak in first.
    board_mm : float
        The board's width, across the grooves.
    fence_edge, other_edge : str
        Names of its two edges; the first lies against the fence.
    saw : TableSaw
        The saw.
    overlap_mm : float
        Least overlap of one pass with the next.
    tolerance_mm : float
        How far a wall's place or a width may be off.
    grooves : tuple of Groove
        In the order in which they are cut.
    stack : DadoStack or None
        Cutters, chippers and shims that are owned.
    """

    name: str
    units: UnitWorld
    board_mm: float
    fence_edge: str
    other_edge: str
    saw: TableSaw
    overlap_mm: float
    tolerance_mm: float
    grooves: tuple[Groove, ...]
    stack: DadoStack | None = None


def with_part(plan: Plan, part: Quantity) -> Plan:
    """Put a part that was measured in a photo, mm, in place of what the plan says of the grooves with a fit.

    A groove that was as wide as its part and fit ask follows the new part; so does where it begins in the middle of the
    board, and every groove that is measured from its far wall.
    """
    grooves, moved = [], dict[str | None, float]()
    for groove in plan.grooves:
        wider = 0.0
        if groove.fit is not None and groove.mating is not None:
            asked = groove.mating.value + groove.fit.aim_mm
            wider = part.value - groove.mating.value if abs(groove.width_mm - asked) < checks.PLAN_SAME_MM else 0.0
        shift = -wider / 2 if groove.is_centred else moved.get(groove.after, 0.0)
        moved[groove.name] = shift + wider
        placed = replace(groove, at_mm=groove.at_mm + shift, width_mm=groove.width_mm + wider)
        grooves.append(replace(placed, mating=part, is_mating_seen=True) if groove.fit else placed)
    return replace(plan, grooves=tuple(grooves))
