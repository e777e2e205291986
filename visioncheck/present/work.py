"""The tolerance that a piece of work asks, and what the fence does to it, in words and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from visioncheck.fence.decision import Verdict
from visioncheck.present.correction import format_fence_error, percent
from visioncheck.present.line import LabelledLine
from visioncheck.results.numbers import error_json
from visioncheck.units import (
    UnitWorld,
    format_error,
    format_run,
    format_small,
    in_per_ft_from_deg,
    mm_per_m_from_deg,
)

if TYPE_CHECKING:
    from visioncheck.sled.model import Sled
    from visioncheck.uncertainty import Size
    from visioncheck.work.asked import Asked, Today
    from visioncheck.work.effects import Code, Work

_FAULTS: dict[tuple[str, Code], str] = {
    ("joint", "gap"): "the joint's gap at its open end",
    ("panel", "gap"): "how far a sawn end misses a square at its far corner",
    ("panel", "diagonals"): "difference of the diagonals, sawn with the same edge at the fence both times",
    ("box", "gap"): "gap of each corner joint, top or bottom, the box held upright",
    ("box", "wind"): "how far the box rocks on a flat table, its joints pulled tight",
    ("frame", "gap"): "gap of every mitre, heel or toe, all clamped at once",
    ("frame", "last_gap"): "gap of the last mitre, put together one after the other",
}
_LABELS: dict[Code, str] = {"gap": "Gap", "last_gap": "Last gap", "wind": "Wind", "diagonals": "Diagonals"}


def format_fault(work: Work, code: Code) -> str:
    """Say what a fault is, on this work."""
    return _FAULTS["box" if work.kind == "drawer" else work.kind, code]


def format_work(work: Work, units: UnitWorld) -> str:
    """Say what the work is, with its sizes."""
    size = {name: format_run(mm, units) for name, mm in work.sizes_mm.items()}
    match work.kind:
        case "joint":
            joined = "sawn end against a straight edge" if work.ends == 1 else "two sawn ends against each other"
            return f"joint {size['width']} wide, {joined}"
        case "panel":
            return f"panel sawn at both ends, {size['width']} along the cut, {size['length']} long"
        case "frame":
            return f"mitred frame of {work.sides} sticks {size['width']} wide"
        case _:
            return f"{work.kind} with butted sides {size['depth']} long and {size['height']} high"


def asked_lines(asked: Asked, sled: Sled | None, units: UnitWorld) -> list[LabelledLine]:
    """Say what the work asks of the fence, line by line, and what today's fence does to it."""
    work = asked.work
    ways = format_error(asked.tolerance_deg, sled.fence_length_mm if sled else None, units, signed=False)
    rest = ", ".join(way for way in (ways.in_per_ft, ways.mm_per_m, ways.over_length) if way)
    lines = [LabelledLine("Work", format_work(work, units)), *_accepted_lines(asked, units)]
    lines.append(LabelledLine("Tolerance", f"± {asked.tolerance_deg:.4f}° ({rest}){_deciding(asked)}"))
    for effect in work.effects:
        at_limit = format_fault_mm(effect.fault_mm(asked.tolerance_deg), units)
        lines.append(LabelledLine(_LABELS[effect.code], f"{at_limit} there: {format_fault(work, effect.code)}"))
    if sled:
        lines.append(LabelledLine("Sled", _against_sled(asked, sled)))
    lines.append(LabelledLine("In a sled's file", f'tolerance = "{tolerance_text(asked.tolerance_deg, units)}"'))
    if work.kind == "frame":
        lines.append(LabelledLine("Nominal", f"of a fence set to {180 / work.sides:g}°, at both ends of every stick"))
    return lines + (_today_lines(asked, asked.today, units) if asked.today else [])


def _accepted_lines(asked: Asked, units: UnitWorld) -> list[LabelledLine]:
    usual = "; about a sheet of paper, closed unseen by glue and a clamp (common practice)" if asked.usual else ""
    return [LabelledLine("Accepted", format_accepted(asked, units) + usual)]


def format_accepted(asked: Asked, units: UnitWorld) -> str:
    """Say the faults that the maker accepts."""
    each = (f"{_LABELS[code].lower()} up to {format_fault_mm(mm, units)}" for code, mm in asked.accepted_mm.items())
    return ", ".join(each)


