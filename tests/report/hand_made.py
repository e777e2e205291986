"""A reading put together by hand: a 200 x 140 px piece in a 400 x 300 px photo, 0.5 mm a pixel."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from visioncheck.codes import Doubt, Question
from visioncheck.photo.load import Exif, Photo
from visioncheck.quantity import Quantity
from visioncheck.reading.model import CornerReading, EdgeReading, Reading, WidthReading
from visioncheck.sled.model import Screw, Sled

CORNERS_PX = np.array([[100.0, 220.0], [300.0, 220.0], [300.0, 80.0], [100.0, 80.0]])
MM_PER_PX = 0.5
ANGLES_DEG = (89.95, 90.10, 89.90, 90.05)
SLED = Sled(
    name="Juniper sled",
    units="mm",
    tolerance_deg=0.01,
    fence_side="rear",
    pivot="left",
    adjuster_distance_mm=600.0,
    fence_length_mm=700.0,
    adjuster=Screw(1.0, "forward"),
    kerf_mm=3.0,
    tip_width_mm=3.0,
    piece_side="left",
)


def edge(k: int) -> EdgeReading:
    """Seen along its first half only; 0.02 mm to the outside."""
    start, end = CORNERS_PX[k], CORNERS_PX[(k + 1) % 4]
    seen = start + np.linspace(0.02, 0.5, 200)[:, None] * (end - start)
    return EdgeReading(
        start_mm=start * MM_PER_PX,
        end_mm=end * MM_PER_PX,
        start_px=start,
        end_px=end,
        stations_px=seen,
        residuals_mm=np.full(200, 0.02),
        weights=np.ones(200),
        bow=Quantity(0.01, 0.005, "mm"),
    )


def corner_piece() -> Reading:
    """Fence edge at the bottom, fresh cut at the right: e = 90.10° − 90°."""
    corners = tuple(
        CornerReading(
            CORNERS_PX[k] * MM_PER_PX, CORNERS_PX[k], Quantity(ANGLES_DEG[k], 0.002, "deg", 40), ((k - 1) % 4, k)
        )
        for k in range(4)
    )
    return Reading(
        photo="offcut.jpg",
        piece="corner",
        edges=tuple(edge(k) for k in range(4)),
        corners=corners,
        thickness=Quantity(18.0, 0.3, "mm"),
        fence_edge=0,
        cut_edge=1,
        fence_error=Quantity(0.10, 0.002, "deg", 40),
        tag_id=222,
        budget={"edge": 0.0012, "print survey": 0.0016},
        doubts=(Doubt("tilt"),),
    )


def strip() -> Reading:
    """Its sign cannot be known."""
    return replace(
        corner_piece(),
        piece="strip",
        fence_edge=None,
        cut_edge=None,
        fence_error=None,
        fence_error_size=Quantity(0.03, 0.001, "deg"),
        taper=Quantity(0.12, 0.004, "deg"),
        widths=(WidthReading(0.0, Quantity(25.4, 0.02, "mm")), WidthReading(200.0, Quantity(25.8, 0.02, "mm"))),
        question=Question("strip end", ("top", "bottom")),
        doubts=(),
    )


def photo(orientation: int = 1) -> Photo:
    """A grey picture."""
    return Photo(Path("offcut.jpg"), np.full((300, 400, 3), 128, np.uint8), Exif(orientation=orientation), "")
