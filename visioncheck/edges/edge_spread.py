"""How a picture spreads a step of light: blur, and the halo that sharpening leaves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

HALO_PX = 1.5
"""How much wider than the picture's own blur the one is that sharpening takes away; phones use 1 to 2 px."""

_BLUR_STEP, _HALO_STEP = 0.25, 0.7
"""Natural logarithms."""


@dataclass(frozen=True)
class EdgeSpread:
    """How the picture spreads a step: a Gaussian of `blur_px`, and sharpening by `halo` of a wider one taken off."""

    blur_px: float
    halo: float

    @property
    def wide_px(self) -> float:
        """Standard deviation of the wider one."""
        return float(np.hypot(self.blur_px, HALO_PX))

    def step(self, x: Array) -> Array:
        """Step from 0 to 1 at x = 0."""
        return np.asarray((1 + self.halo) * ndtr(x / self.blur_px) - self.halo * ndtr(x / self.wide_px))

    def slope(self, x: Array) -> Array:
        """Derivative of the step."""
        return np.asarray((1 + self.halo) * _bell(x, self.blur_px) - self.halo * _bell(x, self.wide_px))


def best_spread(misfit_of: Callable[[EdgeSpread], float], start: EdgeSpread) -> tuple[EdgeSpread, float]:
    """The spread that fits best, and its misfit (J. A. Nelder and R. Mead, 1965)."""
    from scipy.optimize import minimize  # lazy: few photos show a slot

    def spread(x: Array) -> EdgeSpread:
        blur, halo = np.exp(x)
        return EdgeSpread(float(np.clip(blur, 0.3, 4.0)), float(np.clip(halo, 0.01, 3.0)))

    first = np.log([start.blur_px, start.halo])
    # of the size of what is not known: the library's own simplex is a hundredth of it, and spends its steps on growing
    simplex = first + np.array([[0.0, 0.0], [_BLUR_STEP, 0.0], [0.0, _HALO_STEP]])
    options = {"maxfev": 24, "xatol": 0.03, "fatol": 0.0, "initial_simplex": simplex}
    found = minimize(lambda x: misfit_of(spread(x)), first, method="Nelder-Mead", options=options)
    return spread(found.x), float(found.fun)


def _bell(x: Array, sd: float) -> Array:
    return np.asarray(np.exp(-((x / sd) ** 2) / 2) / (np.sqrt(2 * np.pi) * sd))
