"""Whether a part fits its groove: the clearance wanted, what comes out, and the chance of too tight or too loose.

Clearance is the groove's width less the part's. With u of both it is spread by √(u_groove² + u_part²), and the chance
that it lies below the least or above the largest clearance of the fit follows (JCGM 106:2012, 7).

**Stack.** Two outside cutters and what lies between them cut their sum. Of the chippers and shims that are owned, each
there once, the set whose sum comes nearest to the width wanted is taken.

**A trial cut.** The scale's setting less the true distance to the near wall is the offset for that stack, whatever
makes it. With the fence on the flange's side the offset is the teeth's overhang beyond the zero blade's on that side;
on the other side it is the kerf less the zero blade's, less that overhang. Whichever leaves an overhang that teeth can
have tells on which side the fixed flange is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

from visioncheck import checks
from visioncheck.fence.decision import conformance_probability
from visioncheck.quantity import Quantity
from visioncheck.reading.sources import EDGE_BIAS_MM
from visioncheck.uncertainty import welch_satterthwaite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.kerf.plan import Side

FitName = Literal["press", "glue", "slide"]


@dataclass(frozen=True, slots=True)
class Fit:
    """How a part is to sit: clearance aimed at, and between which limits it is good, mm."""

    name: FitName
    aim_mm: float
    least_mm: float
    most_mm: float


FITS: dict[str, Fit] = {
    "press": Fit("press", -0.02, -0.10, 0.03),
    "glue": Fit("glue", 0.10, 0.03, 0.20),
    "slide": Fit("slide", 0.30, 0.15, 0.60),
}
"""Common practice, no source: driven home with a mallet; slid in by hand with room for glue; moving freely.

What is known of glue bounds them: joints in close contact have gaps of less than 0.15 mm (`tests/kerf/test_fits.py`).
"""


@dataclass(frozen=True, slots=True)
class Fitted:
    """What comes out for one part.

    Parameters
    ----------
    fit : Fit
        What was wanted.
    mating : Quantity
        The part's thickness or width, mm.
    clearance : Quantity
        Groove less part, mm; below zero it is an interference.
    too_tight, too_loose : float
        Chances.
    """

    fit: Fit
    mating: Quantity
    clearance: Quantity
    too_tight: float
    too_loose: float


def judge_fit(fit: Fit, mating: Quantity, width: Quantity, *, both_seen: bool = False) -> Fitted:
    """Hold a groove's width against the part that goes into it.

    `both_seen`: both were measured in photos. A phone that draws edges outwards makes the part wider and the groove
    narrower, so that this part of either's uncertainty, 2 b over two edges, counts against the other: u² = u_w² + u_m²
    + 2 (2 b)² (JCGM 100, 5.2.2, correlation -1 of what is shared in a difference).
    """
    us, dofs = (width.u, mating.u), (width.dof, mating.dof)
    dof = welch_satterthwaite(us, dofs)
    shared = math.sqrt(2) * 2 * EDGE_BIAS_MM if both_seen else 0.0
    clearance = Quantity(width.value - mating.value, math.hypot(*us, shared), "mm", dof)
    tight = conformance_probability(clearance, upper=fit.least_mm)
    loose = conformance_probability(clearance, lower=fit.most_mm)
    return Fitted(fit, mating, clearance, tight, loose)


@dataclass(frozen=True, slots=True)
class DadoStack:
    """Cutters, chippers and shims that are owned, mm: both outside cutters together, and each other piece once."""

    outer_mm: float
    chippers_mm: tuple[float, ...] = ()
    shims_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Stacked:
    """What to put on the arbor."""

    chippers_mm: tuple[float, ...]
    shims_mm: tuple[float, ...]
    total_mm: float


def choose_stack(wanted_mm: float, stack: DadoStack) -> Stacked | None:
    """Choose chippers and shims whose sum with the outside cutters comes nearest; None where those alone are too wide.

    The fewest pieces win among equals.
    """
    if stack.outer_mm > wanted_mm + checks.PLAN_SAME_MM:
        return None
    shims = sorted(_subsets(stack.shims_mm, checks.STACK_MOST_SHIMS), key=len)
    best, least = Stacked((), (), stack.outer_mm), math.inf
    for chippers in sorted(_subsets(stack.chippers_mm, len(stack.chippers_mm)), key=len):
        for leaves in shims:
            total = stack.outer_mm + sum(chippers) + sum(leaves)
            miss = abs(total - wanted_mm) + 1e-6 * (len(chippers) + len(leaves))
            if miss < least:
                best, least = Stacked(chippers, leaves, total), miss
    return best


def _subsets(pieces: Sequence[float], most: int) -> set[tuple[float, ...]]:
    ordered = sorted(pieces, reverse=True)
    return {chosen for count in range(min(most, len(ordered)) + 1) for chosen in combinations(ordered, count)}


@dataclass(frozen=True, slots=True)
class Learned:
    """What a trial cut tells of the saw.

    Parameters
    ----------
    offset : Quantity
        How much more the scale reads than the true distance to the near wall, with this stack, mm.
    flange : {"left", "right"} or None
        Side of the fixed flange; None where both leave a possible overhang (the settings are the same).
    overhang : Quantity
        How much farther the stack's teeth reach to the flange's side than the zero blade's, mm; with `flange` None
        for the side that was told.
    """

    offset: Quantity
    flange: Side | None
    overhang: Quantity


def learn_from_trial(
    setting_mm: float, near: Quantity, kerf: Quantity, zero_kerf: Quantity, fence: Side, told: Side | None = None
) -> Learned | None:
    """Learn the offset, the flange's side and the overhang from one pass in scrap.

    Parameters
    ----------
    setting_mm : float
        What the scale read.
    near : Quantity
        From the edge at the fence to the near wall, mm.
    kerf, zero_kerf : Quantity
        The trial's own width, and the kerf of the blade that the scale was zeroed with, mm.
    fence : {"left", "right"}
        Side of the blade that the fence is on.
    told : {"left", "right"} or None
        Side that the flange is said to be on.

    Returns
    -------
    Learned or None
        None where no side leaves an overhang that teeth can have: the setting or the reading is wrong.
    """
    offset = Quantity(setting_mm - near.value, near.u, "mm", near.dof)
    other: Side = "left" if fence == "right" else "right"
    wider_u = math.hypot(kerf.u, zero_kerf.u, near.u)
    overhangs: dict[Side, Quantity] = {
        fence: offset,
        other: Quantity(kerf.value - zero_kerf.value - offset.value, wider_u, "mm"),
    }
    possible = [side for side, each in overhangs.items() if abs(each.value) <= checks.TOOTH_OVERHANG_MM]
    if not possible:
        return None
    if len(possible) == 1:
        return Learned(offset, possible[0], overhangs[possible[0]])
    return Learned(offset, None, overhangs[told or possible[0]])
