"""Several readings of a sled as it stands: one fence error with one ±, the scatter from cut to cut, and odd pieces.

What is alike in several readings (the survey of the sheet, the lens) does not average away, photos of one piece
count as one piece seen several times, and cuts scatter beyond what their uncertainties say: the seat against the fence,
the blade, the board's own edge.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks, quantity
from visioncheck.fence.scatter import LEAST_U_DEG, Cuts, Scatter, paule_mandel, weighted_squares, with_scatter
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_INNER, _OUTER = 0.6827, 0.95
_coverage = functools.cache(quantity.coverage_factor)


@dataclass(frozen=True, slots=True)
class Seen:
    """One reading of one piece.

    Attributes
    ----------
    error : Quantity
        Fence error, deg, signed.
    piece : str
        Which piece: readings with the same name are one piece seen several times.
    alike : mapping of str to float
        The parts of its standard uncertainty, deg, that other readings may have alike, by what they come through (a
        survey, a lens, a piece's own edges): two readings have those with the same name alike. Signed as they
        turn the error.
    name : str
        What the reading is called.
    """

    error: Quantity
    piece: str
    alike: Mapping[str, float] = field(default_factory=dict)
    name: str = ""


@dataclass(frozen=True, slots=True)
class OddPiece:
    """A piece that does not fit the others.

    Attributes
    ----------
    names : tuple of str
        Of its readings.
    off_by : Quantity
        How far off the others it is, deg; the uncertainty is that of the difference, the scatter in it.
    chance : float
        Of one piece as far off, among so many, when nothing is wrong with it.
    """

    names: tuple[str, ...]
    off_by: Quantity
    chance: float


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """One fence error from all pieces of a sled as it stands.

    Attributes
    ----------
    error : Quantity
        Fence error, deg, signed; its ± is that of the sled and not of one cut.
    pieces : int
        How many pieces it is of, odd ones not counted.
    readings : int
        How many readings of these.
    common_u_deg : float
        The part of its standard uncertainty that no further reading of these sorts makes smaller.
    piece_u_deg : float
        Standard uncertainty of a typical piece, without what is common and without the scatter.
    scatter_deg : float
        Scatter from cut to cut beyond that, a standard deviation: 0 where the pieces show none. See `paule_mandel`.
    scatter_at_most_deg : float
        It is below this with a probability of 95 %.
    odd : tuple of OddPiece
        Named, and left out of all the above.
    at_odds : tuple of tuple of str
        Readings of one piece that contradict each other beyond their ±.
    cuts : Cuts
        The pieces themselves, odd ones left out.
    known : Scatter
        What was known of the scatter before these pieces.
    """

    error: Quantity
    pieces: int
    readings: int
    common_u_deg: float
    piece_u_deg: float
    scatter_deg: float
    scatter_at_most_deg: float
    odd: tuple[OddPiece, ...]
    at_odds: tuple[tuple[str, ...], ...]
    cuts: Cuts
    known: Scatter

    @property
    def scatter(self) -> Scatter:
        """What is known of the scatter, these pieces included."""
        return self.known.after(self.cuts)


def pool(readings: Sequence[Seen], known: Scatter | None = None, never_odd: str = "") -> Pooled:
    """Take the mean of a sled's readings since it was last changed.

    Each piece counts by its whole uncertainty with the scatter from cut to cut; the weights are never negative,
    whatever the pieces have alike. The scatter itself is learnt from the pieces, after what earlier states of the sled
    have taught. Two or three pieces cannot tell it well: an estimate says "none" in half of the cases where it is as
    large as the pieces' own u, and the mean's ± with it would hold the truth far too seldom. So the ± is the
    average over all the scatters that the pieces leave possible, each with its weight (W. J. Browne and D. Draper,
    *A comparison of Bayesian and likelihood-based methods for fitting multilevel models*, 2006), and is written as the
    Student's t whose 68 % and 95 % intervals are the same. For many pieces it becomes that of Hartung and Knapp (2001).
    One piece alone, of a sled whose scatter nothing has taught yet, keeps its own ±.

    A piece is odd where the others leave so small a chance for it (`checks.ODD_PIECE_CHANCE`); the others must be
    the majority.

    Parameters
    ----------
    readings : sequence of Seen
        At least one.
    known : Scatter or None
        What is known of the sled's scatter; None: nothing.
    never_odd : str
        Name of a reading whose piece is never taken for odd: the newest of a row, which may as well be the first
        after a move.

    Raises
    ------
    ValueError
        Without a reading.
    """
    if not readings:
        raise ValueError("no reading to pool")
    known = known or Scatter()
    groups = _by_piece(readings)
    odd: list[OddPiece] = []
    while len(groups) > 2 * (len(odd) + 1) and (found := _oddest(groups, known, never_odd)) is not None:
        index, piece = found
        odd.append(piece)
        groups = [group for k, group in enumerate(groups) if k != index]
    cuts = _cuts_of(groups)
    common = _common_of(groups, cuts)
    own = np.sqrt(np.maximum(np.diag(cuts.covariance) - common**2, 0.0))
    error = _mean(cuts, known)
    if len(groups) == 1 and not known.is_learnt:
        error = groups[0][0].error if len(groups[0]) == 1 else error
    return Pooled(
        error=error,
        pieces=len(groups),
        readings=sum(map(len, groups)),
        common_u_deg=common,
        piece_u_deg=float(np.median(own)),
        scatter_deg=paule_mandel((*known.earlier, cuts)),
        scatter_at_most_deg=_upper(known, cuts),
        odd=tuple(odd),
        at_odds=tuple(tuple(each.name for each in group) for group in groups if _contradicts(group)),
        cuts=cuts,
        known=known,
    )


def _by_piece(readings: Sequence[Seen]) -> list[list[Seen]]:
    groups: dict[str, list[Seen]] = {}
    for each in readings:
        groups.setdefault(each.piece, []).append(each)
    return list(groups.values())


def _cuts_of(groups: Sequence[Sequence[Seen]]) -> Cuts:
    """Give each piece its mean, and the covariance of these means."""
    readings = [each for group in groups for each in group]
    covariance = _covariance(readings)
    mean = np.zeros((len(groups), len(readings)))
    start = 0
    for row, group in enumerate(groups):
        part = slice(start, start + len(group))
        weight = 1 / np.diag(covariance)[part]
        mean[row, part] = weight / weight.sum()
        start += len(group)
    value = np.array([each.error.value for each in readings])
    return Cuts(mean @ value, mean @ covariance @ mean.T)


def _covariance(readings: Sequence[Seen]) -> Floats:
    """Covariance of readings, deg²: what is their own, and what they have alike."""
    whole = np.array([max(_known_u(each.error), LEAST_U_DEG) for each in readings])
    shared = np.zeros((len(readings), len(readings)))
    for name in sorted({name for each in readings for name in each.alike}):
        parts = np.array([each.alike.get(name, 0.0) for each in readings])
        shared += np.outer(parts, parts)
    own = np.maximum(whole**2 - np.diag(shared), LEAST_U_DEG**2)
    return np.diag(own) + shared


def _known_u(error: Quantity) -> float:
    """Standard uncertainty, taken as known, whose 95 % interval is the reading's own by Student's t."""
    return error.u * _coverage(error.dof, _OUTER) / _coverage(math.inf, _OUTER)


def _common_of(groups: Sequence[Sequence[Seen]], cuts: Cuts) -> float:
    """What the pieces have alike, a standard uncertainty: the least covariance of any two; of one piece its shares."""
    count = len(groups)
    if count > 1:
        least = float(cuts.covariance[np.triu_indices(count, 1)].min())
        return math.sqrt(max(least, 0.0))
    return min(math.sqrt(sum(u**2 for u in each.alike.values())) for each in groups[0])


def _means(cuts: Cuts, tau: Floats) -> tuple[Floats, Floats]:
    """The mean and its standard uncertainty for each scatter, weighted by each piece's whole variance."""
    whole = with_scatter(cuts, tau)
    weight = 1 / np.einsum("tnn->tn", whole)
    weight /= weight.sum(axis=1, keepdims=True)
    return weight @ cuts.value, np.sqrt(np.einsum("tn,tnm,tm->t", weight, whole, weight))


def _mean(cuts: Cuts, known: Scatter) -> Quantity:
    """The mean over all scatters, as the Student's t with the same 68 % and 95 % intervals."""
    weight = known.weight(cuts)
    if len(cuts.value) == 1 and not known.is_learnt:
        weight = (known.grid_deg == 0).astype(float)
    means, us = _means(cuts, known.grid_deg)
    middle = float(weight @ means)
    inner, outer = (_half_width(level, middle, weight, means, us) for level in (_INNER, _OUTER))
    dof = _dof_of(outer / inner)
    return Quantity(middle, outer / _coverage(dof, _OUTER), "deg", dof)


def _half_width(level: float, middle: float, weight: Floats, means: Floats, us: Floats) -> float:
    """Half width of the interval about `middle` that holds `level` of a mixture of normals."""
    from scipy.special import ndtr  # lazy: kept off the path of --help

    low, high = 0.0, 10.0 * float(np.max(us) + np.ptp(means))
    for _ in range(60):
        half = (low + high) / 2
        held = float(weight @ (ndtr((middle + half - means) / us) - ndtr((middle - half - means) / us)))
        low, high = (half, high) if held < level else (low, half)
    return (low + high) / 2


@functools.cache
def _ratios() -> tuple[Floats, Floats]:
    dofs = np.concatenate([np.arange(1.0, 30.0), np.geomspace(30, 1000, 20).round()])
    ratios = np.array([_coverage(dof, _OUTER) / _coverage(dof, _INNER) for dof in dofs])
    return dofs, ratios


def _dof_of(ratio: float) -> float:
    """Degrees of freedom, whole, of the Student's t whose 95 % and 68 % intervals have this ratio or a larger one."""
    dofs, ratios = _ratios()
    if ratio <= ratios[-1]:
        return math.inf
    return float(dofs[int(np.flatnonzero(ratios >= ratio)[-1])]) if ratio < ratios[0] else 1.0


def _upper(known: Scatter, cuts: Cuts) -> float:
    """The scatter that is not exceeded with 95 %, deg."""
    return float(known.grid_deg[int(np.searchsorted(np.cumsum(known.weight(cuts)), 0.95))])


def _oddest(groups: Sequence[Sequence[Seen]], known: Scatter, never: str) -> tuple[int, OddPiece] | None:
    """Find the piece that the others leave the least chance, if that is small enough."""
    cuts = _cuts_of(groups)
    may_be = [k for k, group in enumerate(groups) if not never or never not in {each.name for each in group}]
    found = [(k, _as_odd(k, groups[k], cuts, known)) for k in may_be]
    index, piece = min(found, key=lambda each: each[1].chance)
    return (index, piece) if piece.chance < checks.ODD_PIECE_CHANCE else None


def _as_odd(index: int, group: Sequence[Seen], cuts: Cuts, known: Scatter) -> OddPiece:
    """Hold one piece against what the others foretell of it, averaged over the scatters that they leave possible."""
    from scipy.special import ndtr  # lazy: kept off the path of --help

    kept = [k for k in range(len(cuts.value)) if k != index]
    others = Cuts(cuts.value[kept], cuts.covariance[np.ix_(kept, kept)])
    weight = known.weight(others)
    whole = with_scatter(others, known.grid_deg)
    share = 1 / np.einsum("tnn->tn", whole)
    share /= share.sum(axis=1, keepdims=True)
    difference = cuts.value[index] - share @ others.value
    variance = np.einsum("tn,tnm,tm->t", share, whole, share) + cuts.covariance[index, index] + known.grid_deg**2
    u = np.sqrt(np.maximum(variance - 2 * share @ cuts.covariance[index, kept], LEAST_U_DEG**2))
    chance = min(1.0, len(cuts.value) * float(weight @ (2 * ndtr(-np.abs(difference) / u))))
    off_by = Quantity(float(weight @ difference), math.sqrt(float(weight @ u**2)), "deg")
    return OddPiece(tuple(each.name for each in group), off_by, chance)


def _contradicts(group: Sequence[Seen]) -> bool:
    """Whether readings of one piece disagree beyond their uncertainties."""
    if len(group) < 2:
        return False
    from scipy.special import chdtrc  # lazy: kept off the path of --help

    alone = Cuts(np.array([each.error.value for each in group]), _covariance(group))
    misfit = float(weighted_squares(alone, np.zeros(1))[0])
    return bool(chdtrc(len(group) - 1, misfit) < checks.ODD_PIECE_CHANCE)
