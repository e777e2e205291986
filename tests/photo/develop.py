"""What phones make of a coded picture: a contrast curve, local tone mapping, sharpening, and lateral colour."""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np

LUMA = np.array([0.114, 0.587, 0.299])
"""ITU-R BT.601, of blue, green and red."""


def developed(bgr, *, contrast=0.35, local=0.25, sharpen=0.6, radius_px=1.3):
    """Develop an 8-bit picture once more: all in coded values, as phones do, and clipped at white.

    Sharpening takes a share of a blurred luma off and adds the rest to all three colours; `sharpen` 0.6 to 1.2 leaves
    overshoots of 5 to 27 % on the light side.
    """
    value = bgr.astype(np.float32) / 255
    luma = value @ LUMA.astype(np.float32)
    around = cv2.GaussianBlur(cv2.resize(luma, None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA), (0, 0), 12)
    around = cv2.resize(around, luma.shape[::-1], interpolation=cv2.INTER_CUBIC)
    value = value * ((0.5 / np.maximum(around, 0.05)) ** local)[..., None]
    value = np.clip(value, 0, 1)
    value = (1 - contrast) * value + contrast * value**2 * (3 - 2 * value)
    luma = value @ LUMA.astype(np.float32)
    value = value + (sharpen * (luma - cv2.GaussianBlur(luma, (0, 0), radius_px)))[..., None]
    return np.rint(np.clip(value, 0, 1) * 255).astype(np.uint8)


def with_lateral_colour(bgr, centre_px, blue, red):
    """The picture with blue and red magnified by these shares about a centre, green as it was."""
    height, width = bgr.shape[:2]
    parts = [bgr[..., 0], bgr[..., 1], bgr[..., 2]]
    for channel, more in ((0, blue), (2, red)):
        x, y = (
            (np.arange(size, dtype=np.float32) - c) / np.float32(1 + more) + np.float32(c)
            for size, c in zip((width, height), centre_px, strict=True)
        )
        parts[channel] = _read_between(bgr[..., channel], x, y)
    return np.stack(parts, axis=-1)


def _read_between(channel, x, y):
    """The channel at places (x, y), by cubics in floating point: a remap's own steps of 1/32 px would show."""
    rows = _along(channel.astype(np.float32), y)
    return np.rint(np.clip(_along(rows.T, x).T, 0, 255)).astype(np.uint8)


def _along(values, at):
    """Rows of `values` at fractional row numbers, by R. G. Keys' cubic convolution (1981), a = -1/2."""
    first = np.floor(at).astype(int)
    t = (at - first)[:, None]
    take = partial(np.take, values, axis=0, mode="clip")
    weights = (
        -0.5 * t + t**2 - 0.5 * t**3,
        1 - 2.5 * t**2 + 1.5 * t**3,
        0.5 * t + 2 * t**2 - 1.5 * t**3,
        -0.5 * t**2 + 0.5 * t**3,
    )
    return sum(weight * take(first + k - 1) for k, weight in enumerate(weights))
