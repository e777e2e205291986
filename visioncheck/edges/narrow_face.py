"""Where the top arris lies that stands so close to the bottom one in the picture that their steps run into one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from visioncheck.edges.edge_spread import EdgeSpread
from visioncheck.edges.profile import usual_profile

Array = NDArray[np.float64]

NARROWEST_PX, BROADEST_PX = 0.15, 9.0
"""Breadths of a side face that count and whose two steps run into one, px."""
_FLANK_PX = 6.0
"""Of the usual profiles: so much beyond a side face's breadth to both sides, since the one step may be either arris."""
_BLURS, _HALOES = np.linspace(0.5, 1.0, 6), (0.0, 0.3)
"""Times the blur of the one step, which is wider than its two parts are; and how much sharpening made of them."""
_SHARE_SD = 0.35
"""How far a side face's colour lies from the top face's (0) to that of what lies beyond (1), before the picture is
asked: it is the same wood, and profiles run along the colour that shade changes least; assumption."""
_LIGHT_SD = 0.5
"""The same of its light, of the top face's own: a face may lie in shade, or look towards the lamp; assumption."""
_PITCH_PX, _SLACK_PX = 0.1, 2.0
_LEAST_ROWS, _MOST_BLOCKS = 12, 24
_WAVE_PX = 0.3
"""How far a block's arris lies off the edge's straight line; assumption."""
_MODEL_ERROR = 0.02
"""Of the step: how well two blurred steps and an even shade describe the usual profile; assumption."""
_U_PX, _U_SHARE = 0.15, 0.05
"""Beyond the odds: shade at the foot of the work; and the breadth's own, of thickness and view; assumptions."""
_SHARED = 3.0
"""Samples of the usual profile that a pixel's own breadth makes say the same: quarters of a pixel, pixels being one."""
_TURNS = np.linspace(-1.0, 1.0, 25)
_MOST_TURNED_PX = 4.0


@dataclass(frozen=True)
class ArrisPlace:
    """The top arris against the one step that was fitted to both.

    Attributes
    ----------
    shift_px : float or (n,) ndarray
        To the outside, of the whole edge or of each station.
    u_px : float
        Its standard uncertainty, of the edge as a whole.
    turn_u_px : float
        That of one end against the other.
    """

    shift_px: float | Array
    u_px: float
    turn_u_px: float = 0.0

    def further_in(self, breadth_px: float) -> ArrisPlace:
        """Anywhere over a side face of this breadth (rectangular) further in."""
        return ArrisPlace(self.shift_px - breadth_px / 2, math.hypot(self.u_px, breadth_px / math.sqrt(12)))


