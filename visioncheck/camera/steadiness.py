"""How much one photo's geometry differs from the next one's, and how that is learnt from a survey's photos.

In each photo a phone held in the hand has a lens of its own (stabilisation moves its axis, focusing nearer draws it
out) and moves on while the picture's rows are read, one after the other.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

OWN_TERMS = 14
"""Of one photo: the lens's eight terms (see `LENS_TERMS`) less the common lens's; turn (3, rad) and shift (3, mm) from
first to last row."""
_GROUP = np.array([0, 1, 1, 2, 2, 2, 2, 2, 4, 4, 3, 5, 5, 5])
"""Which width each own term has, by its place in `Steadiness`; the camera's z axis is the lens's."""
_UNIT = np.array([1, 1, 1, 1e-3, 2e-3, 5e-5, 5e-5, 2e-3, 1, 1, 1, 1, 1, 1])
"""What a width is counted in. k1, k2, p1, p2, k3: how far refocusing bends a lens at most; an assumption."""
_PRIOR_DOF = 0.5
"""Weight of what is supposed beforehand, in terms seen: little, so that eight photos overrule it."""


@dataclass(frozen=True)
class Steadiness:
    """Standard deviations, over photos, of what belongs to each photo alone.

    Attributes
    ----------
    f_px, centre_px : float
        Of the focal length, and of each coordinate of the principal point.
    bend : float
        Of the distortion's terms, as a share of what refocusing may do at most.
    turn_rad, nod_rad : float
        Turn about the lens's axis, and about each axis square to it, while the picture's rows are read.
    shift_mm : float
        Shift of the camera along each axis in that time.
    """

    f_px: float
    centre_px: float
    bend: float
    turn_rad: float
    nod_rad: float
    shift_mm: float

    @property
    def own_sd(self) -> Array:
        """Standard deviation of each own term, (14,)."""
        return np.asarray(np.array(astuple(self), float)[_GROUP] * _UNIT)


def supposed(width: int, height: int) -> Steadiness:
    """What is supposed of a phone before its photos are asked; an assumption, between a rest and a calm hand."""
    px = max(width, height) / 4000
    return Steadiness(3.0 * px, 2.0 * px, 0.1, 5e-5, 2e-5, 0.04)


def held(width: int, height: int) -> Steadiness:
    """A phone as people hold it: to start from, and where nothing was learnt."""
    px = max(width, height) / 4000
    return Steadiness(8.0 * px, 8.0 * px, 0.5, 4e-4, 1.5e-4, 0.16)


def rested(width: int, height: int) -> Steadiness:
    """A phone at rest that stabilises nothing: what is left is focusing."""
    px = max(width, height) / 4000
    return Steadiness(3.0 * px, 0.5 * px, 0.1, 1e-6, 1e-6, 1e-3)


def _most(px: float) -> Steadiness:
    """What no hand and no lens exceeds.

    Drawn out for 350 mm a 6 mm lens is 1.7 % longer, from one photo to the next a quarter of it; the rest is twice a
    shaky hand.
    """
    return Steadiness(12.0 * px, 40.0 * px, 2.0, 3e-3, 1e-3, 1.2)


def learnt(now: Steadiness, before: Steadiness, own: Array, variances: Array, px: float) -> Steadiness:
    """One round of estimating the widths as variance components by restricted maximum likelihood.

    The fixed point of D. A. Harville, *Maximum likelihood approaches to variance component estimation and to related
    problems*, J. Am. Stat. Assoc. 72 (1977): a width's square is the sum of the terms' squares over the number of them
    that the data decide, each counting 1 − (variance left) / (width squared).

    Parameters
    ----------
    now, before : Steadiness
        The widths that `own` was fitted with, and those supposed beforehand.
    own, variances : (photos, 14) ndarray
        Each photo's own terms as fitted, and their variance after the fit, all that is common included.
    px : float
        The picture's size over that of a picture 4000 px wide.
    """
    widths = np.array(astuple(now))
    decided = np.clip(1 - variances / now.own_sd**2, 0, 1)
    found = []
    for k, first in enumerate(astuple(before)):
        here = k == _GROUP
        squares, count = float(np.sum((own / _UNIT)[:, here] ** 2)), float(np.sum(decided[:, here]))
        found.append(np.sqrt((squares + _PRIOR_DOF * first**2) / (count + _PRIOR_DOF)))
    return Steadiness(*np.clip(found, widths / 4, np.minimum(widths * 4, astuple(_most(px)))).tolist())
