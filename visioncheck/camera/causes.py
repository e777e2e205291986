"""Why a photo's points miss the surveyed sheet: which of the things that may have changed explains the residuals."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks

Array = NDArray[np.float64]


def likely_cause(residuals: Array, rows: Array, causes: Mapping[str, Array]) -> tuple[str, Array] | None:
    """Fit each cause beside what is free anyway and name the one that leaves least; None where none leaves little.

    Parameters
    ----------
    residuals : (m,) ndarray
        Over their uncertainty.
    rows : (m, p) ndarray
        Derivatives by what is free anyway, over the same uncertainty.
    causes : mapping of str to (m, k) ndarray
        Derivatives by what each cause would change, over the same.

    Returns
    -------
    tuple or None
        The cause's name and how much its k numbers change.
    """
    m = len(residuals)
    before = float(residuals @ residuals) / max(m - rows.shape[1], 1)
    found = []
    for name, columns in causes.items():
        both = np.concatenate([rows, columns], axis=1)
        size = np.maximum(np.linalg.norm(both, axis=0), 1e-300)
        numbers = np.linalg.lstsq(both / size, residuals, rcond=1e-10)[0] / size
        left = residuals - both @ numbers
        found.append((float(left @ left) / max(m - both.shape[1], 1), name, numbers[rows.shape[1] :]))
    left, name, numbers = min(found, key=lambda each: each[0])
    return (name, numbers) if left < checks.CAUSE_MOST_LEFT * before else None
