"""The model of a saddle point: a blurred crossing of two edges, with its derivatives.

Each point is fitted to a blurred crossing of two edges,

    (o + a E(u, σ_u) E(v, σ_v) + h E(u, w_u) E(v, w_v) + s (g(u) + g(v))) (1 + p·(x - c)),

u and v the distances from the two edges, which need not be square to each other, E(u, σ) = erf(u/√2σ) the edge under
a Gaussian point spread. The term in h is the halo of sharpening, which takes away a share of the picture blurred
wider (w² = σ² + 1.5²). The term in s is what ink spread and an unknown tone curve do: they widen the dark squares.
Both leave the crossing where it is, as does any curve of tone, because they keep the point symmetry about it.
The last factor is uneven light, and what local tone mapping makes of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Single = NDArray[np.float32]


X, Y, TURN_U, TURN_V, SIGMA_U, SIGMA_V, LEVEL, AMPLITUDE, SPREAD, SLOPE_X, SLOPE_Y, HALO = range(12)
TERMS = 12
_HALO_PX = np.float32(1.5)
"""How much wider than the picture's own blur the one is that sharpening takes away; phones use 1 to 2 px."""
_ERF_P = np.float32(0.3275911)
_ERF_A = [np.float32(a) for a in (1.061405429, -1.453152027, 1.421413741, -0.284496736, 0.254829592)]


def crossing(terms: Array, offset: Single) -> tuple[Single, Single]:
    """Model and its derivatives by the terms.

    Parameters
    ----------
    terms : (n, 12) ndarray
        As in `visioncheck.points.saddle.Fits.terms`, places relative to the window's middle pixel.
    offset : (n, k, 2) float32 ndarray
        Pixels relative to the window's middle, px.

    Returns
    -------
    light : (n, k) float32 ndarray
    slopes : (n, 12, k) float32 ndarray
    """
    t = terms.astype(np.float32)[:, :, None]
    dx, dy = offset[..., 0] - t[:, X], offset[..., 1] - t[:, Y]
    cos_u, sin_u, cos_v, sin_v = np.cos(t[:, TURN_U]), np.sin(t[:, TURN_U]), np.cos(t[:, TURN_V]), np.sin(t[:, TURN_V])
    u, along_u = cos_u * dx + sin_u * dy, cos_u * dy - sin_u * dx
    v, along_v = cos_v * dx + sin_v * dy, cos_v * dy - sin_v * dx
    sigma_u, sigma_v = t[:, SIGMA_U], t[:, SIGMA_V]
    wide_u, wide_v = np.hypot(sigma_u, _HALO_PX), np.hypot(sigma_v, _HALO_PX)
    step_u, bell_u = _edge(u, sigma_u)
    step_v, bell_v = _edge(v, sigma_v)
    halo_u, halo_bell_u = _edge(u, wide_u)
    halo_v, halo_bell_v = _edge(v, wide_v)
    light = 1 + t[:, SLOPE_X] * dx + t[:, SLOPE_Y] * dy
    crossing, halo, bells = step_u * step_v, halo_u * halo_v, bell_u + bell_v
    clean = t[:, LEVEL] + t[:, AMPLITUDE] * crossing + t[:, HALO] * halo + t[:, SPREAD] * bells
    # derivatives by u and v of the sharp part and of the halo
    sharp_u, sharp_v = t[:, AMPLITUDE] * bell_u * step_v, t[:, AMPLITUDE] * bell_v * step_u
    soft_u, soft_v = t[:, HALO] * halo_bell_u * halo_v, t[:, HALO] * halo_bell_v * halo_u
    spread_u, spread_v = t[:, SPREAD] * bell_u / sigma_u, t[:, SPREAD] * bell_v / sigma_v
    in_u, in_v = u / sigma_u, v / sigma_v
    by_u = (sharp_u + soft_u - spread_u * in_u) * light
    by_v = (sharp_v + soft_v - spread_v * in_v) * light
    slopes = np.empty((len(terms), TERMS, offset.shape[1]), np.float32)
    slopes[:, X] = -cos_u * by_u - cos_v * by_v - clean * t[:, SLOPE_X]
    slopes[:, Y] = -sin_u * by_u - sin_v * by_v - clean * t[:, SLOPE_Y]
    slopes[:, TURN_U] = by_u * along_u
    slopes[:, TURN_V] = by_v * along_v
    slopes[:, SIGMA_U] = (spread_u * (in_u**2 - 1) - sharp_u * in_u - soft_u * u * sigma_u / wide_u**2) * light
    slopes[:, SIGMA_V] = (spread_v * (in_v**2 - 1) - sharp_v * in_v - soft_v * v * sigma_v / wide_v**2) * light
    slopes[:, LEVEL] = light
    slopes[:, AMPLITUDE] = crossing * light
    slopes[:, SPREAD] = bells * light
    slopes[:, SLOPE_X] = clean * dx
    slopes[:, SLOPE_Y] = clean * dy
    slopes[:, HALO] = halo * light
    return clean * light, slopes


def _edge(distance: Single, sigma: Single) -> tuple[Single, Single]:
    """Rise of an edge from -1 to 1 and its derivative.

    The error function by M. Abramowitz and I. A. Stegun, *Handbook of Mathematical Functions* (1964), 7.1.26, which is
    right to 1.5e-7, about single precision's last digit, and shares its exponential with the derivative.
    """
    scaled = distance * (np.float32(np.sqrt(0.5)) / sigma)
    bell = np.exp(-scaled * scaled)
    t = 1 / (1 + _ERF_P * np.abs(scaled))
    tail = t * bell
    sums = np.full_like(t, _ERF_A[0])
    for a in _ERF_A[1:]:
        sums *= t
        sums += a
    return np.copysign(1 - sums * tail, scaled), bell * (np.float32(np.sqrt(2 / np.pi)) / sigma)
