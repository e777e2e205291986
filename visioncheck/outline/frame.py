"""The joints of a mitred frame: where pieces that lie together turn a corner of it, seen from their common outline."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.view import View
from visioncheck.errors import Marks, Refusal
from visioncheck.outline.find import hollow_work
from visioncheck.outline.overview import PIXELS_PER_MM, Overview, look_from_above
from visioncheck.photo.load import Photo
from visioncheck.points.model import TargetPoints

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

_WIDEST_MM = 8.0
"""A joint that is open by more is none."""
_SIMPLE_MM = 2.5
_SHORTEST_MM, _SHORTEST_SIDE_MM = 20.0, 10.0
_INNER_MM = 3.0
"""Kept away from the inner corner, where side faces are seen."""
_BESIDE_MM, _STEP_IN_MM = 16.0, 8.0


@dataclass(frozen=True)
class Joint:
    """A joint from the outer to the inner corner of a frame, rough, mm, plane of the paper.

    Attributes
    ----------
    outer_mm, inner_mm : (2,) ndarray
    half_rad : float
        Angle between the joint and the outer edges of both pieces.
    """

    outer_mm: Array
    inner_mm: Array
    half_rad: float

    @property
    def along(self) -> Array:
        """From the outer corner to the inner one."""
        return self.inner_mm - self.outer_mm

    @property
    def region_mm(self) -> Array:
        """What lies beside the joint and is wood throughout, convex, (5, 2)."""
        length = float(np.linalg.norm(self.along))
        along = self.along / length
        aside = min(length / 2, _BESIDE_MM) * np.array([-along[1], along[0]])
        shoulder = float(np.linalg.norm(aside)) / np.tan(self.half_rad) * along
        end = (length - _INNER_MM) * along
        corners = np.stack([np.zeros(2), shoulder + aside, end + aside, end - aside, shoulder - aside])
        return np.asarray(self.outer_mm + corners, np.float64)


def find_joints(photo: Photo, points: TargetPoints, view: View, sides: int) -> tuple[Joint, ...]:
    """Find every joint of a frame of so many sides that lies on the sheet.

    Raises
    ------
    Refusal
        Nothing lies on the sheet (``no-piece``), or no two pieces that meet as those of such a frame do.
    """
    overview = look_from_above(photo, points, view)
    work = _in_one(hollow_work(photo, overview))
    corners = _corners(work, np.pi * (1 - 2 / sides), np.radians(min(checks.FRAME_CORNER_DEG, 180 / sides)))
    inner = [each for each in corners if not each.is_outer]
    pairs = [(each, _opposite(each, inner)) for each in corners if each.is_outer]
    half_rad = np.pi * (0.5 - 1 / sides)
    joints = tuple(_joint(overview, outer, other, half_rad) for outer, other in pairs if other is not None)
    if not joints:
        shown = tuple(view.to_image(overview.to_table(each)) for each in _contours(work))
        raise Refusal("other-kind", photo.path.name, "frame", sides=sides).showing(Marks(shown))
    return joints


def _in_one(work: Mask) -> Mask:
    """All pieces as one, their joints closed."""
    size = 2 * int(_WIDEST_MM * PIXELS_PER_MM / 2) + 1
    shape = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(work, cv2.MORPH_CLOSE, shape), np.uint8)


def _contours(work: Mask) -> list[Array]:
    """The outlines of what lies together, and of its holes."""
    contours, _ = cv2.findContours(work, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    return [contour[:, 0].astype(np.float64) for contour in contours]


@dataclass(frozen=True)
class _Corner:
    """Where two sides of the work meet, in the overview: the place, the way between them, and whether that is wood."""

    place: Array
    between: Array
    is_outer: bool


def _corners(work: Mask, turn_rad: float, off_rad: float) -> list[_Corner]:
    """Outer and inner corners that are as a frame's.

    Where two sides meet is told by their lines: an open joint has cut the corner itself off.
    """
    found = []
    for sides in map(_sides, _contours(work)):
        for (at, back), (on, forth) in zip([*sides[-1:], *sides[:-1]], sides, strict=True):
            apart = float(np.arccos(np.clip(-back @ forth, -1, 1)))
            if abs(apart - turn_rad) >= off_rad:
                continue
            along, _ = np.linalg.solve(np.column_stack([back, -forth]), on - at)
            place, between = at + along * back, (forth - back) / np.linalg.norm(forth - back)
            is_outer = _is_work(work, place + _STEP_IN_MM * PIXELS_PER_MM * between)
            found.append(_Corner(place, between, is_outer))
    return found


def _sides(contour: Array) -> list[tuple[Array, Array]]:
    """The straight sides of an outline in order, each by a place on it and its direction; not an open joint's mouth."""
    simple = cv2.approxPolyDP(contour.astype(np.float32), _SIMPLE_MM * PIXELS_PER_MM, closed=True)[:, 0]
    starts = [int(np.argmin(np.linalg.norm(contour - vertex, axis=1))) for vertex in simple]
    sides = []
    for start, end in zip(starts, [*starts[1:], starts[0]], strict=True):
        run = np.roll(contour, -start, axis=0)[: (end - start) % len(contour) + 1]
        if np.linalg.norm(run[-1] - run[0]) < _SHORTEST_SIDE_MM * PIXELS_PER_MM:
            continue
        ends = len(run) // 6
        x, y, column, row = cv2.fitLine(run[ends : len(run) - ends].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01)
        along, at = np.array([x, y], float).ravel(), np.array([column, row], float).ravel()
        sides.append((at, along if along @ (run[-1] - run[0]) > 0 else -along))
    return sides


def _is_work(work: Mask, place: Array) -> bool:
    column, row = np.round(place).astype(int)
    return bool(0 <= row < work.shape[0] and 0 <= column < work.shape[1] and work[row, column])


def _opposite(outer: _Corner, inner: list[_Corner]) -> _Corner | None:
    """The inner corner at the other end of a joint: the nearest that lies between the sides of the outer one."""
    off = np.cos(np.radians(checks.FRAME_CORNER_DEG))
    runs = [each.place - outer.place for each in inner]
    facing = [
        k
        for k, run in enumerate(runs)
        if run @ outer.between > off * np.linalg.norm(run) and inner[k].between @ outer.between > off
    ]
    facing = [k for k in facing if np.linalg.norm(runs[k]) > _SHORTEST_MM * PIXELS_PER_MM]
    return inner[min(facing, key=lambda k: float(np.linalg.norm(runs[k])))] if facing else None


def _joint(overview: Overview, outer: _Corner, inner: _Corner, half_rad: float) -> Joint:
    """The joint on the table; side faces shift the inner corner, so that its way is the outer one's."""
    length = float((inner.place - outer.place) @ outer.between)
    ends = overview.to_table(np.stack([outer.place, outer.place + length * outer.between]))
    return Joint(ends[0], ends[1], half_rad)
