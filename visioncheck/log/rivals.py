"""What may have happened in a row of readings, weighed: no change, a step, a drift, one odd reading.

Each adds one term of unknown size to the level of the readings; its marginal likelihood is a closed form for each
scatter on a grid, and the scatter is averaged out. Sources stand in `visioncheck.log.changes`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

Kind = Literal["step", "drift", "odd"]
KINDS: tuple[Kind, ...] = ("step", "drift", "odd")

# Prior odds against "no change" of each kind, shared by all its places
PRIOR_ODDS: dict[Kind, float] = {"step": 1.8, "drift": 0.7, "odd": 0.5}
# Size of a change before it is seen: normal with these standard deviations, in typical uncertainties of a reading, and
# these chances; most changes are of the size that one looks for, some are far larger
SIZES_IN_U = np.array([5.0, 30.0, 200.0])
_SIZE_CHANCES = np.array([0.8, 0.15, 0.05])
# Scatter from cut to cut in typical uncertainties of a reading: half-Cauchy, the bulk below a half (A. Gelman,
# *Prior distributions for variance parameters in hierarchical models*, 2006)
SCATTER_IN_U = 0.25
_GRID = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 16.0])
# A change that hangs on one end reading by more than this share of its weight is a step or an odd reading, no drift
_MOST_ON_ONE = 0.7


@dataclass(frozen=True, slots=True)
class Change:
    """A change of level.

    Attributes
    ----------
    kind : {"step", "drift", "odd"}
        The level jumps before reading `at`; it changes evenly in time from reading `at` to the last; reading `at` alone
        is off.
    at : int
        Index of the reading.
    earliest, latest : int
        Range of `at` that holds it with 95 % probability.
    size, u : float
        Change of the level (of a drift: until the last reading) and its standard uncertainty, in the readings' unit.
    probability : float
        That there is such a change, of this kind, given what was found before.
    moved : float
        That the level of the last reading is another than that of the first: a step or a drift, whichever.
    none : float
        That there is no change at all beside those found before.
    """

    kind: Kind
    at: int
    earliest: int
    latest: int
    size: float
    u: float
    probability: float
    moved: float
    none: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is known of the scatter from cut to cut: values on a grid, and the logarithm of each one's weight."""

    values: Floats
    log_weight: Floats

    @classmethod
    def before_readings(cls, u: Floats) -> Scatter:
        """What is known before any reading is seen, for readings with standard uncertainties `u`, shape (n,)."""
        edges = np.concatenate([[0.0], (_GRID[1:] + _GRID[:-1]) / 2, [np.inf]])
        return cls(_GRID * float(np.median(u)), np.log(np.diff(np.arctan(edges / SCATTER_IN_U)) * 2 / math.pi))

    @property
    def rms(self) -> float:
        """Root mean square, in the readings' unit."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return math.sqrt(float(weight @ self.values**2 / weight.sum()))


@dataclass(frozen=True, slots=True)
class Row:
    """The readings, what is held of their level, and the scatters that are tried.

    Attributes
    ----------
    time, value, u : array, shape (n,)
        Times in order from 0 to 1; values; their standard uncertainties.
    held : tuple of Change
        The changes that are taken as found.
    columns : array, shape (n, p)
        The terms of the level, each with a size of its own: one for the level and one for each change held.
    scatter : Scatter
        What is known of the scatter before these readings.
    """

    time: Floats
    value: Floats
    u: Floats
    held: tuple[Change, ...]
    columns: Floats
    scatter: Scatter

    @classmethod
    def of(cls, time: Floats, value: Floats, u: Floats, scatter: Scatter) -> Row:
        """Readings of which nothing but a level is held; times are counted from 0 to 1."""
        start, length = time[0], time[-1] - time[0]
        # numbers near one, so that no digits are lost
        time = (time - start) / length if length > 0 else np.zeros(len(time))
        return cls(time, value, u, (), np.ones((len(time), 1)), scatter)

    def holding(self, change: Change) -> Row:
        """Hold one change more."""
        column = _term(self.time, change.kind, change.at)
        return replace(self, held=(*self.held, change), columns=np.column_stack([self.columns, column]))

    def holding_only(self, changes: Sequence[Change]) -> Row:
        """Hold these changes and no others."""
        row = replace(self, held=(), columns=self.columns[:, :1])
        for change in changes:
            row = row.holding(change)
        return row

    def scatter_after(self) -> Scatter:
        """What is known of the scatter after these readings, given the held level."""
        held = _fit(self, _NO_RIVALS).log_held
        return replace(self.scatter, log_weight=self.scatter.log_weight + held - held.max())


@dataclass(frozen=True, slots=True)
class _Rivals:
    """Possible changes, m of them: kind (index into `KINDS`), place, and logarithm of the prior odds against none."""

    kind: NDArray[np.intp]
    at: NDArray[np.intp]
    log_odds: Floats


_NO_RIVALS = _Rivals(np.array([], dtype=np.intp), np.array([], dtype=np.intp), np.array([]))


@dataclass(frozen=True, slots=True)
class _Fit:
    """For t scatters: the held level's log marginal likelihood (t,), and m rivals' log gain, size and its u, (t, m)."""

    log_held: Floats
    log_gain: Floats
    size: Floats
    u: Floats


def _term(time: Floats, kind: Kind, at: int) -> Floats:
    index = np.arange(len(time))
    term: Floats
    if kind == "drift":
        term = np.maximum(0.0, time - time[at]) / (time[-1] - time[at])
    else:
        term = (index >= at if kind == "step" else index == at).astype(float)
    return term


def _rivals(row: Row) -> _Rivals:
    """List what may have happened: a change of which two readings at least bear witness on its later side."""
    count, later = len(row.time), np.diff(row.time, prepend=-1.0) > 0
    bounds = [change.at for change in row.held if change.kind != "odd"]
    odd_held = {change.at for change in row.held if change.kind == "odd"}
    steps = [k for k in range(1, count - 1) if later[k] and all(abs(k - bound) > 1 for bound in bounds)]
    drifts = [k for k in range(count - 3) if later[k + 1] and row.time[-1] > row.time[k]]
    # a first reading that is off looks like a step after it, and is called that
    needed = _needed(bounds, odd_held, count)
    odds = [i for i in range(count) if (i > 0 or (count > 2 and 1 not in steps)) and i not in odd_held | needed]
    places = dict(zip(KINDS, (steps, drifts, odds), strict=True))
    kind = np.concatenate([np.full(len(at), n) for n, at in enumerate(places.values())])
    log_odds = [math.log(PRIOR_ODDS[name] * share) for name, at in places.items() for share in _shares(name, at)]
    return _Rivals(kind, np.array([k for at in places.values() for k in at], dtype=np.intp), np.array(log_odds))


def _needed(bounds: Sequence[int], odd: set[int], count: int) -> set[int]:
    """Readings without which a change that is held would hang on one alone."""
    needed: set[int] = set()
    for start, end in itertools.pairwise([*sorted(bounds), count]):
        witnesses = set(range(start, end)) - odd
        needed |= witnesses if len(witnesses) <= 2 else set()
    return needed


def _shares(kind: Kind, at: Sequence[int]) -> Floats:
    """Share a kind's prior odds among its places: what was set anew settles sooner rather than later."""
    share: Floats = 1 / np.array(at, dtype=float) if kind == "step" else np.ones(len(at))
    share /= share.sum()
    return share


