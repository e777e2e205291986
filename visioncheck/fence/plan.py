"""How many more cuts, or which better test, would decide what a sled's readings leave open: by simulation.

What further pieces would say is drawn from what is known now: the fence error as the readings have it, and the scatter
that this sled's own cuts have shown. Each draw is pooled with the pieces that are there as `visioncheck.fence.pooled`
does it, and it is counted how often that decides (preposterior analysis; Raiffa and Schlaifer, *Applied Statistical
Decision Theory*, 1961).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks
from visioncheck.fence.decision import LEVEL, guard_factor
from visioncheck.fence.next_step import U_TYPED_STRIP_DEG, USUAL_U_DEG, Basis, Code, NextStep
from visioncheck.quantity import coverage_factor

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from visioncheck.fence.pooled import Pooled

    Floats = NDArray[np.float64]

_DRAWS, _SEED = 300, 16
_MOST_MORE = 6
# cuts and photos that one piece costs; a photo is counted as half a cut, typed readings likewise: assumption
_CUTS = {"corner": 1, "gap": 1, "panel": 4, "strip": 5}
_A_PHOTO = 0.5


@dataclass(frozen=True, slots=True)
class _Test:
    """Further pieces of one kind: how many, the standard uncertainty that is each one's own, and what they cost."""

    code: Code
    count: int
    u_deg: float
    cost: float


def plan(pooled: Pooled, tolerance: float, basis: Basis) -> NextStep | None:
    """Name what costs least in cuts and photos and probably decides, or of all the one with the best chance.

    Parameters
    ----------
    pooled : Pooled
        The readings so far.
    tolerance : float
        Largest fence error to live with, deg.
    basis : Basis
        What the newest reading was: more cuts are of its kind, with its phone.

    Returns
    -------
    NextStep or None
        None where no test leaves a smaller ± worth the trouble.
    """
    steps = []
    for test in sorted(_tests(pooled, basis), key=lambda each: each.cost):
        chance, half = _simulate(pooled, tolerance, test)
        u = half / coverage_factor(np.inf)
        if u >= checks.STEP_WORTH_IT * pooled.error.expanded() / coverage_factor(np.inf):
            continue
        steps.append(NextStep(test.code, u, chance, test.count))
        if chance >= checks.STEP_LIKELY:
            return steps[-1]
    return max(steps, key=lambda step: step.probability_decides, default=None)


def _tests(pooled: Pooled, basis: Basis) -> Iterator[_Test]:
    kind = basis.kind if basis.kind in _CUTS else "corner"
    cost = _CUTS[kind] + _A_PHOTO
    for count in range(1, _MOST_MORE + 1):
        yield _Test("more cuts", count, pooled.piece_u_deg, count * cost)
    usual = USUAL_U_DEG[basis.is_surveyed]
    # a hand, a phone or a light that makes this kind worse than usual makes the others worse likewise
    worse = max(pooled.piece_u_deg / usual[kind], 1.0) if basis.is_photo and kind in usual else 1.0
    if basis.is_photo and kind == "corner":
        yield _Test("panel", 1, usual["panel"] * worse, _CUTS["panel"] + _A_PHOTO)
    if kind != "strip":
        u = usual["strip"] * worse if basis.is_photo else U_TYPED_STRIP_DEG
        yield _Test("strip", 1, u, _CUTS["strip"] + _A_PHOTO)


def _simulate(pooled: Pooled, tolerance: float, test: _Test) -> tuple[float, float]:
    """Chance that further pieces decide, and the median half width of the ± that they leave."""
    generator = np.random.default_rng(_SEED)
    grid, weight = pooled.known.grid_deg, pooled.known.weight(pooled.cuts)
    error, common = pooled.error, pooled.common_u_deg
    spread = error.u * generator.standard_t(min(error.dof, 1e6), _DRAWS)
    scatter = generator.choice(grid, _DRAWS, p=weight)
    own = np.sqrt(np.maximum(np.diag(pooled.cuts.covariance) - common**2, 0.0))
    own_u = np.concatenate([own, np.full(test.count, test.u_deg)])
    noise = generator.normal(0, 1, (_DRAWS, test.count)) * np.hypot(test.u_deg, scatter)[:, None]
    there = np.broadcast_to(pooled.cuts.value, (_DRAWS, len(own)))
    value = np.concatenate([there, (error.value + spread)[:, None] + noise], axis=1)
    # a better test counts by what it is better at: what the old pieces have alike weighs against it
    own_u[: len(own)] = np.hypot(own, common) if test.code in {"panel", "strip"} else own
    shared = common if test.code == "more cuts" else 0.0
    middle, half = _pooled(value, own_u, shared, pooled)
    return float(np.mean(_decides(middle, half, tolerance))), float(np.median(half))


def _pooled(value: Floats, own_u: Floats, shared: float, pooled: Pooled) -> tuple[Floats, Floats]:
    """Mean and half width (95 %) of each draw's pieces, (m, n): `pooled._mean`, for many rows at once."""
    from scipy.special import ndtr  # lazy: kept off the path of --help

    tau = pooled.known.grid_deg
    weight = 1 / np.maximum(own_u**2 + tau[:, None] ** 2, 1e-14)  # (t, n)
    whole = weight.sum(axis=1)
    means = value @ weight.T / whole  # (m, t)
    misfit = value**2 @ weight.T - whole * means**2
    log = (np.log(weight).sum(axis=1) - np.log(whole) - misfit) / 2 + pooled.known.log_before
    chance = np.exp(log - log.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    us = np.hypot(1 / np.sqrt(whole), shared)
    middle = (chance * means).sum(axis=1)
    low, high = np.zeros(len(value)), np.full(len(value), 10.0 * float(us.max() + np.ptp(means)))
    for _ in range(36):
        half = (low + high) / 2
        ends = [(middle + sign * half)[:, None] for sign in (1, -1)]
        held = (chance * (ndtr((ends[0] - means) / us) - ndtr((ends[1] - means) / us))).sum(axis=1)
        low, high = np.where(held < LEVEL, half, low), np.where(held < LEVEL, high, half)
    return middle, (low + high) / 2


def _decides(middle: Floats, half: Floats, tolerance: float) -> NDArray[np.bool_]:
    """Whether the fence is then inside with 95 %, or a move can be named; as `visioncheck.correction.correct` does."""
    from scipy.special import ndtr  # lazy: kept off the path of --help

    u = half / coverage_factor(np.inf)
    inside = ndtr((tolerance - middle) / u) - ndtr((-tolerance - middle) / u) >= LEVEL
    movable = np.abs(middle) >= 2 * guard_factor(LEVEL) * u
    decided: NDArray[np.bool_] = inside | movable
    return decided
