"""How far a survey's numbers scatter when its photos are left out one at a time: a check on its stated covariance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SHAPES = ((0, 1), (1, 0), (1, 1), (2, 0), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))


def excess(left_out: Array, covariance: Array, rows: Array) -> float:
    """By how much some numbers scatter more than their covariance says, as a factor on the covariance; at least 1.

    The delete-one jackknife: B. Efron and C. Stein, *The jackknife estimate of variance*, Ann. Stat. 9 (1981), who show
    that it states too much rather than too little; for regressions J. G. MacKinnon and H. White, J. Econometrics 29
    (1985). A photo is left out as a whole, so that errors which its points share count as they come. Eight photos tell
    one number's variance to a half; hence one factor, the mean over many numbers.

    Parameters
    ----------
    left_out : (photos, p) ndarray
        By how much the p fitted numbers change when that photo is left out.
    covariance : (p, p) ndarray
    rows : (k, p) ndarray
        The numbers that are looked at, as combinations of the fitted ones.
    """
    n = len(left_out)
    changes = (left_out - left_out.mean(axis=0)) @ rows.T
    scattered = (n - 1) / n * np.sum(changes**2, axis=0)
    stated = np.einsum("kp,pq,kq->k", rows, covariance, rows)
    return max(float(np.mean(scattered / stated)), 1.0)


def smooth_shapes(nominal_mm: Array) -> Array:
    """How a sheet may be out of shape as a whole, as rows (k, 3 n) for its points' x, y, z.

    Its scales apart, its shear, and what bends x and y in two and three orders, each freed of those before it.

    Parameters
    ----------
    nominal_mm : (n, 2) ndarray
        The sheet's points as laid out.
    """
    x, y = ((nominal_mm - nominal_mm.mean(axis=0)) / np.ptp(nominal_mm, axis=0)).T
    powers = [x**a * y**b for a, b in _SHAPES]
    n = len(x)
    flat = np.zeros((2 * len(powers), n, 3))
    for k, power in enumerate(powers):
        flat[2 * k, :, 0] = flat[2 * k + 1, :, 1] = power
    # shifts, the turn and the scale are no error of the print
    free = np.zeros((4, n, 3))
    free[0, :, 0] = free[1, :, 1] = 1
    centred = nominal_mm - nominal_mm.mean(axis=0)
    free[2, :, :2], free[3, :, :2] = centred @ [[0, 1], [-1, 0]], centred
    both = np.concatenate([free, flat]).reshape(4 + len(flat), -1)
    ways, triangle = np.linalg.qr(both.T)
    kept = np.abs(np.diag(triangle)) > 1e-9 * np.abs(triangle).max()
    kept[:4] = False
    return np.asarray(ways.T[kept])
