"""Linear light in rows of pixels across a wall, for models of several steps of light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import BLUE, GREEN
from visioncheck.camera.view import View
from visioncheck.edges.sampling import Picture, pixel_rows
from visioncheck.edges.tone import Tone
from visioncheck.outline.guide import Guide
from visioncheck.photo.light import linear_between

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

FLANK_PX = 9.0
"""How far from a step of light its pixels take part in the fit."""
TRIM_MM = 2.0
"""Left out at both ends of a wall, where the work's own corners are."""
DARK_FLOOR = 0.004
"""Added to linear light before a logarithm: below it the sensor's noise has no colour to tell."""


@dataclass(frozen=True)
class LightRows:
    """Rows of pixels across a guide.

    Attributes
    ----------
    light : (n, m) ndarray
        Linear light of green, the photo's tone curve taken out.
    offsets : (n, m) ndarray
        Distance of each pixel's centre from the guide, to the guide's outside positive, px.
    tint : (n, m) ndarray
        log(blue/green).
    at_mm : (n,) ndarray
        Where each row crosses the guide, distance along it.
    scale_mm : (n,) ndarray
        Size of a pixel across the guide.
    """

    light: Array
    offsets: Array
    tint: Array
    at_mm: Array
    scale_mm: Array

    @property
    def pixel_mm(self) -> float:
        """Size of a pixel across the guide, median."""
        return float(np.median(self.scale_mm))

    def rows(self, chosen: Flags | slice) -> LightRows:
        """Take some rows only."""
        every = (self.light, self.offsets, self.tint, self.at_mm, self.scale_mm)
        return LightRows(*(values[chosen] for values in every))

    def about(self, count: int) -> LightRows:
        """Take about `count` rows, evenly spread."""
        return self.rows(slice(None, None, max(1, len(self.light) // count)))


def read_light_rows(bgr: Picture, view: View, guide: Guide, reach_px: float, tone: Tone) -> LightRows:
    """Read the rows of pixels within `reach_px` of a guide.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo as stored.
    guide : Guide
        On the plane of the paper.
    reach_px : float
        To either side of the guide.
    tone : Tone
        Of the photo.
    """
    seen = pixel_rows(bgr, view, guide, TRIM_MM, reach_px)
    decoded = linear_between(seen.coded)
    colour = np.log(decoded + DARK_FLOOR)
    tint = colour[..., BLUE] - colour[..., GREEN]
    return LightRows(decoded[..., GREEN] ** tone.exponent, seen.offset_px, tint, seen.at_mm, seen.pixel_mm)


def pixel_mm(view: View, guide: Guide) -> float:
    """Size of a pixel across the guide at its middle, mm."""
    seen = view.to_image(guide.points(np.array([guide.length_mm / 2] * 2), np.array([0.0, 1.0])))
    return 1.0 / float(np.linalg.norm(seen[1] - seen[0]))


def row_medians(light: Array, where: Flags) -> Array:
    """Median (n,) of the chosen samples of each row (n, m); of all samples where none is chosen."""
    none = ~where.any(axis=1)
    values = np.where(where, light, np.nan)
    values[none] = light[none]
    return np.asarray(np.nanmedian(values, axis=1))


def light_noise(rows: LightRows, wood: Flags) -> float:
    """Scatter of one sample of the wood's light within a row; `wood` (n, m) says where it lies."""
    flank = np.where(wood, rows.light, np.nan)
    return 1.4826 * float(np.nanmedian(np.abs(flank - np.nanmedian(flank, axis=1, keepdims=True)))) + 1e-5