def top_arris(
    profiles: Array, light: Array, off_px: Array, one_px: Array, breadth_px: float, blur_px: float
) -> ArrisPlace:
    """Part the two steps of a side face that is narrower than the eye can tell, block by block along the edge.

    How broad it shows is known from the thickness and the view, how bright it is, is not: where it is as bright as the
    top face, the one step is the bottom arris, where it is like what lies beyond, the top one; and it may be the one
    here and the other there. Every place and blur is weighed by how well it describes the usual profile of each block,
    in colour and in light (Bayes's rule, with a Gaussian likelihood), on a line that is straight; a block's place is
    the mean near that line.

    Parameters
    ----------
    profiles : (n, m) ndarray
        Along the colour that parts wood best from what lies beyond: about 0 inside and 1 outside.
    light : (n, m) ndarray
        Linear light of the same samples.
    off_px : (n, m) ndarray
        Distances of the samples from a line near the edge, px, rows in order along it.
    one_px : (n,) ndarray
        Where the one step was fitted.
    breadth_px : float
        Of the side face, px.
    blur_px : float
        Of the one step.

    Examples
    --------
    A dark side face of 4 px, read as one step that hangs on the bottom arris:

    >>> import numpy as np
    >>> from scipy.special import ndtr
    >>> off = np.tile(np.linspace(-14, 14, 113), (60, 1))
    >>> seen = -0.3 * ndtr(off) + 1.3 * ndtr(off - 4)
    >>> place = top_arris(seen, 0.3 + 0.5 * seen, off, np.full(60, 4.0), 4.0, 1.0)
    >>> round(float(np.median(place.shift_px)), 1)
    -4.0
    """
    parts = np.array_split(np.arange(len(one_px)), int(np.clip(len(one_px) // _LEAST_ROWS, 1, _MOST_BLOCKS)))
    places = np.arange(-breadth_px - _SLACK_PX, _SLACK_PX + _PITCH_PX / 2, _PITCH_PX)
    inside = float(np.median(light[off_px < -breadth_px]))
    step = max(abs(float(np.median(light[off_px > breadth_px])) - inside), 0.1 * inside)
    reach, misfits = breadth_px + _FLANK_PX, []
    for values, sd in ((profiles, _SHARE_SD), ((light - inside) / step, _LIGHT_SD * inside / step)):
        usual, x = _usual_profiles(values, off_px, parts, reach)
        misfits.append(_misfit(usual, x, places, breadth_px, blur_px, sd))
    # what the model lacks is the same in every block: it leaves the line as uncertain as one block alone
    line, u_px, turn_u_px = _straight_line([each.log_odds(len(parts)) for each in misfits], places)
    # of a block, its own odds near the line, whatever blur and colour
    own = sum(_either(each.log_odds()) for each in misfits) - (places - line[:, None]) ** 2 / (2 * _WAVE_PX**2)
    weight = np.exp(own - own.max(axis=1, keepdims=True))
    place = weight @ places / weight.sum(axis=1)
    moved = place - np.array([np.median(one_px[part]) for part in parts])
    middles = np.array([part.mean() for part in parts])
    u_px = math.hypot(u_px, min(_U_PX, breadth_px / 2), _U_SHARE * breadth_px)
    return ArrisPlace(np.interp(np.arange(len(one_px)), middles, moved), u_px, turn_u_px)


def _usual_profiles(
    values: Array, off_px: Array, parts: list[NDArray[np.int64]], reach_px: float
) -> tuple[Array, Array]:
    """The usual profile of each block (blocks, samples), at the same places."""
    found = []
    for part in parts:
        near = np.abs(off_px[part]) <= reach_px
        found.append(usual_profile(values[part][near], off_px[part][near], reach_px))
    x = max((at for _, at in found), key=len)
    return np.stack([np.interp(x, at, usual) for usual, at in found]), x


@dataclass(frozen=True)
class _Misfit:
    """What two steps leave: sum of squares for each blur, block and place, and the variance of a sample of a block."""

    squares: Array
    variance: float

    def log_odds(self, blocks_that_agree: int = 1) -> Array:
        """Logarithm of the odds of each, where what the model lacks is the same in so many blocks."""
        return -self.squares / (2 * _SHARED * (self.variance + (blocks_that_agree - 1) * _MODEL_ERROR**2))


def _misfit(usual: Array, x: Array, places: Array, breadth_px: float, blur_px: float, side_sd: float) -> _Misfit:
    """Levels, the side face's own and an even shade beyond by least squares.

    That a side face is like the top one is known once for the whole edge.
    """
    weight = math.sqrt(_SHARED) * _MODEL_ERROR / side_sd
    spreads = [EdgeSpread(max(blur, 0.4), halo) for blur in blur_px * _BLURS for halo in _HALOES]
    away = x - places[:, None]
    # beyond the work its shade may go on growing lighter, which looks much like a second step
    shade = np.maximum(away - breadth_px, 0.0) / _FLANK_PX
    flat = np.concatenate([usual, np.zeros((len(usual), 1))], axis=1)
    left = np.empty((len(spreads), len(places), len(usual)))
    for k, spread in enumerate(spreads):
        columns = [np.ones_like(away), spread.step(away), spread.step(away - breadth_px), shade]
        known = np.zeros((len(places), 1, 4))
        known[:, 0, 1] = weight
        across = np.linalg.qr(np.concatenate([np.stack(columns, axis=-1), known], axis=1)).Q
        explained = flat @ across  # (places, blocks, 4)
        left[k] = np.sum(flat**2, axis=1) - np.sum(explained**2, axis=-1)
    variance = max(float(np.median(left.min(axis=(0, 1)))) / max(len(x) - 6, 1), _MODEL_ERROR**2)
    return _Misfit(np.swapaxes(left, 1, 2), variance)


def _either(odds: Array) -> Array:
    """Logarithm of the odds whatever the blur: of (blurs, ...) what is left, (...)."""
    return np.asarray(reduce(np.logaddexp, odds))


def _straight_line(odds: list[Array], places: Array) -> tuple[Array, float, float]:
    """The mean of all straight lines through the blocks, (blocks,), and how uncertain its middle and its turn are."""
    blocks = odds[0].shape[1]
    along = np.linspace(-0.5, 0.5, blocks) if blocks > 1 else np.zeros(1)
    turns = _TURNS * min(_MOST_TURNED_PX, np.ptp(places)) if blocks > 2 else np.zeros(1)
    lines = places[:, None, None] + turns[:, None] * along  # (places, turns, blocks)
    at = np.rint((lines - places[0]) / _PITCH_PX).astype(int)
    off = np.any((at < 0) | (at >= len(places)), axis=-1)
    at = np.clip(at, 0, len(places) - 1)
    total = sum(_either(each[:, np.arange(blocks), at].sum(axis=-1)) for each in odds)
    total = np.where(off, -np.inf, total)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    by_place, by_turn = weight.sum(axis=1), weight.sum(axis=0)
    middle, turn = float(by_place @ places), float(by_turn @ turns)
    u_px = math.sqrt(float(by_place @ (places - middle) ** 2))
    return middle + turn * along, u_px, math.sqrt(float(by_turn @ (turns - turn) ** 2))
