"""Fence settings for grooves, and what comes out of them.

The scale reads the distance from the fence to the nearest face of the blade that it was zeroed with. The blade's face
at the fixed flange stays where it is whatever is on the arbor; a wider stack grows away from the flange. So:

- fence on the flange's side: the face next to the fence is the one that stays; the scale stays right;
- fence on the other side: the stack grows towards the fence by the difference of the kerfs, and the scale reads that
  much more than the true distance to the nearest face.

The teeth of the stack may reach farther to the flange's side than the zero blade's, by an overhang that a trial cut
shows: with the fence on that side the stack is nearer to the fence by it, on the other side farther. Without a trial
both are taken to reach as far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.quantity import Quantity
from visioncheck.uncertainty import welch_satterthwaite
from visioncheck.units import format_length

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.kerf.plan import Groove, Plan, TableSaw


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass: what the scale reads, and the two walls it cuts, mm from the edge at the fence."""

    setting_mm: float
    near_mm: float
    far_mm: float


@dataclass(frozen=True, slots=True)
class Cut:
    """One groove as it comes out.

    Parameters
    ----------
    groove : Groove
        What was wanted.
    passes : tuple of Pass
        In order.
    place, width : Quantity
        From the groove's datum edge to its near wall, and between its walls, mm.
    """

    groove: Groove
    passes: tuple[Pass, ...]
    place: Quantity
    width: Quantity

    @property
    def near_mm(self) -> float:
        """The wall nearer to the fence, from the edge at the fence."""
        return min(one.near_mm for one in self.passes)

    @property
    def far_mm(self) -> float:
        """The wall farther from the fence, from the edge at the fence."""
        return max(one.far_mm for one in self.passes)


@dataclass(frozen=True, slots=True)
class PlannedCuts:
    """All grooves of a plan as they come out, and what to beware of."""

    plan: Plan
    cuts: tuple[Cut, ...]
    warnings: tuple[str, ...]


def groove_kerf(groove: Groove, saw: TableSaw) -> Quantity:
    """Give the kerf of what cuts the groove, mm."""
    return saw.zero_kerf if groove.kerf is None else groove.kerf


def scale_offset_mm(groove: Groove, saw: TableSaw) -> float:
    """How much more the scale reads than the true distance from the fence to the nearest face."""
    if groove.kerf is None:
        return 0.0
    beyond = saw.overhang.value if saw.overhang else 0.0
    return groove.kerf.value - saw.zero_kerf.value - beyond if _grows_to_fence(groove, saw) else beyond


def _grows_to_fence(groove: Groove, saw: TableSaw) -> bool:
    return groove.kerf is not None and saw.fence != saw.flange


def lay_out(plan: Plan) -> PlannedCuts:
    """Work out every pass of every groove and check them together.

    Raises
    ------
    UserError
        When a groove leaves the board, or its stack is wider than it, or the overlap as wide as the blade.
    """
    cuts = tuple(_cut(groove, plan) for groove in plan.grooves)
    warnings = [warning for cut in cuts for warning in _groove_warnings(cut, plan)]
    return PlannedCuts(plan, cuts, (*warnings, *_datum_warnings(plan), *_land_warnings(cuts, plan)))


def _datum_warnings(plan: Plan) -> list[str]:
    """Two marks from different edges move against each other with the board's width."""
    first = plan.grooves[0]
    other = next((groove for groove in plan.grooves if groove.edge != first.edge), None)
    if other is None:
        return []
    names, edges = f"{first.name!r} and {other.name!r}", f"{first.edge!r} and {other.edge!r}"
    shift = "an error of the board's width shifts one against the other; mark both from one edge"
    return [f"grooves {names} are marked from different edges, {edges}: {shift}"]


def _cut(groove: Groove, plan: Plan) -> Cut:
    kerf = groove_kerf(groove, plan.saw).value
    _check(groove, kerf, plan)
    offset = scale_offset_mm(groove, plan.saw)
    if groove.settings_mm is None:
        settings = [distance + offset for distance in _distances(groove, kerf, plan)]
    else:
        settings = list(groove.settings_mm)
    passes = tuple(Pass(setting, setting - offset, setting - offset + kerf) for setting in settings)
    near, far, width = _walls(groove, passes, plan.saw)
    from_fence = groove.edge == plan.fence_edge
    place = near if from_fence else Quantity(plan.board_mm - far.value, far.u, "mm", far.dof)
    return Cut(groove, passes, place, width)