def _fit(row: Row, rivals: _Rivals) -> _Fit:
    """Weigh every rival against the held level, for all scatters and rivals at once from running sums.

    With weights w, held terms Z and one more term x, s = x'Wx − x'WZ (Z'WZ)⁻¹ Z'Wx is the precision of its size, and
    b = x'W(y − Z c) its weighted sum; with a normal prior of variance q on the size the gain in log marginal
    likelihood is b² / (s + 1/q) / 2 − log(1 + s q) / 2; three such priors are averaged.
    """
    weight = 1 / (row.u**2 + row.scatter.values[:, None] ** 2)
    weighted = weight[:, :, None] * row.columns
    normal = row.columns.T @ weighted
    inverse = np.linalg.inv(normal)
    held = np.einsum("tpq,tnq,n->tp", inverse, weighted, row.value)
    rest = row.value - held @ row.columns.T
    cross, square, along = _sums(row, rivals, weight, np.dstack([weighted, weight * rest]))
    on_held = cross @ inverse
    own = np.einsum("tmp,tmp->tm", on_held, cross)
    precision = np.where(square - own > 1e-9 * square, square - own, np.nan)
    prior = (SIZES_IN_U[:, None, None] * float(np.median(row.u))) ** 2
    gains = along**2 / (precision + 1 / prior) / 2 - np.log1p(precision * prior) / 2
    known = np.isfinite(precision) & ~_hangs_on_one(row, rivals, on_held, weight, precision)
    gain = np.logaddexp.reduce(np.where(known, gains, -np.inf) + np.log(_SIZE_CHANCES)[:, None, None], axis=0)
    log_held = (np.log(weight).sum(axis=1) - np.linalg.slogdet(normal)[1] - (weight * rest**2).sum(axis=1)) / 2
    return _Fit(log_held, gain, along / precision, 1 / np.sqrt(precision))


