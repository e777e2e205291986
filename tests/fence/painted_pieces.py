"""Pieces painted on photos of the bare sheet for the other quantities; ``python -m tests.fence.painted_pieces`` writes
the fixtures ``fixtures/photos/bevel-1.jpg``, ``mitre-1.jpg`` and ``frame-1.jpg`` anew."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from tests.fence.painted_frames import LastJoint, shown
from tests.flags.painted import Picture, photo, rectangle
from tests.hard.scene import Lamp, piece, shoot

FIXTURES = Path(__file__).parents[2] / "fixtures" / "photos"
TILT_DEG, STANDS_MM = 0.30, 60.0
MITRE_DEG, MITRE_THICK_MM = 45.09, 18.0
FRAME = LastJoint(wedge_deg=0.62, wood="oak", width=40.0, arm=105.0, outer=(52.0, 100.0), turn_deg=38.0, seed=6)
_QUALITY = 86


def standing(
    tilt_deg=TILT_DEG, height_mm=45.0, stands_mm=STANDS_MM, turn_deg=3.0, centre=(92.0, 160.0), seed=4, base="survey-5"
):
    """A board on its edge, from the left of the blade: its table face below, the cut on the right of the picture."""
    corners = rectangle((100.0, height_mm), centre, turn_deg, (90.0, 90.0 + tilt_deg, 90.0))
    return shoot(photo(base), [piece(corners, stands_mm, "birch", seed)], Lamp(), seed=seed), corners


def mitred(corner_deg=MITRE_DEG, turn_deg=4.0, centre=(100.0, 150.0), seed=5, base="survey-5"):
    """An offcut with its edge at the fence below, and the cut on the right, at an acute corner with it."""
    slope = 60.0 / np.tan(np.radians(corner_deg))
    flat = np.array([[-60.0, 30.0], [60.0, 30.0], [60.0 - slope, -30.0], [-60.0, -30.0]])
    turn = np.radians(turn_deg)
    about = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = flat @ about.T + centre
    return shoot(photo(base), [piece(corners, MITRE_THICK_MM, "oak", seed)], Lamp(), seed=seed), corners


def write(picture: Picture, path: Path) -> Path:
    """Write it smaller than the phone would, with the phone's own EXIF."""
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(picture.bgr[:, :, ::-1])).save(
        out, "JPEG", quality=_QUALITY, exif=picture.exif
    )
    path.write_bytes(out.getvalue())
    return path


if __name__ == "__main__":
    write(standing()[0], FIXTURES / "bevel-1.jpg")
    write(mitred()[0], FIXTURES / "mitre-1.jpg")
    write(shown(FRAME), FIXTURES / "frame-1.jpg")
