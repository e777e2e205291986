"""How well readings repeat: the crossed gauge study by analysis of variance.

The arithmetic is that of the *Measurement Systems Analysis* reference manual (AIAG, 4th edition, 2010): every
person reads every piece the same number of times; the spread is split into repeats, persons and pieces.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from visioncheck.quantity import coverage_factor

Floats = NDArray[np.float64]

# an interaction less likely than this is kept apart (the manual's choice)
_POOL_ABOVE = 0.25
# a reading good enough to judge by: its expanded uncertainty takes at most this share of the tolerance;
# common practice, no source
SHARE_OF_TOLERANCE = 0.25
_MOST_PHOTOS = 99


@dataclass(frozen=True, slots=True)
class Anova:
    """Analysis of variance table: sums of squares and degrees of freedom by source."""

    ss_piece: float
    ss_person: float
    ss_interaction: float
    ss_repeat: float
    dof_piece: int
    dof_person: int
    dof_interaction: int
    dof_repeat: int
    interaction_probability: float

    @property
    def pooled(self) -> bool:
        """Whether the interaction is no larger than chance and joins the repeats."""
        return self.interaction_probability > _POOL_ABOVE


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Standard deviations by source, all in the unit of the readings.

    Parameters
    ----------
    pieces, persons, trials : int
        Size of the study.
    anova : Anova
        The table behind it.
    repeat : float
        Equipment variation EV: the same person, the same piece, again.
    repeat_dof : int
        Its degrees of freedom.
    person : float
        Appraiser variation AV; 0 with one person.
    interaction : float
        Persons who differ on some pieces only; 0 when pooled.
    piece : float
        Part variation PV.
    """

    pieces: int
    persons: int
    trials: int
    anova: Anova
    repeat: float
    repeat_dof: int
    person: float
    interaction: float
    piece: float

    @property
    def gauge(self) -> float:
        """Repeats, persons and their interaction together (GRR)."""
        return math.sqrt(self.repeat**2 + self.person**2 + self.interaction**2)

    @property
    def total(self) -> float:
        """Everything together (TV)."""
        return math.hypot(self.gauge, self.piece)

    def percent_of_total(self, part: float) -> float:
        """Share of the total variation, as standard deviations, in per cent."""
        return 100 * part / self.total if self.total else 0.0

    @property
    def distinct_categories(self) -> float:
        """How many sorts of piece the readings tell apart (ndc), before rounding down."""
        return 1.41 * self.piece / self.gauge if self.gauge else math.inf

    def percent_of_tolerance(self, tolerance: float) -> float:
        """Six standard deviations of the gauge against the whole width ``2·tolerance``, in per cent."""
        return 100 * 6 * self.gauge / (2 * tolerance)


def gauge_study(readings: ArrayLike) -> GaugeStudy:
    """Analyse a crossed and balanced study.

    Parameters
    ----------
    readings : (pieces, persons, trials) array_like
        At least 2 pieces, 1 person and 2 trials.

    Raises
    ------
    ValueError
        With fewer, or numbers that are not finite.
    """
    y = np.asarray(readings, float)
    if y.ndim != 3 or y.shape[0] < 2 or y.shape[1] < 1 or y.shape[2] < 2 or not np.isfinite(y).all():
        raise ValueError("a study needs at least 2 pieces, each read at least twice by each person")
    pieces, persons, trials = y.shape
    table = _anova(y)
    sums, dofs = [table.ss_repeat], [table.dof_repeat]
    if table.pooled:
        sums, dofs = [*sums, table.ss_interaction], [*dofs, table.dof_interaction]
    repeat, repeat_dof = pooled_sd(sums, dofs)
    ms_repeat = ms_interaction = repeat**2
    if not table.pooled:
        ms_interaction = table.ss_interaction / table.dof_interaction
    ms_piece = table.ss_piece / table.dof_piece
    ms_person = table.ss_person / table.dof_person if table.dof_person else ms_interaction
    return GaugeStudy(
        pieces=pieces,
        persons=persons,
        trials=trials,
        anova=table,
        repeat=repeat,
        repeat_dof=repeat_dof,
        person=_component(ms_person, ms_interaction, pieces * trials),
        interaction=_component(ms_interaction, ms_repeat, trials),
        piece=_component(ms_piece, ms_interaction, persons * trials),
    )


def _component(mean_square: float, below: float, count: int) -> float:
    # a difference below zero means that the source does not show above the noise
    return math.sqrt(max(mean_square - below, 0.0) / count)


def _anova(y: Floats) -> Anova:
    from scipy.special import fdtrc  # lazy: kept off the path of --help

    pieces, persons, trials = y.shape
    grand, cell = y.mean(), y.mean(axis=2)
    by_piece, by_person = cell.mean(axis=1), cell.mean(axis=0)
    ss_repeat = float(((y - cell[:, :, None]) ** 2).sum())
    ss_interaction = trials * float(((cell - by_piece[:, None] - by_person[None, :] + grand) ** 2).sum())
    dof_interaction, dof_repeat = (pieces - 1) * (persons - 1), pieces * persons * (trials - 1)
    probability = 1.0
    if dof_interaction and ss_interaction > 0:
        ratio = (ss_interaction / dof_interaction) / (ss_repeat / dof_repeat) if ss_repeat > 0 else math.inf
        probability = float(fdtrc(dof_interaction, dof_repeat, ratio))
    return Anova(
        ss_piece=persons * trials * float(((by_piece - grand) ** 2).sum()),
        ss_person=pieces * trials * float(((by_person - grand) ** 2).sum()),
        ss_interaction=ss_interaction if dof_interaction else 0.0,
        ss_repeat=ss_repeat,
        dof_piece=pieces - 1,
        dof_person=persons - 1,
        dof_interaction=dof_interaction,
        dof_repeat=dof_repeat,
        interaction_probability=probability,
    )


def pooled_sd(sums_of_squares: Sequence[float], dofs: Sequence[int]) -> tuple[float, int]:
    """Pool standard deviations of several groups (NIST/SEMATECH *e-Handbook of Statistical Methods*, 2.4.4).

    Parameters
    ----------
    sums_of_squares : (n,) sequence of float
        Of each group about its own mean.
    dofs : (n,) sequence of int
        Degrees of freedom of each group.

    Returns
    -------
    sd : float
    dof : int
    """
    return math.sqrt(math.fsum(sums_of_squares) / sum(dofs)), sum(dofs)


def photos_to_average(study: GaugeStudy, tolerance: float, share: float = SHARE_OF_TOLERANCE) -> int | None:
    """How many readings of one piece to average so that chance takes at most a share of the tolerance.

    Only what changes from reading to reading is lowered by averaging; what differs between persons is not.

    Parameters
    ----------
    study : GaugeStudy
        The study.
    tolerance : float
        Largest error allowed, in the unit of the readings.
    share : float
        Part of it that the expanded uncertainty (95 %) of the mean may take.

    Returns
    -------
    int or None
        None when 99 would not do.
    """
    expanded = coverage_factor(study.repeat_dof) * study.repeat
    n = max(1, math.ceil((expanded / (share * tolerance)) ** 2 - 1e-9))
    return n if n <= _MOST_PHOTOS else None
