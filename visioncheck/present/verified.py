"""A cut board's grooves against their plan: in lines and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.fence.decision import Verdict
from visioncheck.kerf.fit import judge_fit
from visioncheck.present.grooves import fitted_json, format_fit, said
from visioncheck.present.line import LabelledLine
from visioncheck.results.numbers import quantity_json
from visioncheck.units import format_length, format_small

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.kerf.fit import Fitted
    from visioncheck.kerf.plan import Plan
    from visioncheck.kerf.verify import Check, Verified
    from visioncheck.units import UnitWorld


def verified_lines(plan: Plan, verified: Sequence[Verified], edge: str) -> list[LabelledLine]:
    """Say every check; `edge` is the one that the places were measured from."""
    lines = [
        LabelledLine("Tolerance", f"± {format_small(plan.tolerance_mm, plan.units)}; places from the edge {edge!r}")
    ]
    for one in verified:
        lines += [
            LabelledLine(f"{one.groove.name}, {check.what}", _format_check(check, plan.units)) for check in one.checks
        ]
    left = [groove.name for groove in plan.grooves if groove not in [one.groove for one in verified]]
    return [*lines, *([LabelledLine("Not measured", ", ".join(left))] if left else [])]


def _format_check(check: Check, units: UnitWorld) -> str:
    verdict = {
        Verdict.INSIDE: "inside",
        Verdict.OUTSIDE: "OUTSIDE",
        Verdict.CANNOT_TELL: "can't tell yet",
    }[check.decision.verdict]
    more = "too wide" if check.what == "width" else "too far in"
    less = "too narrow" if check.what == "width" else "too near the edge"
    off = f"{format_small(abs(check.error.value), units)} {more if check.error.value > 0 else less}"
    return f"{verdict}: {said(check.measured, units)}, planned {format_length(check.planned_mm, units)}, {off}"


def fit_as_cut(plan: Plan, verified: Sequence[Verified]) -> list[LabelledLine]:
    """Say how each part sits in its groove as that was measured."""
    return [
        LabelledLine(f"{one.groove.name}, fit", format_fit(fitted, plan.units))
        for one in verified
        if (fitted := _fitted(one)) is not None
    ]


def _fitted(one: Verified) -> Fitted | None:
    """How the part sits in the groove as measured; None where no part was told."""
    groove = one.groove
    if groove.fit is None or groove.mating is None:
        return None
    return judge_fit(groove.fit, groove.mating, one.checks[2].measured, both_seen=groove.is_mating_seen)


def _fit_json(one: Verified) -> dict[str, Any]:
    fitted = _fitted(one)
    return {} if fitted is None else {"fit": fitted_json(fitted)}


def verified_json(plan: Plan, verified: Sequence[Verified]) -> dict[str, Any]:
    """Write the checks for JSON, lengths in mm."""
    return {
        "schema": 1,
        "plan": plan.name,
        "tolerance_mm": plan.tolerance_mm,
        "grooves": [
            {
                "name": one.groove.name,
                **_fit_json(one),
                "checks": [
                    {
                        "what": check.what,
                        "planned_mm": check.planned_mm,
                        "measured_mm": quantity_json(check.measured),
                        "error_mm": quantity_json(check.error),
                        "verdict": check.decision.verdict.value,
                        "probability_inside": check.decision.probability_inside,
                    }
                    for check in one.checks
                ],
            }
            for one in verified
        ],
    }
