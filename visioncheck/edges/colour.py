"""The colour direction in which wood parts best from what lies beyond its edge, block by block along the edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.photo.light import linear_between

Array = NDArray[np.float64]

REACH_PX = 9
_CORE_PX = 2.5
_BESIDE_PX = 4.5
_BLOCK_MM = 3.0
_FEWEST = 8
_SHRINK = 0.8
"""How much of a block's scatter is taken from the whole edge: a block of its own has too few stations to tell."""
_SPREAD = 3
"""Stations to either side of a mark that share its blurred colour."""
_LIES_BACK_MM = 0.014
"""How far a sawn arris lies back, root mean square: half of a roughness of 0.02 mm, the half that lies inward."""
_HOLLOW = np.array([0.03, 0.0, 0.0])
"""Light and colour of the hollow that shows where an arris lies back: dark, and of next to no colour."""
_COLOUR_COARSE = 0.35
"""JPEG keeps colour at half the resolution of light: a step of colour is placed this much worse, relative to itself."""
_CROSSTALK = 0.1
"""Share of a step of light that a coded colour shows beside it, light being coded by a power and not in proportion."""
_COLOURS = np.diag([0.0, 1.0, 1.0])
_LEAST_NOISE = np.diag([1e-7, 1e-6, 1e-6])


@dataclass(frozen=True)
class Profiles:
    """Each station's profile along its block's best colour direction.

    Attributes
    ----------
    values : (n, m) ndarray
        About 0 inside and 1 outside.
    noise : (n,) ndarray
        Scatter of a sample, in units of the step.
    plain : (n,) bool ndarray
        Whether the outside is what most of the block shows.
    recess_gain : (n,) ndarray
        How many times as far as the arris lies back it is read too far out.
    """

    values: Array
    noise: Array
    plain: NDArray[np.bool_]
    recess_gain: Array


def light_and_colour(coded: Array) -> Array:
    """(..., 3): linear light of the luma, and the two colour differences (ITU-R BT.601) as coded, 0 … 1.

    A JPEG keeps luma and colour apart, colour at half the resolution. Decoded to red, green and blue the coarse
    colour sharpens or smears each of them; kept apart, the luma stays as sharp as it was taken and the colour
    differences stay centred on the edge.
    """
    blue, green, red = coded[..., 0], coded[..., 1], coded[..., 2]
    luma = 0.114 * blue + 0.587 * green + 0.299 * red
    return np.stack(
        [linear_between(luma), 0.564 * (blue - luma) / 255, 0.713 * (red - luma) / 255],
        axis=-1,
    )


def along_best_colour(seen: Array, offset_px: Array, at_mm: Array, pixel_mm: float) -> Profiles:
    """Project `seen` on the direction that best parts wood from beyond.

    R. A. Fisher, *The use of multiple measurements in taxonomic problems* (1936), block by block along the edge, so
    that paper, print, shadow and side face are each told from wood in their own best direction. The scatter holds
    the grain inside and the shading outside, to both of which the direction is made blind, and what would move the
    edge without being noise: the dark hollows where the arris lies back, which pull the place of the edge by their
    breadth times the step from hollow to outside, and the coarseness of colour.

    Parameters
    ----------
    seen : (n, m, 3) ndarray
        From `light_and_colour`.
    offset_px : (n, m) ndarray
        Offsets of the samples to the outside.
    at_mm : (n,) ndarray
        Where the stations stand along the edge.
    pixel_mm : float
        Size of a pixel across the edge.
    """
    usual = np.median(offset_px, axis=0)
    inner = seen[:, (usual > -REACH_PX) & (usual < -_CORE_PX)]
    outer = seen[:, (usual > _CORE_PX) & (usual < _CORE_PX + _BESIDE_PX)]
    starts, which = _blocks(at_mm)
    marked = _marked_stations(inner.mean(axis=1)[:, 0], outer.mean(axis=1)[:, 0], starts, which)
    weight = np.where(marked, 0.0, 1.0)
    count = np.maximum(np.add.reduceat(weight, starts), 1e-9)[:, None]
    mean_in = np.add.reduceat(weight[:, None] * inner.mean(axis=1), starts) / count
    mean_out = np.add.reduceat(weight[:, None] * outer.mean(axis=1), starts) / count
    scatter = _block_scatter(inner - mean_in[which][:, None], weight, starts) / count[..., None]
    scatter += _block_scatter(outer - mean_out[which][:, None], weight, starts) / count[..., None]
    scatter = (1 - _SHRINK) * scatter + _SHRINK * scatter.mean(axis=0) + _LEAST_NOISE
    step = mean_out - mean_in
    beyond = mean_out - _HOLLOW
    scatter += (_LIES_BACK_MM / pixel_mm) ** 2 * beyond[:, :, None] * beyond[:, None, :]
    coarse = _COLOUR_COARSE**2 * np.sum(step[:, 1:] ** 2, axis=1) + _CROSSTALK**2 * step[:, 0] ** 2
    scatter += coarse[:, None, None] * _COLOURS
    direction = np.linalg.solve(scatter, step[..., None])[..., 0]
    direction /= np.maximum(np.sum(direction * step, axis=1), 1e-12)[:, None]
    w = direction[which]
    start = np.sum(mean_in * direction, axis=1)[which]
    off_inside = np.abs(np.sum(inner.mean(axis=1) * w, axis=1) - start)
    off_outside = np.abs(np.sum(outer.mean(axis=1) * w, axis=1) - start - 1)
    return Profiles(
        values=np.einsum("sok,sk->so", seen, w) - start[:, None],
        noise=np.sqrt(np.maximum(np.einsum("sk,skl,sl->s", w, scatter[which], w) / 2, 1e-12)),
        plain=_away_from(marked) & (off_inside < checks.EDGE_OFF_LEVEL) & (off_outside < checks.EDGE_OFF_LEVEL),
        recess_gain=np.sum(direction * beyond, axis=1)[which],
    )


def _blocks(at_mm: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First station of each block, and each station's block."""
    pitch = float(np.median(np.abs(np.diff(at_mm))))
    size = max(_FEWEST, round(_BLOCK_MM / max(pitch, 1e-6)))
    starts = np.arange(max(1, len(at_mm) // size)) * size
    return starts, np.minimum(np.arange(len(at_mm)) // size, len(starts) - 1)


def _away_from(marked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Not marked, and no neighbour marked."""
    wide = np.ones((1, 2 * _SPREAD + 1), np.uint8)
    return np.asarray(cv2.dilate(marked.astype(np.uint8)[None], wide)[0] == 0)


def _marked_stations(
    inner: Array, outer: Array, starts: NDArray[np.int64], which: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether a printed mark outside or a deep tear inside changes the light from what most of the block shows."""
    size = int(starts[1]) if len(starts) > 1 else len(inner)
    whole = len(starts) * size
    usual_in = np.median(inner[:whole].reshape(len(starts), size), axis=1)[which]
    usual_out = np.median(outer[:whole].reshape(len(starts), size), axis=1)[which]
    limit = checks.EDGE_UNLIKE * np.maximum(usual_in, usual_out)
    return np.asarray((np.abs(outer - usual_out) > limit) | (np.abs(inner - usual_in) > limit))


def _block_scatter(centred: Array, weight: Array, starts: NDArray[np.int64]) -> Array:
    """Sum over each block's stations of the mean product of the colours, (blocks, 3, 3)."""
    products = np.swapaxes(centred, 1, 2) @ centred / centred.shape[1]
    return np.asarray(np.add.reduceat(weight[:, None, None] * products, starts))
