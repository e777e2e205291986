"""A rig refined by what workpieces show of the sheet: the survey's numbers as a prior, the pieces as observations.

Bayes' rule for normal distributions, as R. E. Kalman's filter applies it (*A New Approach to Linear Filtering and
Prediction Problems*, Journal of Basic Engineering, 1960): an observation moves the points along whatever the survey
left open, chiefly the print's shear and stretch, and the covariance falls by what was learnt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.rig import Rig
from visioncheck.camera.support import affine_slopes, angle_u_deg
from visioncheck.printed.layout import target_layout

Array = NDArray[np.float64]

_LENS = 8
"""Terms of the lens, ahead of the points in the rig's covariance."""


@dataclass(frozen=True)
class Evidence:
    """Numbers that would all be zero, read on a sheet that is as the rig has it, without noise.

    Attributes
    ----------
    apart : (m,) ndarray
        What was read in place of zero.
    gain : (m, 8 + 3 n) ndarray
        How it changes with the rig's numbers, as they stand in `Rig.covariance`.
    noise : (m, m) ndarray
        Its covariance by all else than the rig.
    """

    apart: Array
    gain: Array
    noise: Array


def contradicts(evidence: Evidence, rig: Rig) -> bool:
    """Whether it lies further from zero than its noise and the survey's uncertainty let expect."""
    from scipy.special import chdtrc  # lazy: kept off the path of --help

    expected = evidence.gain @ rig.covariance @ evidence.gain.T + evidence.noise
    chi2 = float(evidence.apart @ np.linalg.solve(expected, evidence.apart))
    return float(chdtrc(len(evidence.apart), chi2)) < checks.EVIDENCE_LEAST_CHANCE


def refine(rig: Rig, evidence: Sequence[Evidence]) -> Rig:
    """Move the rig's points and lens to what the evidence says, all at once, and lower their covariance.

    All of it must have been read with this very rig; its noise is taken as independent from one to the next.
    """
    if not evidence:
        return rig
    apart = np.concatenate([each.apart for each in evidence])
    gain = np.concatenate([each.gain for each in evidence])
    noise = np.zeros((len(apart), len(apart)))
    at = 0
    for each in evidence:
        here = slice(at, at + len(each.apart))
        noise[here, here] = each.noise
        at = here.stop
    towards = rig.covariance @ gain.T
    expected = gain @ towards + noise
    moves = np.linalg.solve(expected, towards.T).T
    step = -moves @ apart
    left = rig.covariance - moves @ towards.T
    return replace(
        rig,
        lens=rig.lens.with_terms(rig.lens.terms + step[:_LENS]),
        points_mm=rig.points_mm + step[_LENS:].reshape(-1, 3),
        covariance=(left + left.T) / 2,
    )


def sheet_angle_u_deg(rig: Rig) -> float:
    """How well the rig knows sheet 0's own right angles, deg, standard uncertainty of the worst drawn on it."""
    first = rig.sheet == 0
    own = np.repeat(first, 3)
    nominal = target_layout(rig.paper).saddles_mm[rig.index[first]]
    return angle_u_deg(nominal, rig.covariance[_LENS:, _LENS:][np.ix_(own, own)])


def sheet_moved_deg(before: Rig, after: Rig) -> float:
    """By how much the refined rig takes the worst right angle drawn on sheet 0 otherwise, deg."""
    first = before.sheet == 0
    moved = (after.points_mm - before.points_mm)[first]
    slopes = affine_slopes(target_layout(before.paper).saddles_mm[before.index[first]])
    return float(np.degrees(np.hypot(*(slopes @ moved.ravel()))))
