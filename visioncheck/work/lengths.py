"""Repeat cuts at one stop: how far lengths spread; whether a second stop continues the first one's zero and line.

**Spread.** Lengths y_i of n pieces cut at one setting are spread by the stop (s_stop) and by the reading (u_own, what
one piece does not share with the next): E[s²] = s_stop² + mean u_own². What all readings share (scale of the sheet,
thickness) moves their mean and not their spread. The interval of s_stop is the generalised one (S. Weerahandi, 1993):
(n − 1) s² over drawn chi-squared values, less the readings' own variance, cut off at nothing.

**Zero.** Two stops set to a_1 and a_2 by one scale should give pieces that differ by a_2 − a_1. The second continues
the first one's zero when d = (mean_2 − mean_1) − (a_2 − a_1) is nothing. Its variance is s_1²/n_1 + s_2²/n_2, and what
the readings share of the scale: u_scale · |mean_2 − mean_1|, nothing for equal lengths. d > 0: the second stop's
pieces are too long.

**Line.** A piece that lies against an extension out of line with the fence is sawn off square by that much more: the
mean angle between the edge at the fence and the sawn end differs between the two groups by the angle t between
extension and fence. A step h between the two faces, with the piece bearing on both over a length L, does the same:
t = atan(h / L).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.quantity import Quantity
from visioncheck.uncertainty import welch_satterthwaite

if TYPE_CHECKING:
    from collections.abc import Sequence

_DRAWS = 50_000
_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class PieceLength:
    """One piece's length, and the angle of its sawn end.

    Parameters
    ----------
    name : str
        What it is called.
    length_mm : float
        Between its ends.
    u_own_mm : float
        Standard uncertainty that no other piece shares.
    u_shared_rel : float
        Relative standard uncertainty that all share: of the scale.
    u_shared_mm : float
        Standard uncertainty that all share whatever their length.
    angle : Quantity or None
        Between the edge at the fence and the sawn end, deg, where it was read.
    """

    name: str
    length_mm: float
    u_own_mm: float
    u_shared_rel: float = 0.0
    u_shared_mm: float = 0.0
    angle: Quantity | None = None


@dataclass(frozen=True, slots=True)
class StopSpread:
    """The pieces of one stop.

    Parameters
    ----------
    pieces : tuple of PieceLength
        In order.
    set_mm : float or None
        What the stop was set to.
    mean : Quantity
        Mean length, mm, with all that the readings share.
    own : Quantity
        The same mean with what they do not share alone: for differences.
    sd_mm : float
        Standard deviation of the lengths as read.
    stop_sd_mm : float
        What is left of it without the readings' own uncertainty; 0 where nothing shows.
    low_mm, high_mm : float
        Its 95 % interval.
    range_mm : float
        Longest less shortest.
    """

    pieces: tuple[PieceLength, ...]
    set_mm: float | None
    mean: Quantity
    own: Quantity
    sd_mm: float
    stop_sd_mm: float
    low_mm: float
    high_mm: float
    range_mm: float

    @property
    def dof(self) -> int:
        """Degrees of freedom of the standard deviation."""
        return len(self.pieces) - 1


@dataclass(frozen=True, slots=True)
class StopsCompared:
    """A second stop, or one on an extension, against the first.

    Parameters
    ----------
    zero : Quantity
        How much longer the second one's pieces are than its setting says against the first, mm.
    line : Quantity or None
        By how much the mean angle of the sawn ends differs, deg; None where angles were not read on both.
    """

    zero: Quantity
    line: Quantity | None


def spread(pieces: Sequence[PieceLength], set_mm: float | None = None) -> StopSpread:
    """Say how far the lengths of repeat cuts spread.

    Raises
    ------
    UserError
        Fewer than two pieces, or lengths so far apart that they are no repeat cuts.
    """
    n = len(pieces)
    if n < 2:
        raise UserError("One piece shows no spread; give at least 2 pieces of each stop, 5 for a fair figure")
    y = np.array([piece.length_mm for piece in pieces])
    if np.ptp(y) > checks.LENGTHS_MOST_APART_MM:
        raise UserError(
            f"These lengths lie {np.ptp(y):.1f} mm apart, so they are no repeat cuts at one stop; check them, and that"
            " nothing else lies on the sheet"
        )
    own_variance = float(np.mean([piece.u_own_mm**2 for piece in pieces]))
    s2 = float(y.var(ddof=1))
    mean = float(y.mean())
    # as seen, but no less than what the readings alone would make
    u_own = math.sqrt(max(s2, own_variance) / n)
    dof = n - 1.0 if s2 >= own_variance else math.inf
    shared = math.hypot(_shared_rel(pieces) * mean, max(piece.u_shared_mm for piece in pieces))
    drawn = s2 * (n - 1) / np.random.default_rng(1).chisquare(n - 1, _DRAWS)
    low, high = np.sqrt(np.maximum(np.quantile(drawn, [(1 - _LEVEL) / 2, (1 + _LEVEL) / 2]) - own_variance, 0.0))
    return StopSpread(
        pieces=tuple(pieces),
        set_mm=set_mm,
        mean=Quantity(mean, math.hypot(u_own, shared), "mm", welch_satterthwaite([u_own, shared], [dof, math.inf])),
        own=Quantity(mean, u_own, "mm", dof),
        sd_mm=math.sqrt(s2),
        stop_sd_mm=math.sqrt(max(s2 - own_variance, 0.0)),
        low_mm=float(low),
        high_mm=float(high),
        range_mm=float(np.ptp(y)),
    )


def compare_stops(first: StopSpread, second: StopSpread) -> StopsCompared:
    """Compare two stops; where neither setting is known they are taken to be set alike."""
    asked = 0.0 if first.set_mm is None or second.set_mm is None else second.set_mm - first.set_mm
    apart = second.own.value - first.own.value
    shared = max(_shared_rel(first.pieces), _shared_rel(second.pieces)) * abs(apart)
    parts, dofs = [first.own.u, second.own.u, shared], [first.own.dof, second.own.dof, math.inf]
    zero = Quantity(apart - asked, math.hypot(*parts), "mm", welch_satterthwaite(parts, dofs))
    angles = [[piece.angle for piece in each.pieces if piece.angle is not None] for each in (first, second)]
    line = None
    if all(len(each) >= 2 for each in angles):
        means = [_mean_angle(each) for each in angles]
        us = [each.u for each in means]
        line = Quantity(
            means[1].value - means[0].value,
            math.hypot(*us),
            "deg",
            welch_satterthwaite(us, [each.dof for each in means]),
        )
    return StopsCompared(zero, line)


def _mean_angle(angles: Sequence[Quantity]) -> Quantity:
    """Their mean; its scatter as seen, but no less than each reading's own uncertainty makes."""
    values = np.array([angle.value for angle in angles])
    n = len(values)
    own = float(np.mean([angle.u**2 for angle in angles]))
    s2 = float(values.var(ddof=1))
    return Quantity(float(values.mean()), math.sqrt(max(s2, own) / n), "deg", n - 1.0 if s2 >= own else math.inf)


def _shared_rel(pieces: Sequence[PieceLength]) -> float:
    return max(piece.u_shared_rel for piece in pieces)
