"""Which kind of test piece four corners belong to: a panel cut all round, an offcut with one fresh cut, or a strip.

Each kind is a few patterns in which its corners depart from 90°, scaled by errors that are not known beforehand (the
fence's, and those of the edges that the piece came with). How well a kind explains the corners is the density that it
gave them beforehand, over all its patterns and scales of error (Bayes factors: Kass and Raftery, 1995). A kind that can
be anything explains little: that is why corners which fit four cuts of one fence speak against an offcut.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from visioncheck import checks
from visioncheck.fence.squareness import fit_panel

Array = NDArray[np.float64]

TOLD_RIGHT = 0.95
"""How often what the user says of the kind is right; an assumption."""
_FENCE_DEG = np.array([0.01, 0.03, 0.1, 0.3])
"""Standard deviations of a fence's error, all held equally likely."""
_STOCK_DEG = np.array([0.03, 0.1, 0.3, 1.0])
"""The same for the edges of what the piece was cut from."""
_TURNED = np.eye(4) - np.roll(np.eye(4), 1, axis=0)
"""How the corners follow from a turn of each edge; corner i lies between edges i - 1 and i."""
_TELLING = np.eye(4)[:3]
"""Three corners hold all that four tell, as they add up to 360°."""


@dataclass(frozen=True)
class KindWeights:
    """The kinds that a piece may be, weighed.

    Attributes
    ----------
    probability : mapping of str to float
        Of ``"corner"`` and, where it is not too long or long enough, ``"panel"`` and ``"strip"``, all held equally
        likely beforehand.
    panel_chance : float
        Chance of a misfit as large as this one's, if the piece is a panel and its first cut where it is said to be.
    """

    probability: Mapping[str, float]
    panel_chance: float

    @property
    def best(self) -> str:
        """The most probable kind."""
        return max(self.probability, key=lambda kind: self.probability[kind])

    @property
    def open(self) -> tuple[str, ...]:
        """The kinds that it may be, the most probable one first; one alone where that is clear.

        Any corners at all may be an offcut's, so that nothing else is ever clear.
        """
        kinds = [kind for kind, p in self.probability.items() if p > checks.KIND_LEAST_OPEN or kind == "corner"]
        return tuple(sorted(kinds, key=lambda kind: -self.probability[kind]))

    def fits(self, kind: str) -> bool:
        """Whether a piece of which the user says so can be of this kind."""
        misfits = kind == "panel" and self.panel_chance < checks.KIND_LEAST_TOLD
        return not misfits and self.probability.get(kind, 0.0) >= checks.KIND_LEAST_TOLD

    def rivals(self, told: str) -> dict[str, float]:
        """The kinds, with their probabilities, that stay too probable though the user says that it is another."""
        weights = {kind: p * (TOLD_RIGHT if kind == told else 1 - TOLD_RIGHT) for kind, p in self.probability.items()}
        shares = {kind: weight / sum(weights.values()) for kind, weight in weights.items()}
        return {kind: share for kind, share in shares.items() if kind != told and share > checks.KIND_DOUBTFUL}


def weigh_kinds(
    angles_deg: ArrayLike, covariance_deg2: ArrayLike, lengths_mm: ArrayLike, first_edge: int | None = None
) -> KindWeights:
    """Weigh the kinds of piece that four corners may belong to.

    Parameters
    ----------
    angles_deg : (4,) array_like
        Interior angles; corner i lies between edges i - 1 and i.
    covariance_deg2 : (4, 4) array_like
        Their covariance.
    lengths_mm : (4,) array_like
        Of the edges.
    first_edge : int or None
        The edge that was cut first, if the piece is a panel.
    """
    angles, covariance = np.asarray(angles_deg, float), np.asarray(covariance_deg2, float)
    seen, noise = _TELLING @ (angles - 90.0), _TELLING @ covariance @ _TELLING.T
    sides = np.asarray(lengths_mm, float)
    across, along = sorted((float(sides[0] + sides[2]), float(sides[1] + sides[3])))
    models = {"corner": _offcuts()}
    if along <= checks.PANEL_MOST_RATIO * across:
        models["panel"] = _panels()
    if along >= checks.STRIP_LEAST_RATIO * across:
        models["strip"] = _strips(0 if sides[0] + sides[2] > sides[1] + sides[3] else 1)
    log = {kind: np.logaddexp.reduce(_log_densities(seen, noise, each)) for kind, each in models.items()}
    top = max(log.values())
    weights = {kind: float(np.exp(value - top)) for kind, value in log.items()}
    probability = {kind: weight / sum(weights.values()) for kind, weight in weights.items()}
    return KindWeights(probability, _panel_chance(angles, covariance, first_edge))


