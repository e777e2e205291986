"""How much one photo's geometry differs from the next one's, and how that is learnt from a survey's photos.

In each photo a phone held in the hand has a lens of its own (stabilisation moves its axis, focusing nearer draws it
out) and moves on while the picture's rows are read, one after the other.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

OWN_TERMS = 9
"""Of one photo: f, cx, cy (px) less the common lens's; turn (3, rad) and shift (3, mm) from first to last row."""
_GROUP = np.array([0, 1, 1, 3, 3, 2, 4, 4, 4])
"""Which width each own term has, by its place in `Steadiness`; the camera's z axis is the lens's."""
_PRIOR_DOF = 0.5
"""Weight of what is supposed beforehand, in terms seen: little, so that eight photos overrule it."""


@dataclass(frozen=True)
class Steadiness:
    """Standard deviations, over photos, of what belongs to each photo alone.

    Attributes
    ----------
    f_px, centre_px : float
        Of the focal length, and of each coordinate of the principal point.
    turn_rad, nod_rad : float
        Turn about the lens's axis, and about each axis square to it, while the picture's rows are read.
    shift_mm : float
        Shift of the camera along each axis in that time.
    """

    f_px: float
    centre_px: float
    turn_rad: float
    nod_rad: float
    shift_mm: float

    @property
    def own_sd(self) -> Array:
        """Standard deviation of each own term, (9,)."""
        return np.asarray(np.array(astuple(self), float)[_GROUP])


def supposed(width: int, height: int) -> Steadiness:
    """What is supposed of a phone before its photos are asked; an assumption, between a rest and a calm hand."""
    px = max(width, height) / 4000
    return Steadiness(3.0 * px, 2.0 * px, 5e-5, 2e-5, 0.04)


def held(width: int, height: int) -> Steadiness:
    """A phone as people hold it: to start from, and where nothing was learnt."""
    px = max(width, height) / 4000
    return Steadiness(8.0 * px, 8.0 * px, 4e-4, 1.5e-4, 0.16)


def learnt(now: Steadiness, before: Steadiness, own: Array, variances: Array) -> Steadiness:
    """One round of estimating the widths as variance components by restricted maximum likelihood.

    The fixed point of D. A. Harville, *Maximum likelihood approaches to variance component estimation and to related
    problems*, J. Am. Stat. Assoc. 72 (1977): a width's square is the sum of the terms' squares over the number of them
    that the data decide, each counting 1 − (variance left) / (width squared).

    Parameters
    ----------
    now, before : Steadiness
        The widths that `own` was fitted with, and those supposed beforehand.
    own, variances : (photos, 9) ndarray
        Each photo's own terms as fitted, and their variance after the fit, all that is common included.
    """
    widths = np.array(astuple(now))
    decided = np.clip(1 - variances / now.own_sd**2, 0, 1)
    found = []
    for k, first in enumerate(astuple(before)):
        here = k == _GROUP
        squares, count = float(np.sum(own[:, here] ** 2)), float(np.sum(decided[:, here]))
        found.append(np.sqrt((squares + _PRIOR_DOF * first**2) / (count + _PRIOR_DOF)))
    return Steadiness(*np.clip(found, widths / 4, widths * 4).tolist())
