"""A photo: its pixels as they are stored, and what the camera wrote beside them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Exif:
    """What the phone wrote; None where it wrote nothing."""

    make: str | None = None
    model: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    taken: str | None = None
    orientation: int = 1


@dataclass(frozen=True)
class Photo:
    """One decoded photo.

    Attributes
    ----------
    path : Path
        Where it came from; for messages alone.
    bgr : (height, width, 3) uint8 ndarray
        Stored pixels BEFORE any EXIF rotation, in OpenCV's channel order, gamma-coded.
    sha256 : str
        Of the file's bytes.
    """

    path: Path
    bgr: NDArray[np.uint8]
    exif: Exif
    sha256: str