def _check(groove: Groove, kerf: float, plan: Plan) -> None:
    said = _Say(plan)
    if groove.at_mm < -checks.PLAN_SAME_MM or groove.at_mm + groove.width_mm > plan.board_mm + checks.PLAN_SAME_MM:
        raise UserError(
            f"Groove {groove.name!r} leaves the board: it would reach from {said(groove.at_mm)} to "
            f"{said(groove.at_mm + groove.width_mm)} of {said(plan.board_mm)}; mend its place, its width or the board"
        )
    if kerf > groove.width_mm + checks.PLAN_SAME_MM:
        raise UserError(
            f"Groove {groove.name!r} is {said(groove.width_mm)} wide, narrower than the {said(kerf)} that is on the "
            "arbor; take a narrower blade or stack"
        )
    if groove.width_mm - kerf > checks.PLAN_MOST_PASSES * (kerf - plan.overlap_mm) > 0:
        raise UserError(
            f"Groove {groove.name!r} would take over {checks.PLAN_MOST_PASSES} passes of {said(kerf)}; take a wider"
            " stack for it"
        )
    if plan.overlap_mm >= kerf:
        raise UserError(
            f"An overlap of {said(plan.overlap_mm)} is not less than the {said(kerf)} on the arbor; take a smaller one"
        )


def _distances(groove: Groove, kerf: float, plan: Plan) -> list[float]:
    """Give the true distances from the fence to the nearest face: near wall first, the last pass at the far one."""
    from_fence = groove.edge == plan.fence_edge
    near = groove.at_mm if from_fence else plan.board_mm - groove.at_mm - groove.width_mm
    spare = groove.width_mm - kerf
    if spare <= checks.PLAN_SAME_MM:
        return [near]
    steps = math.ceil(spare / (kerf - plan.overlap_mm) - 1e-9)
    return [near + spare * step / steps for step in range(steps + 1)]


def _walls(groove: Groove, passes: Sequence[Pass], saw: TableSaw) -> tuple[Quantity, Quantity, Quantity]:
    """Near wall, far wall and width with their uncertainties (JCGM 100, 5.1).

    near = setting − (kerf − zero) and far = setting + zero where the stack grows to the fence; otherwise
    near = setting and far = setting + kerf. In both cases the width is the kerf and the way between the settings.
    """
    kerf, zero = groove_kerf(groove, saw), saw.zero_kerf
    grows = _grows_to_fence(groove, saw)
    set_u = (saw.setting_u_mm, math.inf)
    from_kerf, from_zero = (kerf.u, kerf.dof), (zero.u, zero.dof)
    reach = [(saw.overhang.u, saw.overhang.dof)] if saw.overhang and groove.kerf is not None else []
    near_parts = [set_u, *reach, *([from_kerf, from_zero] if grows else [])]
    far_parts = [set_u, *reach, from_zero if grows else from_kerf]
    moved = max(one.near_mm for one in passes) - min(one.near_mm for one in passes) > 0
    width_parts = [from_kerf, *([set_u, set_u] if moved else [])]
    near = min(one.near_mm for one in passes)
    far = max(one.far_mm for one in passes)
    return _sum(near, near_parts), _sum(far, far_parts), _sum(far - near, width_parts)


def _sum(value: float, parts: Sequence[tuple[float, float]]) -> Quantity:
    us, dofs = zip(*parts, strict=True)
    return Quantity(value, math.hypot(*us), "mm", welch_satterthwaite(us, dofs))


class _Say:
    """Writes a length in the plan's units."""

    def __init__(self, plan: Plan) -> None:
        self._units = plan.units

    def __call__(self, mm: float) -> str:
        return format_length(mm, self._units)