def _panel_chance(angles: Array, covariance: Array, first_edge: int | None) -> float:
    """Chance of the misfit to four cuts, with the sheet's shear as well as it is known and with whatever shear fits."""
    # the last cut meets the first at either of its ends
    closing = range(4) if first_edge is None else (first_edge, (first_edge + 1) % 4)
    chances = []
    for corner in closing:
        order = [(corner + 1 + k) % 4 for k in range(4)]
        own = covariance[np.ix_(order, order)]
        chances.append([fit_panel(angles[order], own, shear=shear).probability for shear in (False, True)])
    return float(np.max(chances, axis=0).min())


@dataclass(frozen=True)
class _Model:
    """One way in which corners depart from 90°: columns (4, k) times errors of standard deviations (n, k), deg.

    Each of the n scales is held equally likely.
    """

    columns: Array
    scales_deg: Array
    weight: float


def _panels() -> list[_Model]:
    """Three corners open by e and one closes by 3 e; which one closes is not known."""
    closing = np.array([-3.0, 1.0, 1.0, 1.0])
    return [_Model(np.roll(closing, k)[:, None], _FENCE_DEG[:, None], 1 / 4) for k in range(4)]


def _offcuts() -> list[_Model]:
    """One cut across square stock, across a board with parallel edges, or across anything."""
    square = [_Model(_TURNED[:, [k]], _FENCE_DEG[:, None], 1 / 12) for k in range(4)]
    parallel = [_Model(_TURNED[:, [k, k + 2]], _alike(_STOCK_DEG, 2), 1 / 6) for k in range(2)]
    return [*square, *parallel, _Model(_TURNED, _alike(_STOCK_DEG, 4), 1 / 3)]


def _strips(long: int) -> list[_Model]:
    """The fifth cut's: the edge cut first has e and -3 e at its ends, the fresh one -e and 3 e; or with other ends."""
    one = np.array([1.0, -3.0, -1.0, 3.0])
    cut = [_Model(np.roll(each, long)[:, None], _FENCE_DEG[:, None], 1 / 4) for each in (one, one[[1, 0, 3, 2]])]
    edges = [long, long + 1, (long + 3) % 4]
    scales = np.array([[4 * fence, end, end] for fence in _FENCE_DEG for end in _STOCK_DEG])
    return [*cut, _Model(_TURNED[:, edges], scales, 1 / 2)]


def _alike(sds_deg: Array, count: int) -> Array:
    return np.repeat(sds_deg[:, None], count, axis=1)


def _log_densities(seen: Array, noise: Array, models: list[_Model]) -> list[float]:
    """Logarithm of each model's weighted density at what was seen, for each of its scales."""
    found = []
    for model in models:
        spread = _TELLING @ model.columns
        for scales in model.scales_deg:
            covariance = noise + (spread * scales**2) @ spread.T
            _, log_volume = np.linalg.slogdet(covariance)
            distance = float(seen @ np.linalg.solve(covariance, seen))
            found.append(float(np.log(model.weight / len(model.scales_deg)) - (distance + log_volume) / 2))
    return found
