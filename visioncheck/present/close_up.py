"""Close-ups of sawn edges as the photo has them, pixel for pixel, with the straight line that was read laid on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from visioncheck.photo.load import Photo
    from visioncheck.reading.model import EdgeReading, Reading

    Array = NDArray[np.float64]

_ROW_PX, _HALF_PX, _GAP_PX = 640, 40, 10
_MOST_ROWS = 6
_DASH_PX, _PERIOD_PX = 22, 64
"""The line shows in dashes: between them the edge itself is seen."""
_LEAST_WEIGHT = 0.3
# as in the whole picture, blue first
_COLOURS = {"fence": (178, 114, 0), "cut": (0, 159, 230), "other": (115, 158, 0)}


def edges_to_show(reading: Reading) -> tuple[tuple[int, str], ...]:
    """Number and role (``fence``, ``cut``, ``other``) of the edges that a reading rests on: both walls of a slot."""
    if reading.piece in {"slot", "gap"}:
        return ((0, "other"), (2, "other"))
    roles = {reading.cut_edge: "cut", reading.fence_edge: "fence"}
    named = [k for k in (reading.fence_edge, reading.cut_edge) if k is not None]
    if reading.piece == "panel" or not named:
        named += [k for k in range(len(reading.edges)) if k not in named]
    return tuple((k, roles.get(k, "other")) for k in named)


def render_edge(photo: Photo, reading: Reading, which: int, role: str) -> bytes:
    """Draw one edge straightened along its line, from end to end in rows, JPEG.

    The piece lies below the line in every row, what is beside it above.
    """
    edge = reading.edges[which]
    centre = np.mean([corner.at_px for corner in reading.corners], axis=0)
    start, along, down, bend = _frame(edge, centre)
    length = float(np.linalg.norm(edge.end_px - edge.start_px))
    count = int(np.clip(np.ceil(length / _ROW_PX), 1, _MOST_ROWS))
    places = np.linspace(0, length, count * _ROW_PX)
    offsets = np.arange(-_HALF_PX, _HALF_PX + 1)
    line = start + places[:, None] * along + np.polyval(bend, places)[:, None] * down
    sampled = (line[None, :, :] + offsets[:, None, None] * down).astype(np.float32)
    strip = cv2.remap(photo.bgr, sampled, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    for x in range(0, strip.shape[1], _PERIOD_PX):
        cv2.line(strip, (x, _HALF_PX), (x + _DASH_PX, _HALF_PX), (255, 255, 255), 3)
        cv2.line(strip, (x, _HALF_PX), (x + _DASH_PX, _HALF_PX), _COLOURS[role], 1)
    rows = np.split(strip, count, axis=1)
    between = np.full((_GAP_PX, _ROW_PX, 3), 128, np.uint8)
    stacked = np.concatenate([part for row in rows for part in (row, between)][:-1])
    return bytes(cv2.imencode(".jpg", stacked, [cv2.IMWRITE_JPEG_QUALITY, 85])[1])


def _frame(edge: EdgeReading, centre: Array) -> tuple[Array, Array, Array, Array]:
    """Start, unit vectors along the edge and into the piece, px, and how the lens bends the line between: a parabola.

    The pair of vectors is turned and never mirrored, so that a close-up shows what the photo shows.
    """
    start, end = edge.start_px, edge.end_px
    along = (end - start) / np.linalg.norm(end - start)
    if np.array([-along[1], along[0]]) @ (centre - start) < 0:
        start, along = end, -along
    down = np.array([-along[1], along[0]])
    counted = edge.weights > _LEAST_WEIGHT
    if np.count_nonzero(counted) < 3:
        return start, along, down, np.zeros(3)
    px_per_mm = float(np.linalg.norm(end - edge.start_px)) / edge.length_mm
    relative = edge.stations_px[counted] - start
    offset = relative @ down + edge.residuals_mm[counted] * px_per_mm
    return start, along, down, np.polyfit(relative @ along, offset, 2)
