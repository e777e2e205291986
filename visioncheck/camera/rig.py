"""A rig: one phone's lens and one user's printed sheets, surveyed together, and the file that keeps them."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import LENS_TERMS, Lens
from visioncheck.camera.steadiness import Steadiness
from visioncheck.files import write_whole

Array = NDArray[np.float64]

SCHEMA = 2
UNSTEADY = 1
"""The schema before photos had a geometry of their own; such a rig says nothing of the hand that took it."""


@dataclass(frozen=True)
class Rig:
    """The result of a survey.

    Attributes
    ----------
    lens : Lens
    paper, field : str
    sheet, index : (n,) int ndarray
        Name of each surveyed point.
    points_mm : (n, 3) ndarray
        Its place, table frame (sheet 0's).
    covariance : (8 + 3 n, 8 + 3 n) ndarray
        Of the lens's terms and the points; motions of the whole and its scale are taken out.
    scale_u_rel : float
        Relative standard uncertainty of the scale.
    ruled_mm : float or None
        The ruled length that set the scale.
    residual_px : float
        Root mean square residual of one coordinate.
    steadiness : Steadiness
        How much one photo's geometry differed from the next one's.
    noise_ratio : float
        By how much the points' residuals exceeded their stated uncertainty, at least 1: what this phone makes of its
        pictures.
    make, model : str or None
        The phone, as EXIF names it.
    date : str
        Of the survey, ISO 8601.
    learnt_from : tuple of str
        SHA-256 of the photos, one for each piece, that refined it since the survey.
    survey_sha256 : str or None
        Hash of the file that the survey wrote, in a rig that was refined.
    """

    lens: Lens
    paper: str
    field: str
    sheet: NDArray[np.int64]
    index: NDArray[np.int64]
    points_mm: Array
    covariance: Array
    scale_u_rel: float
    ruled_mm: float | None
    residual_px: float
    photos: int
    make: str | None
    model: str | None
    focal_mm: float | None
    date: str
    steadiness: Steadiness
    noise_ratio: float = 1.0
    learnt_from: tuple[str, ...] = ()
    survey_sha256: str | None = None


def save_rig(rig: Rig, path: Path) -> None:
    """Write the rig as JSON, whole or not at all.

    Raises
    ------
    UserError
        The file cannot be written.
    """
    write_whole(path, rig_text(rig).encode())


def rig_text(rig: Rig) -> str:
    """Give the content of a rig's file."""
    lower = rig.covariance[np.tril_indices(len(rig.covariance))].astype("<f4")
    content = {
        "schema": SCHEMA,
        "kind": "visioncheck rig",
        "date": rig.date,
        "phone": {"make": rig.make, "model": rig.model, "focal_mm": rig.focal_mm},
        "picture_px": [rig.lens.width, rig.lens.height],
        "lens": dict(zip(LENS_TERMS, rig.lens.terms.tolist(), strict=True)),
        "smooth_px": rig.lens.smooth.tolist(),
        "lateral": list(rig.lens.lateral),
        "paper": rig.paper,
        "field": rig.field,
        "photos": rig.photos,
        "residual_px": rig.residual_px,
        "noise_ratio": rig.noise_ratio,
        "steadiness": asdict(rig.steadiness),
        "ruled_mm": rig.ruled_mm,
        "scale_u_rel": rig.scale_u_rel,
        "sheet": rig.sheet.tolist(),
        "index": rig.index.tolist(),
        "points_mm": np.round(rig.points_mm, 6).tolist(),
        **({"learnt_from": rig.learnt_from, "survey_sha256": rig.survey_sha256} if rig.learnt_from else {}),
        "covariance_lower_f4": base64.b64encode(lower.tobytes()).decode("ascii"),
    }
    return _compact({**content, "digest": content_fingerprint(content)}) + "\n"


def _compact(content: dict[str, Any]) -> str:
    return json.dumps(content, separators=(",", ":"))


def content_fingerprint(content: dict[str, Any]) -> str:
    """Return a fingerprint of the content: one changed digit of a point would bend every angle unnoticed."""
    return hashlib.sha256(_compact(content).encode()).hexdigest()
