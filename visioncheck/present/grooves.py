"""A laid-out plan in words and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.kerf.fit import Fitted, Learned, choose_stack, judge_fit
from visioncheck.kerf.passes import groove_kerf, scale_offset_mm
from visioncheck.present.correction import percent
from visioncheck.present.line import LabelledLine
from visioncheck.results.numbers import quantity_json
from visioncheck.units import MM_PER_IN, format_length, format_small

if TYPE_CHECKING:
    from visioncheck.kerf.passes import Cut, PlannedCuts
    from visioncheck.kerf.plan import Plan, Side
    from visioncheck.quantity import Quantity
    from visioncheck.units import UnitWorld


STACK_CAUTIONS = (
    "A stack of blades only where the saw's manual allows it, under its guard, in an insert that fits it.",
    "No dado stack where the arbor's nut does not sit on its full thread, and no groove through the sled's fence ends.",
)
"""Common practice, no source."""


def layout_lines(layout: PlannedCuts) -> list[LabelledLine]:
    """Say the fence settings of every groove in order, what comes out, and what to beware of."""
    plan = layout.plan
    lines = [
        LabelledLine("At the fence", f"the edge {plan.fence_edge!r}, for every pass; fence on the {plan.saw.fence}")
    ]
    for cut in layout.cuts:
        lines += [*_cut_lines(cut, plan), *fit_lines(cut, plan), *_centred_lines(cut, plan), *_stack_lines(cut, plan)]
    lines += [LabelledLine("Beware", warning) for warning in layout.warnings]
    kerfs = [groove_kerf(cut.groove, plan.saw) for cut in layout.cuts]
    if plan.saw.setting_u_mm == 0 and any(kerf.u > 0 for kerf in kerfs):
        lines.append(LabelledLine("Left out", "how well the fence is set each time (setting_plus_minus in the plan)"))
    if any(cut.groove.mating is not None for cut in layout.cuts):
        lines.append(
            LabelledLine(
                "Moisture",
                "measure part and board on the same day: wood gains or loses 0.2 to 0.3 % of its width across the grain"
                " for each 1 % of moisture (common practice)",
            )
        )
    if plan.stack is not None:
        lines += [LabelledLine("Caution", caution) for caution in STACK_CAUTIONS]
    if plan.saw.overhang is None and any(cut.groove.kerf is not None for cut in layout.cuts):
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


def fit_lines(cut: Cut, plan: Plan) -> list[LabelledLine]:
    """Say how the part sits in the groove as it comes out."""
    groove = cut.groove
    if groove.mating is None or groove.fit is None:
        return []
    fitted = judge_fit(groove.fit, groove.mating, cut.width)
    return [LabelledLine("  fit", format_fit(fitted, plan.units))]


def format_fit(fitted: Fitted, units: UnitWorld) -> str:
    """Say a fit: what was wanted, the clearance that comes out, and the chances."""
    fit, clear = fitted.fit, fitted.clearance
    kind = "clearance" if clear.value >= 0 else "interference"
    spread = f" ± {format_small(clear.expanded(), units)}" if clear.u > 0 else ""
    low, high = format_small(fit.least_mm, units), format_small(fit.most_mm, units)
    return (
        f"{fit.name}: {format_small(abs(clear.value), units)}{spread} {kind} on a part of {said(fitted.mating, units)}"
        f" (good: {low} to {high}, common practice); chance of too tight {percent(fitted.too_tight)}, of too loose"
        f" {percent(fitted.too_loose)}"
    )


def _centred_lines(cut: Cut, plan: Plan) -> list[LabelledLine]:
    if not cut.groove.is_centred:
        return []
    near = min(cut.passes, key=lambda one: one.near_mm)
    setting = format_setting(near.setting_mm, plan.units)
    both = f"once with {plan.fence_edge!r} and once with {plan.other_edge!r} at the fence"
    sure = "it lies in the middle for certain, and an error of the board's width goes into the groove's width"
    return [LabelledLine("  centred", f"cut with the scale at {setting} {both}, and clear what stands between: {sure}")]


def _stack_lines(cut: Cut, plan: Plan) -> list[LabelledLine]:
    if plan.stack is None:
        return []
    chosen = choose_stack(cut.groove.width_mm, plan.stack)
    if chosen is None:
        return [LabelledLine("  stack", "the outside cutters alone are wider: use one blade and several passes")]
    each = [format_length(plan.stack.outer_mm, plan.units) + " outside cutters"]
    each += [f"{format_length(mm, plan.units)} chipper" for mm in chosen.chippers_mm]
    each += [f"{format_small(mm, plan.units)} shim" for mm in chosen.shims_mm]
    off = chosen.total_mm - cut.groove.width_mm
    miss = f"{format_small(abs(off), plan.units)} {'over' if off > 0 else 'short'}"
    total = format_length(chosen.total_mm, plan.units)
    return [LabelledLine("  stack", f"{', '.join(each)}: {total} by its parts, {miss}; measure what it cuts in scrap")]


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
        **_fit_json(cut),
        "at_mm": quantity_json(cut.place),
        "width_mm": quantity_json(cut.width),
    }


def _fit_json(cut: Cut) -> dict[str, Any]:
    groove = cut.groove
    if groove.mating is None or groove.fit is None:
        return {}
    return {"fit": fitted_json(judge_fit(groove.fit, groove.mating, cut.width))}


def fitted_json(fitted: Fitted) -> dict[str, Any]:
    """Write a fit for JSON, mm."""
    return {
        "kind": fitted.fit.name,
        "mating_mm": quantity_json(fitted.mating),
        "clearance_mm": quantity_json(fitted.clearance),
        "least_mm": fitted.fit.least_mm,
        "most_mm": fitted.fit.most_mm,
        "probability_too_tight": fitted.too_tight,
        "probability_too_loose": fitted.too_loose,
    }


def learned_lines(learned: Learned, fence: Side, units: UnitWorld) -> list[LabelledLine]:
    """Say what a trial cut tells of the saw, and what to write into the plan."""
    offset = learned.offset
    way = "more" if offset.value >= 0 else "less"
    size = f"{format_length(abs(offset.value), units)} ± {format_small(offset.expanded(), units)}"
    lines = [LabelledLine("Trial", f"the scale reads {size} {way} than the true distance, with this stack")]
    reach = learned.overhang
    over = f"{format_small(abs(reach.value), units)} ± {format_small(reach.expanded(), units)}"
    farther = "farther" if reach.value >= 0 else "less far"
    if learned.flange is None:
        lines.append(LabelledLine("Flange", "either side may be: this stack is too little wider to tell"))
    else:
        side = "the fence's side" if learned.flange == fence else "the side away from the fence"
        lines.append(LabelledLine("Flange", f"on the {learned.flange}, {side}"))
    lines.append(
        LabelledLine("Overhang", f"the stack's teeth reach {over} {farther} to the flange than the zero blade's")
    )
    written = f'overhang = "{reach.value:.3f}mm", overhang_plus_minus = "{reach.expanded():.3f}mm"'
    flange = "" if learned.flange is None else f'flange = "{learned.flange}", '
    return [*lines, LabelledLine("In the plan", f"under [saw]: {flange}{written}")]
