"""Tell a fence that is out from a reference edge that is not straight, by two cuts; and whether a fence is straight.

A board seats on the fence with two places of its edge. Where those are not in line with the edge as it is read over
its whole length, the board lies on the fence turned by the seat, an angle that belongs to the board. It adds to the
corner of one cut like an error of the fence. Turned over end for end, the same edge on the fence, the board shows its
other end to the blade and the seat changes sign; the fence's error does not: half the sum is the fence's, half the
difference the board's (reversal: C. J. Evans, R. J. Hocken and W. T. Estler, *Self-calibration: reversal, redundancy,
error separation, and "absolute testing"*, CIRP Annals 45(2), 1996; citation from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from visioncheck.quantity import Quantity
from visioncheck.uncertainty import welch_satterthwaite

Recut = Literal["end for end", "second edge"]
_OWN = frozenset(
    {"edge", "hollows", "soft edge", "arris", "target points", "hand", "paper flatness", "piece placement"}
)
"""Sources of a reading's uncertainty that are another photo's anew; all others both photos share."""


@dataclass(frozen=True, slots=True)
class Separated:
    """What two cuts of one board say.

    Attributes
    ----------
    how : {"end for end", "second edge"}
        How the second cut was made: the board turned over end for end with the same edge on the fence, or with its
        other edge on the fence.
    error : Quantity
        The fence error, deg.
    seat : Quantity
        deg. End for end: by how much the board seats turned on the fence, counter-clockwise as it lay for the first
        cut. Second edge: half of what the two edges differ by.
    """

    how: Recut
    error: Quantity
    seat: Quantity

    @property
    def edge_shows(self) -> bool:
        """Whether a reference edge that is not straight stands out of the ±."""
        return abs(self.seat.value) > self.seat.expanded()


def separate(
    first: Quantity,
    second: Quantity,
    how: Recut,
    budgets: tuple[Mapping[str, float], Mapping[str, float]] = ({}, {}),
) -> Separated:
    """Part the fence's error from the board's edge.

    Parameters
    ----------
    first, second : Quantity
        Fence errors, deg, as each cut alone would have them.
    how : {"end for end", "second edge"}
        See `Separated`.
    budgets : (2,) tuple of mapping of str to float
        Their standard uncertainties by source: what both photos share does not average out.

    Returns
    -------
    Separated
        By a second edge the fence's error is what one of the two edges says if that one is straight: half of what they
        differ by is its uncertainty then, beside the readings' own. Where neither is straight nothing bounds it; only a
        cut end for end does.
    """
    shared = sum(budgets[0].get(source, 0.0) * part for source, part in budgets[1].items() if source not in _OWN)
    u = math.sqrt(max(first.u**2 + second.u**2 + 2 * shared, 0.0)) / 2
    own = math.hypot(first.u, second.u) / 2
    dof = welch_satterthwaite([first.u / 2, second.u / 2], [first.dof, second.dof])
    seat = Quantity((first.value - second.value) / 2, max(own, u if shared else own), "deg", dof)
    doubt = abs(seat.value) if how == "second edge" else 0.0
    error = Quantity((first.value + second.value) / 2, math.hypot(u, doubt), "deg", dof)
    return Separated(how, error, seat)


def rock_deg(bow: Quantity, length_mm: float) -> float:
    """How far to either side a board with an edge bowed outwards can roll on a straight fence, deg; 0 for a hollow one.

    A parabola of sagitta s over the length L has the slope ± 4 s / L at its ends; a hollow edge stands on both of its
    ends.
    """
    return math.degrees(math.atan(4 * max(bow.value, 0.0) / length_mm))


@dataclass(frozen=True, slots=True)
class FenceBow:
    """How straight a fence is, from a board's edge that was planed until it fits it.

    Attributes
    ----------
    bow : Quantity
        Sagitta of the fence over `length_mm`, mm; positive where it is hollow, its middle away from the work.
    length_mm : float
    sheet : Quantity or None
        What the sheet or straightedge itself was bowed by, mm, where a reversal told it.
    """

    bow: Quantity
    length_mm: float
    sheet: Quantity | None = None


def fence_bow(first: Quantity, second: Quantity | None, length_mm: float) -> FenceBow:
    """Read a fence's bow off an edge that fits it: the edge bulges where the fence is hollow.

    Parameters
    ----------
    first : Quantity
        Bow of the edge, mm, positive to the outside.
    second : Quantity or None
        The same with the board turned by half a turn, its edge on the same line of the sheet: what the sheet is bowed
        by then counts the other way (straight-edge reversal; see the module). None: with the sheet's own bow in it.
    length_mm : float
        Of the edge.
    """
    if second is None:
        return FenceBow(first, length_mm)
    u, dof = (first.u + second.u) / 2, min(first.dof, second.dof)
    board, sheet = (first.value + second.value) / 2, (first.value - second.value) / 2
    return FenceBow(Quantity(board, u, "mm", dof), length_mm, Quantity(sheet, u, "mm", dof))


def fence_bow_from_gap(gap: Quantity, opens: Literal["middle", "ends"], length_mm: float) -> FenceBow:
    """Read a fence's bow off two boards that both fit it, their fitted edges put together.

    Each edge is the fence's counterpart, so the two stand apart by twice its bow: in the middle where they are hollow
    (the fence bulges), at the ends, the other one touching, where they bulge.

    Parameters
    ----------
    gap : Quantity
        mm; at the ends, of one end while the other touches it is the whole: give the mean of both.
    """
    return FenceBow(gap.scaled(-0.5 if opens == "middle" else 0.5, "mm"), length_mm)
