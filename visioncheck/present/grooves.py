"""A laid-out plan in words and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.kerf.passes import groove_kerf, scale_offset_mm
from visioncheck.present.line import LabelledLine
from visioncheck.results.numbers import quantity_json
from visioncheck.units import MM_PER_IN, format_length, format_small

if TYPE_CHECKING:
    from visioncheck.kerf.passes import Cut, PlannedCuts
    from visioncheck.kerf.plan import Plan
    from visioncheck.quantity import Quantity
    from visioncheck.units import UnitWorld


def layout_lines(layout: PlannedCuts) -> list[LabelledLine]:
    """Say the fence settings of every groove in order, what comes out, and what to beware of."""
    plan = layout.plan
    lines = [
        LabelledLine("At the fence", f"the edge {plan.fence_edge!r}, for every pass; fence on the {plan.saw.fence}")
    ]
    for cut in layout.cuts:
        lines += _cut_lines(cut, plan)
    lines += [LabelledLine("Beware", warning) for warning in layout.warnings]
    kerfs = [groove_kerf(cut.groove, plan.saw) for cut in layout.cuts]
    if plan.saw.setting_u_mm == 0 and any(kerf.u > 0 for kerf in kerfs):
        lines.append(LabelledLine("Left out", "how well the fence is set each time (setting_plus_minus in the plan)"))
    if any(cut.groove.kerf is not None for cut in layout.cuts):
        lines.append(
            LabelledLine(
                "Trial cut",
                "first in scrap: this takes the teeth to overhang the flange's side as far on both blades",
            )
        )
    return lines


def _cut_lines(cut: Cut, plan: Plan) -> list[LabelledLine]:
    units, groove = plan.units, cut.groove
    wanted = f"{format_length(groove.width_mm, units)} wide, {format_length(groove.at_mm, units)} from {groove.edge!r}"
    lines = [LabelledLine(groove.name, f"{wanted}; {_format_offset(cut, plan)}")]
    for k, one in enumerate(cut.passes, start=1):
        last = ", makes the width" if k == len(cut.passes) > 1 and groove.settings_mm is None else ""
        lines.append(LabelledLine(f"  pass {k}", f"set the scale to {format_setting(one.setting_mm, units)}{last}"))
    lines.append(
        LabelledLine("  comes out", f"{said(cut.width, units)} wide, {said(cut.place, units)} from {groove.edge!r}")
    )
    return lines


def _format_offset(cut: Cut, plan: Plan) -> str:
    kerf = groove_kerf(cut.groove, plan.saw)
    offset = scale_offset_mm(cut.groove, plan.saw)
    on_it = f"{format_length(kerf.value, plan.units)} on the arbor"
    if offset == 0:
        return f"{on_it}, the scale reads true"
    size = format_length(abs(offset), plan.units)
    return f"{on_it}, the scale reads {size} {'more' if offset > 0 else 'less'} than the true distance"


def format_setting(mm: float, units: UnitWorld) -> str:
    """Write a scale setting: in inches also as the nearest 1/64 and what is over or short."""
    if units == "mm":
        return format_length(mm, units)
    left_mm = mm - round(mm / MM_PER_IN * 64) / 64 * MM_PER_IN
    size = format_small(abs(left_mm), units)
    over = "" if size == format_small(0.0, units) else f" {'+' if left_mm > 0 else '−'} {size}"
    return f"{format_length(mm, units)} ({format_length(mm, units, 64)}{over})"


def said(quantity: Quantity, units: UnitWorld) -> str:
    """Write a length with its expanded uncertainty; without one where it has none."""
    if quantity.u == 0:
        return format_length(quantity.value, units)
    return f"{format_length(quantity.value, units)} ± {format_small(quantity.expanded(), units)}"


def layout_json(layout: PlannedCuts) -> dict[str, Any]:
    """Write a laid-out plan for JSON: lengths in mm, settings as the scale reads them."""
    plan = layout.plan
    return {
        "schema": 1,
        "plan": plan.name,
        "fence_edge": plan.fence_edge,
        "board_mm": plan.board_mm,
        "grooves": [_cut_json(cut, plan) for cut in layout.cuts],
        "warnings": list(layout.warnings),
    }


def _cut_json(cut: Cut, plan: Plan) -> dict[str, Any]:
    return {
        "name": cut.groove.name,
        "from": cut.groove.edge,
        "wanted": {"at_mm": cut.groove.at_mm, "width_mm": cut.groove.width_mm},
        "kerf_mm": quantity_json(groove_kerf(cut.groove, plan.saw)),
        "scale_offset_mm": scale_offset_mm(cut.groove, plan.saw),
        "passes": [{"setting_mm": one.setting_mm, "near_mm": one.near_mm, "far_mm": one.far_mm} for one in cut.passes],
        "at_mm": quantity_json(cut.place),
        "width_mm": quantity_json(cut.width),
    }
