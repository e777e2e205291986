"""What a measured slot says about the saw: never more than was measured."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.present.grooves import said
from visioncheck.quantity import Quantity
from visioncheck.uncertainty import welch_satterthwaite
from visioncheck.units import format_length, format_small

if TYPE_CHECKING:
    from visioncheck.units import UnitWorld


def explain_slot(
    width: Quantity,
    taper: Quantity | None = None,
    nominal_mm: float | None = None,
    *,
    wall_scatter_mm: tuple[float, float] | None = None,
    nominal_u_mm: float = 0.0,
    units: UnitWorld = "mm",
) -> list[str]:
    """Say what a slot tells of the blade and the sled, and what it leaves open.

    A blade with an axial run-out of r cuts a slot about r wider than its teeth; a slot that widens, or whose one wall
    is torn, speaks of a blade not parallel to the sled's travel, of play in the bars or of work that crept.

    Parameters
    ----------
    width : Quantity
        Width at the slot's middle, mm.
    taper : Quantity or None
        How much wider the slot is at its end than at its open start, over its length, mm; signed.
    nominal_mm : float or None
        Width over the blade's teeth as marked.
    wall_scatter_mm : (2,) tuple of float or None
        Scatter (standard deviation) of each wall about its line.
    nominal_u_mm : float
        Standard uncertainty of the marked width.
    units : {"in", "mm"}
        Units to speak in.

    Returns
    -------
    list of str
        Sentences.
    """
    sentences = [f"The slot is {said(width, units)} wide."]
    if nominal_mm is not None:
        sentences.append(_format_nominal(width, nominal_mm, nominal_u_mm, units))
    if taper is not None:
        sentences.append(_format_taper(taper, units))
    if wall_scatter_mm is not None:
        sentences += _format_wall(wall_scatter_mm, units)
    return sentences


def _format_nominal(width: Quantity, nominal_mm: float, nominal_u_mm: float, units: UnitWorld) -> str:
    u = math.hypot(width.u, nominal_u_mm)
    dof = welch_satterthwaite([width.u, nominal_u_mm], [width.dof, math.inf])
    wider = Quantity(width.value - nominal_mm, u, "mm", dof)
    doubt = format_small(wider.expanded(), units)
    size = format_small(abs(wider.value), units)
    marked = f"the {format_length(nominal_mm, units)} marked on the blade"
    if abs(wider.value) <= wider.expanded():
        return f"That agrees with {marked} within ± {doubt}: no run-out larger than that shows in the width."
    if wider.value > 0:
        return (
            f"That is {size} ± {doubt} wider than {marked}; an axial run-out of about that much would do it, "
            "and so would play in the bars or a blade not parallel to the sled's travel."
        )
    return (
        f"That is {size} ± {doubt} narrower than {marked}: no run-out makes a slot narrower, so check what the blade "
        "measures over its teeth, the thickness given and the ruled length."
    )


def _format_taper(taper: Quantity, units: UnitWorld) -> str:
    doubt = format_small(taper.expanded(), units)
    size = format_small(abs(taper.value), units)
    if abs(taper.value) <= taper.expanded():
        return f"No taper shows (± {doubt} over its length)."
    end = "end" if taper.value > 0 else "start"
    return (
        f"It is {size} ± {doubt} wider at its {end}: the blade not parallel to the sled's travel, bars loose in their "
        "slots, or work that crept during the cut; the slot alone does not say which."
    )


def _format_wall(scatter_mm: tuple[float, float], units: UnitWorld) -> list[str]:
    low, high = sorted(scatter_mm)
    if high <= checks.SLOT_ROUGHER * low:
        return []
    which = "left" if scatter_mm[0] > scatter_mm[1] else "right"
    sizes = f"{format_small(high, units)} against {format_small(low, units)}"
    sentence = (
        f"Its {which} wall is the rougher one ({sizes}): teeth that touch it again at the back of the blade would do "
        "it, as would play in the bars or torn grain."
    )
    return [sentence]
