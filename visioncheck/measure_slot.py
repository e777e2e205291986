"""From a photo whose view is known to the reading of a saw slot, or of the gap between two butted halves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.edges.band import BandTrace, trace_band
from visioncheck.edges.tone import calibrate_tone
from visioncheck.errors import Refusal
from visioncheck.outline.find import Outline
from visioncheck.outline.slot import Band, find_band
from visioncheck.photo.load import Photo
from visioncheck.points.model import TargetPoints
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading, is_curved
from visioncheck.reading.piece import read_corners
from visioncheck.reading.slot import SlotShape, read_slot

Array = NDArray[np.float64]

SLOT_KINDS = ("slot", "gap")
_NARROWEST_PX = 4.0
"""Below this the two walls' blurs run together, and the width read hangs on what the blur is taken for."""
_MARGIN_PX = 12.0
_HIDDEN_MM = 0.05
"""More than this hidden beside a wall, and the width would be a guess."""
_TORN_SHARE = 0.25


@dataclass(frozen=True)
class Scene:
    """A photo, the target in it, and how it sees the table."""

    photo: Photo
    points: TargetPoints
    view: View

    @property
    def name(self) -> str:
        """For messages."""
        return self.photo.path.name


def work_region(outlines: list[Outline], kind: str) -> Array:
    """Convex outline (n, 2), mm, of what the slot is looked for in: the board, or both halves of it."""
    parts = outlines[:2] if kind == "gap" else outlines[:1]
    corners = np.concatenate([outline.corners_mm for outline in parts]).astype(np.float32)
    return np.asarray(cv2.convexHull(corners)[:, 0], np.float64)


def slot_reading(scene: Scene, region_mm: Array, thickness: Quantity, kind: str, *, known: bool) -> Reading:
    """Read the slot, or the gap, within a region.

    Parameters
    ----------
    scene : Scene
        The photo and its view.
    region_mm : (n, 2) ndarray
        Convex outline of the work, plane of the paper.
    thickness : Quantity
        Of the work, mm; `known` is whether it was told or read, not supposed.
    kind : {"slot", "gap"}
        A slot in one board, or the wedge between two halves.

    Raises
    ------
    Refusal
        No slot, too narrow a one, or one that runs off the picture.
    """
    band = _found(scene, region_mm, kind)
    tone = calibrate_tone(scene.photo.bgr, scene.points)
    traced = trace_band(scene.photo.bgr, scene.view, band, tone, thickness.value)
    if traced is None:
        raise _not_found(scene, kind)
    refuse_from_above(scene, traced, kind)
    _wide_enough(scene, traced, kind, thickness.value)
    shape = read_slot(scene.view, traced, thickness, tone, _open_end(band, region_mm))
    return Reading(
        photo=scene.name,
        piece=kind,
        edges=shape.edges,
        corners=read_corners(shape.piece),
        taper=shape.taper,
        widths=shape.widths,
        thickness=thickness if known else None,
        budget=shape.budget,
        slot=shape.slot,
        flags=tuple(_flags(shape, traced)),
    )


def _not_found(scene: Scene, kind: str) -> Refusal:
    what = "saw slot" if kind == "slot" else "gap between two halves"
    return Refusal(
        f"{scene.name}: no {what} is seen in the work, no long dark line with wood on both sides; turn the light so"
        " that it does not shine into it, or shoot from nearer.",
        "no-slot",
    )


def _found(scene: Scene, region_mm: Array, kind: str) -> Band:
    tags = tuple(_grown(scene.view.to_table(tag.corners_px)) for tag in scene.points.tags)
    band = find_band(scene.photo.bgr, scene.view, region_mm, tags)
    if band is None:
        raise _not_found(scene, kind)
    height, width = scene.photo.bgr.shape[:2]
    ends = scene.view.to_image(np.stack([band.line.start_mm, band.line.end_mm]))
    if np.any(ends < _MARGIN_PX) or np.any(ends > np.array([width, height]) - 1 - _MARGIN_PX):
        raise Refusal(
            f"{scene.name}: the {kind} runs off the picture; step back or move so that both of its ends are in it.",
            "cut-off",
        )
    return band


def refuse_from_above(scene: Scene, traced: BandTrace, kind: str) -> None:
    """Refuse a slot whose walls cannot be told from what hides beside them; `kind` is what the message calls it."""
    if traced.hidden_mm > _HIDDEN_MM:
        raise Refusal(
            f"{scene.name}: a strip of floor or side face hides between the {kind}'s walls, too thin to be told from"
            " the wood; shoot from a few centimetres more to one side of it, or with something dark under the work.",
            "arris-doubtful",
        )


def _grown(corners: Array) -> Array:
    """A tag's corners with the white paper round them (28 mm for a mark of 20 mm)."""
    centre = corners.mean(axis=0)
    return np.asarray(centre + (corners - centre) * 1.5)


def _wide_enough(scene: Scene, traced: BandTrace, kind: str, thickness_mm: float) -> None:
    middle, wide = np.percentile(traced.width_px, [50, 90])
    # of a gap that closes towards one end the open part tells how dark it is inside, and so the rest
    width = float(min(middle + 1, wide) if kind == "gap" else middle)
    if width >= _NARROWEST_PX:
        return
    nearer = (scene.view.height_mm - thickness_mm) * width / _NARROWEST_PX
    raise Refusal(
        f"{scene.name}: the {kind} is only {width:.1f} px wide in the picture, too narrow to read both walls apart;"
        f" shoot it from {nearer / 10:.0f} cm above the work or nearer, or with a camera of more pixels.",
        "narrow-slot",
    )


def _open_end(band: Band, region_mm: Array) -> Array:
    """The end of the band that lies nearer the outline's edge: there the blade came in, or a gap is open."""
    outline = region_mm.astype(np.float32)
    ends = (band.line.start_mm, band.line.end_mm)
    inside = [cv2.pointPolygonTest(outline, (float(end[0]), float(end[1])), measureDist=True) for end in ends]
    return ends[int(np.argmin(inside))]


def _flags(shape: SlotShape, traced: BandTrace) -> list[str]:
    walls = [shape.edges[k] for k in (0, 2)]
    found = []
    if any(is_curved(wall.bow) for wall in walls):
        found.append("curved-edge")
    if any(np.mean(wall.weights < 0.3) > _TORN_SHARE for wall in walls):
        found.append("torn-edge")
    if traced.hidden_mm:
        found.append("arris-doubtful")
    if traced.near.contrast < 3:
        found.append("low-contrast")
    return found
