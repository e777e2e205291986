"""Coded pixel values of painted light."""

from __future__ import annotations

import numpy as np

from visioncheck.photo.light import linear_light

_CODES = np.arange(256, dtype=np.uint8)


def coded_between(light):
    """sRGB-coded values, 0 … 255 and not rounded, of linear light."""
    return np.interp(light, linear_light(_CODES), _CODES)
