"""Piece tags: which one lies on the piece, where its arrow points, and what its size says of the thickness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.rig import Rig
from visioncheck.camera.view import View
from visioncheck.codes import Doubt
from visioncheck.points.model import DetectedTag, TargetPoints
from visioncheck.printed.layout import TAG_MM, TAG_PAPER_MM
from visioncheck.quantity import Quantity

Array = NDArray[np.float64]

TAG_THICKNESS_U_MM = 0.3
UNKNOWN_THICKNESS = Quantity(18.0, 10.0, "mm")
"""Where neither a tag nor the user tells: common boards; angles do not depend on it, widths say so."""


def tag_papers(points: TargetPoints, view: View) -> tuple[Array, ...]:
    """Outlines of the tags' paper, which reaches beyond their marks."""
    marks = [view.to_table(tag.corners_px) for tag in points.tags]
    return tuple(mark.mean(axis=0) + (mark - mark.mean(axis=0)) * TAG_PAPER_MM / TAG_MM for mark in marks)


def tag_on(points: TargetPoints, view: View, corners: Array) -> DetectedTag | None:
    """The first tag on the piece with these corners, mm, plane of the paper; None without one."""
    tags = tags_on(points, view, corners)
    return tags[0] if tags else None


def tags_on(points: TargetPoints, view: View, corners: Array) -> list[DetectedTag]:
    """Every tag whose middle lies on the piece with these corners, mm, plane of the paper."""
    import cv2

    outline = corners.astype(np.float32)
    middles = [view.to_table(tag.corners_px).mean(axis=0) for tag in points.tags]
    inside = [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=False) >= 0 for x, y in middles]
    return [tag for tag, is_on in zip(points.tags, inside, strict=True) if is_on]


def read_thickness(
    tag: DetectedTag | None, given: Quantity | None, view: View, rig: Rig | None
) -> tuple[Quantity, list[Doubt]]:
    """From the tag's size against its 20 mm, or as given; a contradiction is a doubt and widens the uncertainty."""
    if tag is None:
        return (UNKNOWN_THICKNESS, [Doubt("thickness-doubtful")]) if given is None else (given, [])
    corners = view.to_table(tag.corners_px)
    side = float(np.mean(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)))
    u = TAG_THICKNESS_U_MM if rig is not None else 2.0
    read = Quantity(view.height_mm * (1 - TAG_MM / side), u, "mm")
    if given is None:
        return read, [] if 0 < read.value < 80 else [Doubt("thickness-doubtful")]
    apart = abs(given.value - read.value)
    if apart > max(checks.TAG_CONTRADICTS_MM, 3 * u):
        return replace(given, u=apart), [Doubt("tag-contradicts", {"told_mm": given.value, "read_mm": read.value})]
    return given, []


@dataclass(frozen=True)
class Arrow:
    """A tag on a piece of some thickness, mm: where it lies and where its arrow points."""

    tag: DetectedTag
    view: View
    thickness_mm: float

    @property
    def place_mm(self) -> Array:
        """Its middle on the plane of the top face, table frame."""
        return np.asarray(self.view.to_table(self.tag.corners_px, self.thickness_mm).mean(axis=0))

    def among(self, outwards: Array, ends: Sequence[int]) -> int | None:
        """Number of the edge that it points to; None where that is none of `ends`."""
        corners = self.view.to_table(self.tag.corners_px)
        edge = int(np.argmax(outwards @ (corners[:2].mean(axis=0) - corners[2:].mean(axis=0))))
        return edge if edge in ends else None
