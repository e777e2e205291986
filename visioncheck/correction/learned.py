"""What a sled's own adjustments teach: how far the fence goes for what is done, play, a sense the other way round."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from visioncheck.quantity import Quantity
from visioncheck.sled.model import Screw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from visioncheck.sled.model import Sled

    Floats = NDArray[np.float64]

# What is thought of an adjuster before it has moved: travel within some 15 % of what the file says, the other way round
# in one sled of ten (a file filled in from the wrong end), play of some 0.15 mm; assumptions
_U_RATIO, _CHANCE_REVERSED, _USUAL_PLAY_MM = 0.15, 0.1, 0.15
# how a fence creeps when it is tightened; common practice, no source
U_TIGHTEN_MM = 0.02
SURE = 0.95
"""Probability from which on what was learnt is gone by."""
_LIKELY = 0.8
_RATIOS = np.linspace(0.4, 1.6, 49)
_PLAYS = np.linspace(0.0, 1.0, 41)


@dataclass(frozen=True, slots=True)
class Level:
    """A fence error as it was read, by name: two adjustments may have one between them."""

    name: str
    error: Quantity


@dataclass(frozen=True, slots=True)
class Adjustment:
    """One adjustment.

    Attributes
    ----------
    steps_mm : tuple of float
        The moves at the adjuster that were made, by what the sled's file says of it, mm, forward positive; empty: not
        known.
    before, after : Level
        Fence error, deg, before and after; without what both have alike.
    u_made_mm : float
        How well it was set: standard uncertainty, mm.
    """

    steps_mm: tuple[float, ...]
    before: Level
    after: Level
    u_made_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What adjustments have taught of a sled's adjuster.

    Attributes
    ----------
    ratio : Quantity
        Travel made over travel as the sled's file says it, its size.
    probability_reversed : float
        That the fence turns the other way: the screw the other way round, or the other end moves.
    play : Quantity
        What is lost when the sense changes, mm at the adjuster.
    probability_play : float
        That there is play worth minding.
    last_sense : {-1, 0, 1}
        Sense of the last step, by the sled's file: forward positive; 0: not known.
    adjustments : int
        How many it was learnt from.
    """

    ratio: Quantity
    probability_reversed: float
    play: Quantity
    probability_play: float
    last_sense: int
    adjustments: int

    @property
    def is_reversed(self) -> bool:
        """Whether the fence is sure to turn the other way."""
        return self.probability_reversed > SURE

    @property
    def has_play(self) -> bool:
        """Whether there is very probably play worth minding."""
        return self.probability_play > _LIKELY


Outcome = Literal["as expected", "not at all", "the other way", "less", "further"]


@dataclass(frozen=True, slots=True)
class Checked:
    """How far the fence went, held against what was to be expected of what was done.

    Attributes
    ----------
    expected_deg, went_deg : Quantity
        Change of the fence error.
    outcome : {"as expected", "not at all", "the other way", "less", "further"}
        What to say of it.
    """

    expected_deg: Quantity
    went_deg: Quantity
    outcome: Outcome


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Every ratio (signed) and play that is tried, (r, b), for both ways that the first step may have begun."""

    ratio: Floats
    play_mm: Floats
    log_weight: Floats


def learn(adjustments: Sequence[Adjustment], sled: Sled) -> Learned:
    """Learn from adjustments whose steps are known: Bayes' rule on a grid of travel and play.

    A screw with play moves the fence only once the play is taken up: the position in the play is followed from step to
    step. Where it stood before the first is not known, and both are weighed alike. After a step that is not known it is
    not known either.

    Parameters
    ----------
    adjustments : sequence of Adjustment
        In order of time.
    sled : Sled
        The sled; leaves and rules have no play.
    """
    known = [each for each in adjustments if each.steps_mm]
    grid, weight = _posterior(adjustments, sled)
    reversed_ = weight[grid.ratio[:, 0] < 0].sum()
    likelier = grid.ratio < 0 if reversed_ > 0.5 else grid.ratio > 0
    kept = np.where(likelier, weight, 0.0)
    ratio, play = _moments(np.abs(grid.ratio), kept), _moments(grid.play_mm, weight)
    last = adjustments[-1].steps_mm if adjustments else ()
    sense = 0 if not last else (1 if last[-1] > 0 else -1)
    minded = _worth_minding_mm(sled)
    return Learned(
        ratio=Quantity(*ratio, ""),
        probability_reversed=float(reversed_),
        play=Quantity(*play, "mm"),
        probability_play=float(weight[grid.play_mm > minded].sum()),
        last_sense=sense,
        adjustments=len(known),
    )


def check_move(adjustments: Sequence[Adjustment], sled: Sled) -> Checked | None:
    """Hold the last adjustment against what those before it have taught.

    Returns
    -------
    Checked or None
        None where it is not known what was done.
    """
    *before, last = adjustments
    if not last.steps_mm:
        return None
    grid, weight = _posterior(before, sled)
    moved_mm = _last_move(adjustments, grid)
    # what is to be expected is what the file says, or what was learnt for sure: not the average of the two ways
    way = grid.ratio < 0 if weight[grid.ratio[:, 0] < 0].sum() > SURE else grid.ratio > 0
    mean, u = _moments(moved_mm, np.where(way, weight, 0.0))
    per_mm = _deg_per_mm(sled)
    u_mm = math.hypot(u, last.u_made_mm, U_TIGHTEN_MM)
    expected = Quantity(mean * per_mm, u_mm * abs(per_mm), "deg")
    went = Quantity(
        last.after.error.value - last.before.error.value, math.hypot(last.after.error.u, last.before.error.u), "deg"
    )
    return Checked(expected, went, _outcome(expected, went))


def _outcome(expected: Quantity, went: Quantity) -> Outcome:
    """Two standard uncertainties of the difference are no chance any more."""
    if abs(went.value - expected.value) <= 2 * math.hypot(expected.u, went.u):
        return "as expected"
    if abs(went.value) <= 2 * went.u:
        return "not at all"
    if went.value * expected.value < 0:
        return "the other way"
    return "less" if abs(went.value) < abs(expected.value) else "further"


def _deg_per_mm(sled: Sled) -> float:
    """How much the fence error grows for each mm that the adjuster's end goes forward."""
    sense = 1.0 if sled.pivot == "left" else -1.0
    return sense * math.degrees(1 / sled.adjuster_distance_mm)


