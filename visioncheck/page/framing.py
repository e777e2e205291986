"""What the camera sees before the photo is taken: one small frame, judged as the photo itself will be."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np
import simplejpeg

from visioncheck import checks
from visioncheck.camera.plane_fit import plane_view
from visioncheck.errors import Refusal
from visioncheck.photo.glare import burnt_share
from visioncheck.photo.load import Exif, Photo
from visioncheck.points.find import find_points
from visioncheck.points.sheet_map import project
from visioncheck.printed.layout import target_layout

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from visioncheck.points.model import TargetPoints

    Array = NDArray[np.float64]

Purpose = Literal["piece", "survey"]
_MIRRORED = "This camera’s picture is mirrored: use the one at the back"
_LARGEST_BYTES = 2**20
_MOST_PIXELS = 3 * 10**6
_BAND_MM, _STRETCH_MM = 25.0, 35.0
"""How far in from the outermost points the band reaches, and how far about a point a stretch of it is looked at."""


@dataclass(frozen=True, slots=True)
class Framing:
    """How one frame stands.

    Attributes
    ----------
    do : str
        What to mend first, in a word of command; empty: nothing, take the photo.
    about : str
        What that is about: ``sheet``, ``near``, ``tilt``, ``glare``, ``still``, ``sharp`` or ``band``; empty with `do`.
    corners : list of list of float
        The sheet's four corners in the frame, in parts of its width and height; empty where no sheet is seen.
    """

    do: str
    about: str
    corners: list[list[float]]


def judge_file(path: str, purpose: Purpose, before: str) -> dict[str, Any]:
    """Judge a frame that came as a JPEG; see `judge`.

    Parameters
    ----------
    path : str
        The file.
    purpose : {"piece", "survey"}
        A survey wants tilted views too.
    before : str
        JSON of the corners that the frame before showed; any other text: there was none.
    """
    frame = _decode(path)
    if frame is None:
        return asdict(Framing("The camera gives no picture that can be read", "sheet", []))
    return asdict(judge(frame, purpose, _corners(before)))


def judge(frame: NDArray[np.uint8], purpose: Purpose = "piece", before: Array | None = None) -> Framing:
    """Say what to mend first, in the order in which a person would: where the phone is, the light, then the hand.

    Parameters
    ----------
    frame : (h, w, 3) uint8 ndarray
        The camera's picture, blue first, some 1000 px wide.
    purpose : {"piece", "survey"}
        A survey wants tilted views too.
    before : (4, 2) ndarray or None
        The sheet's corners in the frame before, in parts of the frame: they tell how still the phone is.
    """
    photo = Photo(Path("frame"), frame, Exif(), "")
    try:
        points = find_points(photo, colours=False)
        tilt_deg = plane_view(points, *photo.size, None, "frame").tilt_deg
    except Refusal as problem:
        mirrored = problem.code == "mirrored"
        return Framing(_MIRRORED if mirrored else "Point it at the sheet, until all of it shows sharp", "sheet", [])
    corners = _sheet_px(points) / photo.size
    found = chain(_where(corners), _how(photo, points, tilt_deg, purpose, _moved(corners, before)))
    about, do = next(found, ("", ""))
    return Framing(do, about, corners.round(4).tolist())


def _sheet_px(points: TargetPoints) -> Array:
    """Corners of the printed field of the sheet that is seen best, (4, 2), also where they lie outside the frame."""
    printed, _, homography = _best_sheet(points)
    (left, top), (right, bottom) = printed.min(axis=0), printed.max(axis=0)
    return project(homography, np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))


def _best_sheet(points: TargetPoints) -> tuple[Array, NDArray[np.bool_], Array]:
    """All points of the sheet that is seen best, (n, 2) mm, which of them are seen, and the way from mm to px."""
    numbers, counts = np.unique(points.sheet, return_counts=True)
    here = points.sheet == numbers[np.argmax(counts)]
    printed = target_layout(points.paper).saddles_mm
    homography, _ = cv2.findHomography(printed[points.index[here]], points.xy_px[here])
    return printed, np.isin(np.arange(len(printed)), points.index[here]), homography


def _moved(corners: Array, before: Array | None) -> float:
    """How far the sheet moved in the picture since the frame before, in parts of it; 0 where there was none."""
    return 0.0 if before is None else float(np.abs(corners - before).max())


def _where(corners: Array) -> Iterator[tuple[str, str]]:
    """Whether the whole sheet shows, and large enough."""
    beyond = {
        "left": -corners[:, 0].min(),
        "right": corners[:, 0].max() - 1,
        "top": -corners[:, 1].min(),
        "bottom": corners[:, 1].max() - 1,
    }
    cut = [side for side, by in beyond.items() if by > 0]
    spans = np.ptp(corners, axis=0)
    if cut and spans.max() > 1 - checks.FRAME_LEAST_ROOM:
        yield "sheet", "Farther away: the sheet does not fit in"
    elif cut:
        yield "sheet", f"The sheet is cut off at the {' and '.join(cut)}: move the phone that way"
    if spans.max() < checks.FRAME_LEAST_FILLED:
        yield "near", "Nearer: the sheet should fill the picture"


def _how(
    photo: Photo, points: TargetPoints, tilt_deg: float, purpose: Purpose, moved: float
) -> Iterator[tuple[str, str]]:
    """How the phone is held, the light, how still it is, and whether the picture is sharp."""
    if tilt_deg > (checks.STEEP_DEG if purpose == "survey" else checks.FRAME_PIECE_TILT_DEG):
        yield "tilt", f"More level above the sheet: tilted by {tilt_deg:.0f}°"
    if burnt_share(photo, points.xy_px) > checks.GLARE_SHARE:
        yield "glare", "Light shines back from the sheet: move the lamp, or turn with the sheet"
    if moved > checks.FRAME_MOST_MOVED:
        yield "still", "Hold still"
    if points.blur_px > checks.FRAME_BLURRED_SHARE * max(photo.size):
        yield "sharp", "Not sharp: hold still, tap to focus, or give more light"
    elif (hidden := _hidden_side(points)) is not None:
        # only now: of a band that is out of sight, too bright or not sharp points are missing too
        yield "band", f"Something covers the printed band at the {hidden}: lay everything inside it"


def _hidden_side(points: TargetPoints) -> str | None:
    """The side of the picture where next to no point of a stretch of the band is seen; None where all of it is."""
    printed, seen, homography = _best_sheet(points)
    low, high = printed.min(axis=0), printed.max(axis=0)
    band = np.minimum(printed - low, high - printed).min(axis=1) < _BAND_MM
    places, seen = printed[band], seen[band]
    near = np.linalg.norm(places[:, None] - places[None], axis=2) < _STRETCH_MM
    share = (near @ seen.astype(float)) / near.sum(axis=1)
    worst = int(np.argmin(share))
    if share[worst] > checks.FRAME_HIDDEN_SHARE:
        return None
    out = np.subtract(*project(homography, np.array([places[worst], places.mean(axis=0)])))
    if abs(out[0]) > abs(out[1]):
        return "left" if out[0] < 0 else "right"
    return "top" if out[1] < 0 else "bottom"


def _decode(path: str) -> NDArray[np.uint8] | None:
    """Read a frame; None: too large, or no picture."""
    data = Path(path).read_bytes()[: _LARGEST_BYTES + 1]
    if len(data) > _LARGEST_BYTES:
        return None
    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(data)
        if min(height, width) < checks.PHOTO_LEAST_SIDE_PX or height * width > _MOST_PIXELS:
            return None
        return np.asarray(simplejpeg.decode_jpeg(data, colorspace="BGR"), np.uint8)
    except ValueError:
        return None


def _corners(text: str) -> Array | None:
    """Read corners as an answer of before gave them; they came back from a phone, so they may be anything."""
    try:
        corners = np.array(json.loads(text), float)
    except (ValueError, TypeError, RecursionError):
        return None
    return corners if corners.shape == (4, 2) and bool(np.all(np.isfinite(corners))) else None
