"""The tolerance that a piece of work asks of the fence, and what the fence's error does to the work today."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.errors import InputError
from visioncheck.fence.decision import Decision, decide
from visioncheck.uncertainty import Size, absolute_value
from visioncheck.work.effects import Code, Effect, Work, box, frame, joint, panel

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.quantity import Quantity
    from visioncheck.units import UnitWorld

_SIDES = {"depth": "depth: length of the sides whose sawn ends butt", "height": "height of those sides"}
_SIZES = {
    "joint": {"width": "width"},
    "panel": {"width": "width along the cut", "length": "length"},
    "box": _SIDES,
    "drawer": _SIDES,
    "frame": {"width": "sticks' width"},
}
WORK_KINDS = tuple(_SIZES)
SIZES = ("width", "length", "depth", "height")


@dataclass(frozen=True, slots=True)
class Today:
    """What a fence error does to the work.

    Parameters
    ----------
    error : Quantity
        Fence error, deg.
    faults : tuple of Size
        One for each effect, mm: with the shortest 95 % interval of its size.
    decision : Decision
        How the error stands to what the work asks.
    """

    error: Quantity
    faults: tuple[Size, ...]
    decision: Decision


@dataclass(frozen=True, slots=True)
class Asked:
    """What a piece of work asks of the fence.

    Parameters
    ----------
    work : Work
        The work.
    accepted_mm : dict of str to float
        The largest faults that the maker accepts, by the effect's code.
    usual : bool
        Whether nothing was said, and a usual gap is taken.
    tolerance_deg : float
        The largest fence error, of either sign, that keeps every accepted fault.
    decides : Effect
        The effect whose fault is reached first.
    today : Today or None
        What the fence's error does to it, where that is known.
    """

    work: Work
    accepted_mm: dict[Code, float]
    usual: bool
    tolerance_deg: float
    decides: Effect
    today: Today | None = None


def sizes_of(kind: str) -> dict[str, str]:
    """Give the sizes that a kind of work needs, each with what it is; InputError where there is no such kind."""
    if kind not in _SIZES:
        raise InputError("kind", f"{kind!r:.60} is no kind of work; choose one of {', '.join(_SIZES)}")
    return dict(_SIZES[kind])


def usual_gap_mm(units: UnitWorld) -> float:
    """Give a gap that glue and a clamp close unseen: 0.1 mm or 4 thou, a sheet of paper; common practice, no source."""
    return 0.1016 if units == "in" else 0.1


def describe_work(kind: str, sizes_mm: Mapping[str, float], sides: int | None = None, ends: int | None = None) -> Work:
    """Take a piece of work by its kind and sizes.

    Parameters
    ----------
    kind : {"joint", "panel", "box", "drawer", "frame"}
        What it is.
    sizes_mm : mapping of str to float
        ``width`` of a joint, panel (along the cut) or frame's stick, ``length`` of a panel, ``depth`` and
        ``height`` of the sides of a box or drawer, mm.
    sides, ends : int or None
        Of a frame, 4 if not said; of a joint, 1 if not said.

    Raises
    ------
    InputError
        A kind that there is not, a size that is missing, does not belong or cannot be.
    """
    _require_sizes(kind, sizes_mm, sides, ends)
    size = dict(sizes_mm)
    if kind == "joint":
        return joint(size["width"], ends or 1)
    if kind == "panel":
        return panel(size["width"], size["length"])
    if kind == "frame":
        return frame(size["width"], sides or 4)
    return box(size["depth"], size["height"], "box" if kind == "box" else "drawer")


def _require_sizes(kind: str, sizes_mm: Mapping[str, float], sides: int | None, ends: int | None) -> None:
    missing = [name for name in sizes_of(kind) if name not in sizes_mm]
    if missing:
        raise InputError(missing[0], f"A {kind} also needs {' and '.join(f'<{name}>' for name in missing)}")
    idle = {name: name in sizes_mm for name in SIZES if name not in _SIZES[kind]}
    idle |= {"sides": sides is not None and kind != "frame", "ends": ends is not None and kind != "joint"}
    for name, is_given in idle.items():
        if is_given:
            raise InputError(name, f"<{name}> does not belong to a {kind}; leave it out")
    for name, mm in sizes_mm.items():
        if not checks.WORK_SMALLEST_MM <= mm <= checks.WORK_LARGEST_MM:
            raise InputError(name, f"<{name}> is {mm:g} mm; it should lie between 1 mm and 10 m")
    if sides is not None and not 3 <= sides <= checks.FRAME_MOST_SIDES:
        raise InputError("sides", f"<sides> is {sides}; a frame has 3 to {checks.FRAME_MOST_SIDES} sides")
    if ends is not None and ends not in {1, 2}:
        raise InputError("ends", f"<ends> is {ends}; a joint has 1 sawn end or 2")


def ask(work: Work, accepted_mm: Mapping[Code, float], units: UnitWorld = "mm", error: Quantity | None = None) -> Asked:
    """Work out the tolerance, and what the fence's error of today does.

    Parameters
    ----------
    work : Work
        The work.
    accepted_mm : mapping
        Largest faults accepted, mm; none: a usual gap.
    units : {"in", "mm"}
        World of the usual gap.
    error : Quantity or None
        The fence's error now, deg, signed.

    Raises
    ------
    InputError
        A fault that this work does not have, or a tolerance that no sled can be held to or no work needs.
    """
    accepted: dict[Code, float] = dict(accepted_mm) or {"gap": usual_gap_mm(units)}
    known = {effect.code: effect for effect in work.effects}
    for code, mm in accepted.items():
        if code not in known:
            has = " or ".join(f"<{each}>" for each in known)
            raise InputError(code, f"<{code}> is no fault of a {work.kind}; say {has}")
        if not 0 < mm < math.inf:
            raise InputError(code, f"<{code}> must be larger than nothing: nothing is cut exactly")
    allowed = {code: known[code].allowed_deg(mm) for code, mm in accepted.items()}
    first = min(allowed, key=lambda code: allowed[code])
    tolerance = allowed[first]
    finest, coarsest = checks.TOLERANCE_FINEST_DEG, checks.TOLERANCE_COARSEST_DEG
    if not finest <= tolerance <= coarsest:
        much = "finer than" if tolerance < finest else "coarser than"
        raise InputError(
            first,
            f"<{first}> of {accepted[first]:g} mm on this {work.kind} asks for {tolerance:.2g}°, {much} any sled is"
            f" held to ({finest:g}° to {coarsest:g}°); check it and the sizes",
        )
    today = None if error is None else stand_today(work, tolerance, error)
    return Asked(work, accepted, not accepted_mm, tolerance, known[first], today)


def stand_today(work: Work, tolerance_deg: float, error: Quantity) -> Today:
    """Say what a fence error, deg, does to the work; every fault grows with the error's size, so its interval does."""
    size = absolute_value(error)
    faults = tuple(
        Size(each.fault_mm(size.mean), each.fault_mm(size.u), each.fault_mm(size.low), each.fault_mm(size.high), "mm")
        for each in work.effects
    )
    return Today(error, faults, decide(error, tolerance_deg))