def _sums(row: Row, rivals: _Rivals, weight: Floats, data: Floats) -> tuple[Floats, Floats, Floats]:
    """x'WZ, x'Wx and x'W(y − Z c) of every rival x, from weights (t, n) and data W(Z, y − Z c), (t, n, p + 1)."""
    after, after_time = _from_here(data), _from_here(data * row.time[:, None])
    w0, w1, w2 = (_from_here(weight * row.time**power) for power in (0, 1, 2))
    step, drift, odd = (rivals.at[rivals.kind == n] for n in range(3))
    start = row.time[drift]
    length = row.time[-1] - start
    ramp = (after_time[:, drift] - start[:, None] * after[:, drift]) / length[:, None]
    ramp_square = (w2[:, drift] - 2 * start * w1[:, drift] + start**2 * w0[:, drift]) / length**2
    products = np.concatenate([after[:, step], ramp, data[:, odd]], axis=1)
    return products[..., :-1], np.concatenate([w0[:, step], ramp_square, weight[:, odd]], axis=1), products[..., -1]


def _from_here(values: Floats) -> Floats:
    """Sum from each reading (second axis) to the last."""
    summed: Floats = np.cumsum(values[:, ::-1], axis=1)[:, ::-1]
    return summed


def _hangs_on_one(row: Row, rivals: _Rivals, on_held: Floats, weight: Floats, precision: Floats) -> NDArray[np.bool_]:
    """Say which drifts nothing but the first or the last reading shows."""
    last = (1 - on_held @ row.columns[-1]) ** 2 * weight[:, -1:]
    first = (on_held @ row.columns[0]) ** 2 * weight[:, :1]
    heavy: NDArray[np.bool_] = np.maximum(first, last) > _MOST_ON_ONE * precision
    heavy &= rivals.kind == KINDS.index("drift")
    return heavy


def _weigh(row: Row, rivals: _Rivals) -> tuple[_Fit, Floats, Floats]:
    """Weight of none, for each scatter, (t,), and of every rival, (t, m), all to one scale."""
    fit = _fit(row, rivals)
    log_held = row.scatter.log_weight + fit.log_held
    log_rival = log_held[:, None] + fit.log_gain + rivals.log_odds
    top = max(float(log_held.max()), float(log_rival.max()))
    return fit, np.exp(log_held - top), np.exp(log_rival - top)


def odds_of(row: Row, change: Change) -> float:
    """Odds of a change at its very place against none."""
    rivals = _rivals(row)
    chosen = (rivals.kind == KINDS.index(change.kind)) & (rivals.at == change.at)
    _, held, rival = _weigh(row, rivals)
    return float(rival[:, chosen].sum() / max(float(held.sum()), 1e-300))


def likeliest(row: Row, of: Kind | None = None) -> Change | None:
    """Weigh what may have happened, averaged over the scatter, and give the likeliest change, or that of a kind."""
    rivals = _rivals(row)
    if row.columns.shape[1] >= len(row.time):
        return None
    fit, held, rival = _weigh(row, rivals)
    if not rival.any():
        return None
    whole = held.sum() + rival.sum()
    by_kind = [float(rival[:, rivals.kind == n].sum() / whole) for n in range(len(KINDS))]
    moved = by_kind[0] + by_kind[1]
    kind = int(np.argmax(by_kind[:2])) if moved >= by_kind[2] else 2
    if of is not None:
        kind = KINDS.index(of)
    chosen = rivals.kind == kind
    if not rival[:, chosen].any():
        return None
    weight = rival[:, chosen] / rival[:, chosen].sum()
    size, u = fit.size[:, chosen], fit.u[:, chosen]
    by_place = weight.sum(axis=0)
    mean = float(np.nansum(weight * size))
    variance = float(np.nansum(weight * (u**2 + (size - mean) ** 2)))
    likely = np.argsort(by_place)[::-1]
    likely = likely[: int(np.searchsorted(np.cumsum(by_place[likely]), 0.95)) + 1]
    places = rivals.at[chosen]
    return Change(
        KINDS[kind],
        int(places[likely[0]]),
        int(places[likely].min()),
        int(places[likely].max()),
        mean,
        math.sqrt(variance),
        by_kind[kind],
        moved,
        float(held.sum() / whole),
    )


def level_of(row: Row) -> tuple[Floats, Floats, float, float]:
    """Level below each reading with its u, and its change from first to last; what is odd readings' own is left out."""
    weight = 1 / (row.u**2 + row.scatter_after().rms ** 2)
    inverse = np.linalg.inv(row.columns.T @ (weight[:, None] * row.columns))
    size = inverse @ (row.columns.T @ (weight * row.value))
    odd = [change.kind == "odd" for change in row.held]
    terms = np.where([False, *odd], 0.0, row.columns)
    over = terms[-1] - terms[0]
    level_u = np.sqrt(np.einsum("np,pq,nq->n", terms, inverse, terms))
    return terms @ size, level_u, float(over @ size), math.sqrt(float(over @ inverse @ over))
