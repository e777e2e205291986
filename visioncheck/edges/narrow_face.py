"""Where the top arris lies that stands so close to the bottom one in the picture that their steps run into one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from visioncheck.edges.profile import usual_profile

Array = NDArray[np.float64]

NARROWEST_PX, BROADEST_PX = 0.15, 9.0
"""Breadths of a side face that count and whose two steps run into one, px."""
_FLANK_PX = 6.0
"""Of the usual profile: so much beyond a side face's breadth to both sides, since the one step may be either arris."""
_BLURS = np.linspace(0.5, 1.0, 9)
"""Times the blur of the one step, which is wider than its two parts are."""
_SHARES = np.linspace(-2.0, 1.25, 40)
"""How far a side face's light lies from the top face's (0) to that of what lies beyond (1); often it is darker than
both."""
_SHARES_ODDS = 1 / (1 + (_SHARES / 0.25) ** 2)
"""Before the picture is asked: it is the same wood, and profiles run along the colour that shade changes least."""
_PITCH_PX = 0.1
_SLACK_PX = 1.0
_MODEL_ERROR = 0.02
"""Of the step: how well two blurred steps and an even shade describe the usual profile; assumption."""
_U_PX, _U_SHARE = 0.15, 0.05
"""Beyond the odds: shade at the foot of the work; and the breadth's own, of thickness and view; assumptions."""
_SHARED = 3.0
"""Samples of the usual profile that a pixel's own breadth makes say the same: quarters of a pixel, pixels being one."""


@dataclass(frozen=True)
class ArrisPlace:
    """The top arris against the one step that was fitted to both, px to the outside, with its standard uncertainty."""

    shift_px: float
    u_px: float

    def further_in(self, breadth_px: float) -> ArrisPlace:
        """Anywhere over a side face of this breadth (rectangular) further in."""
        return ArrisPlace(self.shift_px - breadth_px / 2, math.hypot(self.u_px, breadth_px / math.sqrt(12)))


def top_arris(profiles: Array, off_px: Array, breadth_px: float, blur_px: float) -> ArrisPlace:
    """Part the two steps of a side face that is narrower than the eye can tell.

    How broad it shows is known from the thickness and the view, how bright it is, is not: where it is as bright as the
    top face, the one step is the bottom arris, where it is like what lies beyond, the top one. Every brightness, blur
    and place is weighed by how well it describes the usual profile (Bayes's rule, with a Gaussian likelihood); the
    place is the mean and its standard deviation the uncertainty.

    Parameters
    ----------
    profiles : (n, m) ndarray
        About 0 inside and 1 outside.
    off_px : (n, m) ndarray
        Distances of the samples from the one step that was fitted to each profile, px.
    breadth_px : float
        Of the side face, px.
    blur_px : float
        Of the one step.
    """
    reach = breadth_px + _FLANK_PX
    near = np.abs(off_px) <= reach
    usual, x = usual_profile(profiles[near], off_px[near], reach)
    places = np.arange(-breadth_px - _SLACK_PX, _SLACK_PX + _PITCH_PX / 2, _PITCH_PX)
    blurs = np.maximum(blur_px * _BLURS, 0.4)
    first, second = (
        ndtr((x - places[:, None] - beyond) / blurs[:, None, None]) for beyond in (0.0, breadth_px)
    )  # (blurs, places, samples)
    # beyond the work its shade may go on growing lighter, which looks much like a second step
    shade = np.maximum(x - places[:, None] - breadth_px, 0.0)
    share = _SHARES[:, None, None, None]
    misfit = _misfit(share * first + (1 - share) * second, shade, usual)
    scale = max(float(misfit.min()) / max(len(x) - 6, 1), _MODEL_ERROR**2)
    weight = np.exp(-(misfit - misfit.min()) / (2 * _SHARED * scale)) * _SHARES_ODDS[:, None, None]
    by_place = weight.sum(axis=(0, 1))
    by_place /= by_place.sum()
    mean = float(by_place @ places)
    own = float(by_place @ (places - mean) ** 2)
    return ArrisPlace(mean, float(np.sqrt(own + min(_U_PX, breadth_px / 2) ** 2 + (_U_SHARE * breadth_px) ** 2)))


def _misfit(shape: Array, shade: Array, usual: Array) -> Array:
    """Sum of squares that each shape (..., m) leaves of the usual profile, its levels and shade by least squares."""
    shade = shade - shade.mean(axis=-1, keepdims=True)
    shade /= np.sqrt(np.maximum(np.sum(shade * shade, axis=-1, keepdims=True), 1e-12))
    wanted = usual - usual.mean()
    wanted = wanted - (shade @ wanted)[..., None] * shade
    centred = shape - shape.mean(axis=-1, keepdims=True)
    centred -= np.sum(centred * shade, axis=-1, keepdims=True) * shade
    spread = np.sum(centred * centred, axis=-1)
    explained = np.sum(centred * wanted, axis=-1) ** 2 / np.maximum(spread, 1e-12)
    return np.asarray(np.sum(wanted * wanted, axis=-1) - explained)
