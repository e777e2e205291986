"""From stored, gamma-coded pixel values to linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def _srgb_table() -> NDArray[np.float32]:
    """IEC 61966-2-1:1999 (sRGB), the decoding of its 256 levels."""
    value = np.arange(256) / 255
    table = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(table, np.float32)


_SRGB = _srgb_table()


def linear_light(levels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Linear light, 0 … 1, of sRGB-coded 8-bit levels of any shape."""
    return _SRGB[levels]


def linear_between(levels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light, 0 … 1, of sRGB-coded values 0 … 255 of any shape that need not be whole."""
    return np.interp(levels, np.arange(256), _SRGB)


def coded_from_linear(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """sRGB-coded values 0 … 255, not rounded, of linear light 0 … 1 of any shape: the inverse of `linear_between`."""
    return np.interp(light, _SRGB, np.arange(256))