def _worth_minding_mm(sled: Sled) -> float:
    """Play below a sixteenth of a turn, or of the tolerance, is not worth a word."""
    tolerance_mm = sled.adjuster_distance_mm * math.radians(sled.tolerance_deg)
    pitch = sled.adjuster.pitch_mm if isinstance(sled.adjuster, Screw) else 0.0
    return max(pitch / 16, tolerance_mm / 4)


def _grid(sled: Sled) -> _Grid:
    signed = np.concatenate([-_RATIOS[::-1], _RATIOS])
    has_play = isinstance(sled.adjuster, Screw)
    plays = _PLAYS * sled.adjuster.pitch_mm if isinstance(sled.adjuster, Screw) else np.zeros(1)
    ratio, play = np.meshgrid(signed, plays, indexing="ij")
    log = -(((np.abs(ratio) - 1) / _U_RATIO) ** 2) / 2
    log += np.log(np.where(ratio < 0, _CHANCE_REVERSED, 1 - _CHANCE_REVERSED))
    # exponential, the maximum-entropy choice for a size of which only the usual value is known
    log -= play / _USUAL_PLAY_MM if has_play else 0.0
    return _Grid(ratio, play, log)


def _moments(values: Floats, weight: Floats) -> tuple[float, float]:
    whole = float(weight.sum())
    mean = float((weight * values).sum()) / whole
    return mean, math.sqrt(max(float((weight * (values - mean) ** 2).sum()) / whole, 0.0))


def _posterior(adjustments: Sequence[Adjustment], sled: Sled) -> tuple[_Grid, Floats]:
    grid = _grid(sled)
    known = [k for k, each in enumerate(adjustments) if each.steps_mm]
    if not known:
        weight = np.exp(grid.log_weight - grid.log_weight.max())
        return grid, weight / weight.sum()
    per_mm = _deg_per_mm(sled)
    went = np.array([adjustments[k].after.error.value - adjustments[k].before.error.value for k in known])
    covariance = _covariance([adjustments[k] for k in known], per_mm)
    inverse = np.linalg.inv(covariance)
    log = np.full(grid.ratio.shape, -np.inf)
    for start in (0.0, 1.0):
        moves = np.stack([per_mm * each for k, each in enumerate(_moves(adjustments, grid, start)) if k in known])
        rest = went[:, None, None] - moves
        log = np.logaddexp(log, -np.einsum("irb,ij,jrb->rb", rest, inverse, rest) / 2)
    log += grid.log_weight
    weight = np.exp(log - log.max())
    return grid, weight / weight.sum()


def _covariance(adjustments: Sequence[Adjustment], per_mm: float) -> Floats:
    """Covariance of the changes: the level between two adjustments is in both."""
    levels = {level.name: level.error.u for each in adjustments for level in (each.before, each.after)}
    names = list(levels)
    change = np.zeros((len(adjustments), len(names)))
    for row, each in enumerate(adjustments):
        change[row, names.index(each.after.name)] += 1
        change[row, names.index(each.before.name)] -= 1
    u2 = np.array([levels[name] ** 2 for name in names])
    made = np.array([(per_mm * math.hypot(each.u_made_mm, U_TIGHTEN_MM)) ** 2 for each in adjustments])
    covariance: Floats = change @ np.diag(u2) @ change.T + np.diag(made)
    return covariance


def _moves(adjustments: Sequence[Adjustment], grid: _Grid, start: float) -> list[Floats]:
    """How far each adjustment moves the fence, mm forward, for every ratio and play; the play is followed.

    `start` is the share of the play that is taken up towards forward before the first.
    """
    at = start * grid.play_mm
    moved = []
    for each in adjustments:
        net = np.zeros(grid.ratio.shape)
        for step in each.steps_mm:
            if step > 0:
                net += np.maximum(0.0, step - (grid.play_mm - at))
                at = np.minimum(grid.play_mm, at + step)
            else:
                net -= np.maximum(0.0, -step - at)
                at = np.maximum(0.0, at + step)
        if not each.steps_mm:
            at = grid.play_mm / 2  # anywhere
        moved.append(grid.ratio * net)
    return moved


def _last_move(adjustments: Sequence[Adjustment], grid: _Grid) -> Floats:
    """The last adjustment's move, averaged over where the play stood at first."""
    moved: Floats = (_moves(adjustments, grid, 0.0)[-1] + _moves(adjustments, grid, 1.0)[-1]) / 2
    return moved