def _deciding(asked: Asked) -> str:
    if len(asked.accepted_mm) == 1:
        return ""
    return f"; the {_LABELS[asked.decides.code].lower()} decides"


def format_fault_mm(mm: float, units: UnitWorld) -> str:
    """Write a fault's size in both worlds, the owner's first."""
    other: UnitWorld = "mm" if units == "in" else "in"
    return f"{_small(mm, units)} ({_small(mm, other)})"


def _small(mm: float, units: UnitWorld) -> str:
    return f"{mm:.2f} mm" if units == "mm" else format_small(mm, "in")


def _against_sled(asked: Asked, sled: Sled) -> str:
    said = format_sled_tolerance(sled)
    if sled.tolerance_deg > asked.tolerance_deg * (1 + 1e-6):
        times = sled.tolerance_deg / asked.tolerance_deg
        return f"{sled.name}'s file allows {said}, {times:.1f} times what this work bears"
    return f"{sled.name}'s file allows {said}, which this work bears"


def format_sled_tolerance(sled: Sled) -> str:
    """Say a sled's tolerance as its owner does."""
    ways = format_error(sled.tolerance_deg, signed=False)
    return ways.in_per_ft if sled.units == "in" else ways.mm_per_m


def tolerance_text(tolerance_deg: float, units: UnitWorld) -> str:
    """Write a tolerance as a sled's file takes it, rounded down to three digits."""
    value, unit = (
        (in_per_ft_from_deg(tolerance_deg), "in/ft") if units == "in" else (mm_per_m_from_deg(tolerance_deg), "mm/m")
    )
    digits = 2 - math.floor(math.log10(value))
    # a whisker for what the way through the tangent loses: 0.3 is not to become 0.299
    return f"{math.floor(value * 10**digits * (1 + 1e-9)) / 10**digits:.{max(digits, 0)}f}{unit}"


def _today_lines(asked: Asked, today: Today, units: UnitWorld) -> list[LabelledLine]:
    lines = [LabelledLine("Fence now", format_fence_error(today.error))]
    for effect, fault in zip(asked.work.effects, today.faults, strict=True):
        lines.append(LabelledLine(f"  {_LABELS[effect.code].lower()}", _fault_now(fault, units)))
    return [*lines, LabelledLine("Verdict", _format_verdict(today))]


def _fault_now(fault: Size, units: UnitWorld) -> str:
    low, high = _small(fault.low, units), _small(fault.high, units)
    if fault.low < fault.high / 50:
        return f"at most {high} (95 %)"
    return f"{_small(fault.mean, units)}, between {low} and {high} (95 %)"


def _format_verdict(today: Today) -> str:
    chance = f"chance {percent(today.decision.probability_inside)}"
    return {
        Verdict.INSIDE: f"good enough for this work ({chance})",
        Verdict.OUTSIDE: f"not good enough for this work ({chance} that it is)",
        Verdict.CANNOT_TELL: f"can't tell whether it is good enough for this work ({chance} that it is)",
    }[today.decision.verdict]


def asked_json(asked: Asked) -> dict[str, Any]:
    """Write it for JSON: lengths in mm, angles in deg."""
    work = asked.work
    found: dict[str, Any] = {
        "schema": 1,
        "kind": "tolerance",
        "work": work.kind,
        **{f"{name}_mm": mm for name, mm in work.sizes_mm.items()},
        **({"sides": work.sides} if work.kind == "frame" else {}),
        **({"ends": work.ends} if work.kind == "joint" else {}),
        "accepted_mm": dict(asked.accepted_mm),
        "usual": asked.usual,
        "tolerance_deg": asked.tolerance_deg,
        "in_per_ft": in_per_ft_from_deg(asked.tolerance_deg),
        "mm_per_m": mm_per_m_from_deg(asked.tolerance_deg),
        "decides": asked.decides.code,
        "at_tolerance_mm": {each.code: each.fault_mm(asked.tolerance_deg) for each in work.effects},
    }
    if asked.today:
        faults = zip(work.effects, asked.today.faults, strict=True)
        found["today"] = error_json(asked.today.error) | {
            "faults_mm": {
                effect.code: {"value": fault.mean, "u": fault.u, "low": fault.low, "high": fault.high}
                for effect, fault in faults
            },
            "verdict": asked.today.decision.verdict.value,
            "probability_inside": asked.today.decision.probability_inside,
        }
    return found
