"""A band of picture along a line, drawn straight: stations along it, samples across it, linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import BLUE, GREEN, RED
from visioncheck.camera.view import View
from visioncheck.photo.light import linear_levels

Array = NDArray[np.float64]

LIGHT_SCALE = 65535.0
_BORDER_PX = 8


@dataclass(frozen=True)
class Guide:
    """A directed line on the plane of the paper from `start_mm` to `end_mm`; offsets count to the OUTSIDE.

    The outside lies at the direction (x, y) turned to (-y, x).
    """

    start_mm: Array
    end_mm: Array

    @property
    def length_mm(self) -> float:
        """Length."""
        return float(np.linalg.norm(self.end_mm - self.start_mm))

    @property
    def along(self) -> Array:
        """Unit direction, (2,)."""
        return np.asarray((self.end_mm - self.start_mm) / self.length_mm)

    @property
    def normal(self) -> Array:
        """Unit vector to the outside, (2,)."""
        x, y = self.along
        return np.array([-y, x])

    def points(self, at_mm: Array, offset_mm: Array) -> Array:
        """Table points (..., 2) at distances along and offsets to the outside (broadcast together)."""
        at, offset = np.broadcast_arrays(at_mm, offset_mm)
        return np.asarray(self.start_mm + at[..., None] * self.along + offset[..., None] * self.normal)


@dataclass(frozen=True)
class LightPlane:
    """The part of a photo around the workpiece in linear light.

    Attributes
    ----------
    levels : (h, w, 3) uint16 ndarray
        Linear light, BGR, 0 … 65535.
    corner_px : (2,) ndarray
        Photo place of its pixel (0, 0).
    """

    levels: NDArray[np.uint16]
    corner_px: Array


def light_around(bgr: NDArray[np.uint8], pixels: Array) -> LightPlane:
    """The linear light of the smallest upright rectangle around `pixels` (n, 2), with a border."""
    height, width = bgr.shape[:2]
    low = np.clip(np.floor(pixels.min(axis=0)).astype(int) - _BORDER_PX, 0, [width - 1, height - 1])
    high = np.clip(np.ceil(pixels.max(axis=0)).astype(int) + _BORDER_PX + 1, 1, [width, height])
    part = bgr[low[1] : high[1], low[0] : high[0]]
    return LightPlane(cv2.LUT(part, linear_levels()), low.astype(float))  # type: ignore[arg-type]


def sample_strip(light: LightPlane, view: View, guide: Guide, at_mm: Array, offsets_mm: Array) -> NDArray[np.float32]:
    """Linear light (stations, samples, 3), BGR, 0 … 1, each channel where its own colour falls.

    Parameters
    ----------
    at_mm : (stations,) ndarray
        Distances along the guide.
    offsets_mm : (samples,) or (stations, samples) ndarray
        Offsets to the outside.
    """
    offsets = np.broadcast_to(offsets_mm, (len(at_mm), np.shape(offsets_mm)[-1]))
    points = guide.points(at_mm[:, None], offsets).reshape(-1, 2)
    green = view.to_image(points, channel=GREEN)
    channels = []
    for channel in (BLUE, GREEN, RED):
        pixels = green if channel == GREEN else view.to_image(points, channel=channel)
        where = (pixels - light.corner_px).reshape(*offsets.shape, 2).astype(np.float32)
        plane = np.ascontiguousarray(light.levels[..., channel])
        sampled = cv2.remap(plane, where, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
        channels.append(sampled)
    return np.stack(channels, axis=-1).astype(np.float32) / np.float32(LIGHT_SCALE)


def pixel_mm(view: View, guide: Guide) -> float:
    """Size of a pixel across the guide at its middle, mm."""
    middle = guide.points(np.array([guide.length_mm / 2] * 2), np.array([0.0, 1.0]))
    seen = view.to_image(middle)
    return 1.0 / float(np.linalg.norm(seen[1] - seen[0]))