def _groove_warnings(cut: Cut, plan: Plan) -> list[str]:
    said, groove = _Say(plan), cut.groove
    name = f"groove {groove.name!r}"
    warnings = []
    for k, one in enumerate(cut.passes, start=1):
        if one.near_mm < -checks.PLAN_SAME_MM:
            warnings.append(f"{name}, pass {k} lands past the edge {plan.fence_edge!r} by {said(-one.near_mm)}")
        if one.far_mm > plan.board_mm + checks.PLAN_SAME_MM:
            past = said(one.far_mm - plan.board_mm)
            warnings.append(f"{name}, pass {k} lands past the edge {plan.other_edge!r} by {past}")
        if one.setting_mm < -checks.PLAN_SAME_MM:
            warnings.append(f"{name}, pass {k}: the scale would read {said(one.setting_mm)}, below its zero")
    if cut.near_mm < checks.PLAN_TOUCH_MM:
        warnings.append(
            f"{name}: the blade runs at the fence; put a sacrificial face on it and allow for its thickness"
        )
    warnings += _pass_warnings(cut, said)
    if groove.settings_mm is not None:
        warnings += _wish_warnings(cut, said)
    if groove.after is not None:
        warnings.append(
            f"{name} is measured from groove {groove.after!r}, so the errors of both add up; "
            f"the settings here are from the edge: check it at {said(groove.at_mm)} from the edge {groove.edge!r}"
        )
    if groove.edge != plan.fence_edge:
        warnings.append(
            f"{name} is measured from the edge {groove.edge!r} but {plan.fence_edge!r} lies at the fence: an error of "
            "the board's width shifts it"
        )
    return warnings + _channel_warnings(cut, said)


def _pass_warnings(cut: Cut, said: _Say) -> list[str]:
    ordered = sorted(cut.passes, key=lambda one: one.near_mm)
    # the overlap is kerf less the way between two settings: its uncertainty is the width's
    doubt = cut.width.expanded()
    warnings = []
    for first, second in pairwise(ordered):
        gap = second.near_mm - first.far_mm
        if gap > checks.PLAN_SAME_MM:
            warnings.append(f"groove {cut.groove.name!r}: an uncut sliver of {said(gap)} stays between two passes")
        elif gap + doubt > checks.PLAN_SAME_MM and doubt > 0:
            warnings.append(
                f"groove {cut.groove.name!r}: two passes overlap by only {said(-gap)} ± {said(doubt)}; "
                "an uncut sliver may stay between them"
            )
    return warnings


def _wish_warnings(cut: Cut, said: _Say) -> list[str]:
    wanted = cut.groove
    pairs = (("place", cut.place.value, wanted.at_mm), ("width", cut.width.value, wanted.width_mm))
    return [
        f"groove {wanted.name!r}: its settings make the {what} {said(got)}, the plan wants {said(want)}"
        for what, got, want in pairs
        if abs(got - want) > checks.PLAN_SAME_MM
    ]


def _channel_warnings(cut: Cut, said: _Say) -> list[str]:
    line = cut.groove.blade_line_mm
    if line is None:
        return []
    off = line - (cut.place.value + cut.width.value / 2)
    if abs(off) <= checks.PLAN_OFF_CENTRE_MM:
        return []
    way = "farther from" if off > 0 else "nearer to"
    warning = (
        f"groove {cut.groove.name!r}: the blade's line is {said(abs(off))} off the middle of the insert's channel, "
        f"{way} the edge {cut.groove.edge!r}; a turned-round insert will not meet the kerf"
    )
    return [warning]


def _land_warnings(cuts: Sequence[Cut], plan: Plan) -> list[str]:
    said = _Say(plan)
    warnings = []
    for first, second in pairwise(sorted(cuts, key=lambda cut: cut.near_mm)):
        land = second.near_mm - first.far_mm
        names = f"grooves {first.groove.name!r} and {second.groove.name!r}"
        if land < -checks.PLAN_SAME_MM:
            warnings.append(f"{names} run into each other by {said(-land)}")
        elif checks.PLAN_SAME_MM < land < checks.PLAN_SLIVER_MM:
            warnings.append(f"an uncut sliver of only {said(land)} stays between {names}; it will break out")
    for cut in cuts:
        for edge, land in ((plan.fence_edge, cut.near_mm), (plan.other_edge, plan.board_mm - cut.far_mm)):
            if checks.PLAN_SAME_MM < land < checks.PLAN_SLIVER_MM:
                name = f"groove {cut.groove.name!r}"
                warnings.append(f"an uncut sliver of only {said(land)} stays between {name} and the edge {edge!r}")
    return warnings
