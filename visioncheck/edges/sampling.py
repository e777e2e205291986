"""Picture beside a line: a coarse straight strip, and the photo's own pixels row by row across an edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import BLUE, RED
from visioncheck.camera.view import View
from visioncheck.outline.guide import Guide

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

_CURVE_STEP_MM = 1.0
_SMALLEST_SHIFT_PX = 0.005
_PROBE_MM = 0.1


def sample_beside(bgr: Picture, view: View, guide: Guide, at_mm: Array, offsets_mm: Array) -> Picture:
    """The coded picture (stations, samples, 3) beside a guide, for a coarse search.

    Parameters
    ----------
    at_mm : (stations,) ndarray
        Distances along the guide.
    offsets_mm : (samples,) ndarray
        Offsets to the outside.
    """
    pixels = view.to_image(guide.points(at_mm[:, None], offsets_mm[None, :]).reshape(-1, 2))
    low = np.floor(pixels.min(axis=0)).astype(int) - 2
    low = np.clip(low, 0, np.array(bgr.shape[1::-1]) - 1)
    high = np.ceil(pixels.max(axis=0)).astype(int) + 3
    # only the part around the strip: a remap's source may be no larger than 32767 px a side, and is read less
    part = bgr[low[1] : max(high[1], low[1] + 1), low[0] : max(high[0], low[0] + 1)]
    where = (pixels - low).reshape(len(at_mm), len(offsets_mm), 2).astype(np.float32)
    found = cv2.remap(part, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(found, np.uint8)


@dataclass(frozen=True)
class PixelRows:
    """The photo's own pixels in short rows across an edge, never interpolated between the rows.

    Attributes
    ----------
    at_mm : (n,) ndarray
        Where each row crosses the guide, distance along it.
    offset_px : (n, m) ndarray
        Distance of each pixel's centre from the guide, across it, outside positive, px.
    coded : (n, m, 3) ndarray
        BGR, 0 … 255, each channel moved to where green sees the same point.
    pixel_mm : (n,) ndarray
        Size of a pixel across the guide.
    """

    at_mm: Array
    offset_px: Array
    coded: Array
    pixel_mm: Array

    @property
    def usual_pixel_mm(self) -> float:
        """Median of their pixels."""
        return float(np.median(self.pixel_mm))

    def where(self, keep: NDArray[np.bool_]) -> PixelRows:
        """Only the rows to keep, (n,)."""
        return PixelRows(self.at_mm[keep], self.offset_px[keep], self.coded[keep], self.pixel_mm[keep])


def pixel_rows(bgr: Picture, view: View, guide: Guide, trim_mm: float, reach_px: float, every: int = 1) -> PixelRows:
    """Rows (or columns, whichever cross the edge more squarely) of pixels `reach_px` to both sides of a guide.

    Every row, or one in `every`. Resampling a sharp edge moves it by some hundredths of a pixel to and fro, as the
    pixel grid slides along it; the pixels themselves stand where they are known to stand.
    """
    at = np.linspace(trim_mm, guide.length_mm - trim_mm, max(int(guide.length_mm / _CURVE_STEP_MM), 8))
    on_guide = guide.points(at, np.zeros_like(at))
    line = view.to_image(on_guide)
    beyond = view.to_image(guide.points(at, np.full_like(at, _PROBE_MM)))
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    normal *= np.sign(np.sum(normal * (beyond - line), axis=1))[:, None]
    pixel_mm = _PROBE_MM / np.sum(normal * (beyond - line), axis=1)

    axis = int(np.abs(normal[:, 1]).mean() > np.abs(normal[:, 0]).mean())  # 0: rows run along x
    across = line[:, 1 - axis]
    order = np.argsort(across)
    size = np.array(bgr.shape[1::-1])
    rows = np.arange(max(np.ceil(across.min()), 0), min(np.floor(across.max()), size[1 - axis] - 1) + 1, every)

    def there(values: Array) -> Array:
        return np.interp(rows, across[order], values[order])

    centre, cosine = there(line[:, axis]), there(normal[:, axis])
    way = 1 if np.median(cosine) > 0 else -1
    half = int(np.ceil(reach_px / max(float(np.abs(cosine).mean()), 0.5)))
    pixel = np.rint(centre).astype(int)[:, None] + way * np.arange(-half, half + 1)
    inside = (pixel.min(axis=1) >= 0) & (pixel.max(axis=1) < size[axis])
    rows, pixel, centre, cosine = rows[inside].astype(int), pixel[inside], centre[inside], cosine[inside]
    coded = (bgr[rows[:, None], pixel] if axis == 0 else bgr[pixel, rows[:, None]]).astype(float)
    for channel in (BLUE, RED):
        apart = view.to_image(on_guide, channel=channel) - line
        shift = there(np.sum(apart * normal, axis=1))[inside] / np.abs(cosine)
        if np.abs(shift).max(initial=0.0) > _SMALLEST_SHIFT_PX:
            coded[..., channel] = _shifted(coded[..., channel], shift)
    return PixelRows(
        at_mm=there(at)[inside],
        offset_px=(pixel - centre[:, None]) * cosine[:, None],
        coded=coded,
        pixel_mm=there(pixel_mm)[inside],
    )


def _shifted(rows: Array, shift_px: Array) -> Array:
    """Each row read `shift_px` further on; shifts are far below a pixel, so the first difference does."""
    slope = np.gradient(rows, axis=1)
    return np.asarray(rows + shift_px[:, None] * slope)
