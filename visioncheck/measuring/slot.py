"""From a photo whose view is known to the reading of a saw slot, or of the gap between two butted halves."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.view import View
from visioncheck.codes import Doubt
from visioncheck.edges.side_face import SideFace, depth_seen, shows_sheet, with_sides
from visioncheck.edges.slot_walls import SlotTrace, trace_slot
from visioncheck.edges.tone import Tone, calibrate_tone
from visioncheck.edges.trace import Trace
from visioncheck.edges.wide import is_wide, trace_wide
from visioncheck.errors import Marks, Refusal
from visioncheck.flags import FlagCode
from visioncheck.outline.beside import alone, corners_of, in_reading_order, other_slots, step_across
from visioncheck.outline.find import Outline
from visioncheck.outline.guide import Guide
from visioncheck.outline.slot import Patch, RoughSlot, find_slot, look_at_work
from visioncheck.outline.walls import (
    Walls,
    find_walls,
    has_line_beside,
    has_wood_beside,
    paper_tint,
    shows_paper,
    unlike_top_face,
)
from visioncheck.photo.load import Photo
from visioncheck.photo.orientation import upright
from visioncheck.points.model import TargetPoints
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading, is_curved
from visioncheck.reading.piece import read_corners
from visioncheck.reading.slot import SlotShape, read_slot

Array = NDArray[np.float64]

SLOT_KINDS = ("slot", "gap")


@dataclass(frozen=True)
class Sought:
    """What is known of a slot before it is found.

    Attributes
    ----------
    along : (2,) ndarray or None
        Its direction, to a few degrees.
    width_mm : tuple of float or None
        Least and greatest width, plane of the paper.
    darker : float
        How much darker than the wood beside it a narrow slot is at least, natural log.
    number : int or None
        Which of several slots, counted from 1 as `slots_in_order` has them.
    """

    along: Array | None = None
    width_mm: tuple[float, float] | None = None
    darker: float = checks.SLOT_DARKER
    number: int | None = None

    def fits(self, width_mm: float) -> bool:
        """Whether a slot of this width may be it."""
        return self.width_mm is None or self.width_mm[0] <= width_mm <= self.width_mm[1]


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


def slot_reading(
    scene: Scene, region_mm: Array, thickness: Quantity, kind: str, sought: Sought | None = None, *, known: bool
) -> Reading:
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
    sought : Sought or None
        What is known of it.

    Raises
    ------
    Refusal
        No slot, several and no number, too narrow a one, or one that runs off the picture.
    """
    tone = calibrate_tone(scene.photo.bgr, scene.points)
    traced = find_and_trace(scene, region_mm, thickness, tone, kind, sought)
    if traced is None:
        raise _not_found(scene, kind)
    _wide_enough(scene, traced, kind, thickness.value)
    if kind == "slot":
        _refuse_one_side_face(scene, traced, thickness)
    weighed = with_sides(thickness, traced.sides, scene.view.height_mm)
    shape = read_slot(scene.view, traced, weighed, tone, _open_end(traced, region_mm))
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
        doubts=tuple(map(Doubt, _doubtful(shape, traced))),
    )


def _not_found(scene: Scene, kind: str) -> Refusal:
    return Refusal("no-slot", scene.name, kind)


def find_and_trace(
    scene: Scene, region_mm: Array, thickness: Quantity, tone: Tone, what: str, sought: Sought | None = None
) -> SlotTrace | None:
    """Find the slot in a region and trace both of its walls.

    Parameters
    ----------
    what : str
        What the messages call it.
    sought : Sought or None
        Where its place and size are known.

    Returns
    -------
    SlotTrace or None
        None where no slot is seen.

    Raises
    ------
    Refusal
        What is seen may be read in two ways, or contradicts the thickness.
    """
    sought = sought or Sought()
    tags = tuple(_grown(scene.view.to_table(tag.corners_px)) for tag in scene.points.tags)
    patch = look_at_work(scene.photo.bgr, scene.view, region_mm, tags)
    found = _look(scene, patch, thickness, tone, what, sought)
    if not isinstance(found, tuple):
        if found is not None and (sought.number or 1) > 1:
            raise Refusal("slot-doubtful", scene.name, "number", number=sought.number, count=1)
        return found
    slots = _in_order(scene, found)
    if sought.number is None:
        raise _several(scene, slots)
    if sought.number > len(slots):
        refusal = Refusal("slot-doubtful", scene.name, "number", number=sought.number, count=len(slots))
        raise refusal.showing(_outlines(scene, slots))
    one = _look(scene, alone(patch, slots, sought.number), thickness, tone, what, sought)
    if isinstance(one, tuple):
        raise _several(scene, _in_order(scene, one))
    return one


def rough_width_mm(scene: Scene, region_mm: Array, along: Array) -> float:
    """Width, mm, plane of the paper, of the widest band in a region that may be a gap of this direction; 0 without."""
    patch = look_at_work(scene.photo.bgr, scene.view, region_mm)
    unlike = unlike_top_face(patch, paper_tint(scene.photo.bgr, scene.view, scene.points.xy_px))
    bands = (find_slot(patch, along=along), *find_walls(patch, unlike, along))
    return max((band.width_mm for band in bands if band is not None), default=0.0)


def _look(
    scene: Scene, patch: Patch, thickness: Quantity, tone: Tone, what: str, sought: Sought
) -> SlotTrace | tuple[RoughSlot, ...] | None:
    """The one slot in the work, traced; or all of them, rough, where there are several; or None."""
    bgr, view = scene.photo.bgr, scene.view
    unlike = unlike_top_face(patch, paper_tint(bgr, view, scene.points.xy_px))
    pairs = [walls for walls in find_walls(patch, unlike, sought.along) if sought.fits(walls.width_mm)]
    wide = [walls for walls in pairs if is_wide(view, walls, thickness.value)]
    if wide and len(pairs) > 1:
        return _rivals(scene, patch, pairs, what)
    if wide:
        _within_picture(scene, np.stack([wide[0].first.start_mm, wide[0].first.end_mm]), what)
        traced = trace_wide(bgr, view, wide[0], tone, thickness.value)
    else:
        band = find_slot(patch, sought.darker, along=sought.along) or _between(pairs)
        if band is None or not sought.fits(band.width_mm):
            return None
        _within_picture(scene, np.stack([band.line.start_mm, band.line.end_mm]), what)
        traced = trace_slot(bgr, view, band, tone, thickness.value)
    if traced is None:
        return None
    _sharp_enough(scene, traced, what)
    if not all(has_wood_beside(patch, unlike, _guide(wall)) for wall in (traced.near, traced.far)):
        raise _two_readings(scene, what)
    if sought.width_mm is None and what == "slot":
        own = _own_band(traced)
        others = other_slots(patch, own)
        if others:
            return (own, *others)
        _one_light(scene, patch, traced)
    if wide and sought.width_mm is None:
        _one_reading(scene, patch, unlike, wide[0], traced, what)
    refuse_from_above(scene, traced, what)
    refuse_thickness(scene, traced, thickness, what)
    return traced


def _sharp_enough(scene: Scene, traced: SlotTrace, what: str) -> None:
    # both walls: one alone may be read in colour, which a JPEG keeps coarser
    soft = min(traced.near.blur_px, traced.far.blur_px) > checks.SLOT_SOFTEST_PX
    if soft or traced.wall_mm > checks.SLOT_WALL_DOUBTFUL_MM:
        raise Refusal("blur", scene.name, what=what)


def _between(pairs: list[Walls]) -> RoughSlot | None:
    """The band between the only two walls that are seen."""
    return _band(pairs[0]) if len(pairs) == 1 else None


def _band(walls: Walls) -> RoughSlot:
    """What lies between two walls."""
    first, second = walls.first, walls.second
    middle = Guide((first.start_mm + second.end_mm) / 2, (first.end_mm + second.start_mm) / 2)
    return RoughSlot(middle, -walls.width_mm / 2, walls.width_mm / 2)


def _own_band(traced: SlotTrace) -> RoughSlot:
    """What was traced, as rough as the others."""
    width = float(np.median(traced.width_px)) * traced.far.pixel_mm
    return RoughSlot(_guide(traced.far), 0.0, width)


def _one_light(scene: Scene, patch: Patch, traced: SlotTrace) -> None:
    """Refuse what may be a shadow or the side face in a groove whose floor is lit."""
    walls = _guide(traced.near), _guide(traced.far)
    # where the sheet shows there is no floor of wood
    if not any(map(shows_sheet, traced.sides)) and step_across(patch, walls) > checks.SLOT_STEP_ACROSS:
        raise _two_readings(scene, "slot")


def _rivals(scene: Scene, patch: Patch, pairs: list[Walls], what: str) -> tuple[RoughSlot, ...]:
    """Several slots apart from each other; what overlaps, or has another light in between, is one groove, refused."""
    bands = [_band(walls) for walls in pairs]
    apart = [k for k in range(len(pairs)) if k == 0 or not _overlap(bands[0], bands[k])]
    floor = any(step_across(patch, (pairs[k].first, pairs[k].second)) > checks.SLOT_STEP_ACROSS for k in apart)
    if what != "slot" or len(apart) == 1 or floor:
        raise _two_readings(scene, what)
    return tuple(bands[k] for k in apart)


def _overlap(band: RoughSlot, other: RoughSlot) -> bool:
    """Whether the middle of one lies within the other, or nearly."""
    middles = [(each.line.start_mm + each.line.end_mm) / 2 for each in (band, other)]
    return bool(abs((middles[1] - middles[0]) @ band.line.normal) < (band.width_mm + other.width_mm) / 2)


def _in_order(scene: Scene, slots: tuple[RoughSlot, ...]) -> tuple[RoughSlot, ...]:
    """From the left or the top of the picture as the phone shows it."""
    height, width = scene.photo.bgr.shape[:2]
    matrix, _, _ = upright(width, height, scene.photo.exif.orientation)
    middles = scene.view.to_image(np.array([(each.line.start_mm + each.line.end_mm) / 2 for each in slots]))
    return tuple(slots[k] for k in in_reading_order(middles @ matrix[:, :2].T + matrix[:, 2]))


def _several(scene: Scene, slots: tuple[RoughSlot, ...]) -> Refusal:
    """Nothing tells which of them is meant."""
    return Refusal("slot-doubtful", scene.name, "several", count=len(slots)).showing(_outlines(scene, slots))


def _outlines(scene: Scene, slots: tuple[RoughSlot, ...]) -> Marks:
    names = tuple(str(k) for k in range(1, len(slots) + 1))
    return Marks(tuple(scene.view.to_image(corners_of(each)) for each in slots), names=names)


def _one_reading(scene: Scene, patch: Patch, unlike: Array, walls: Walls, traced: SlotTrace, what: str) -> None:
    """Refuse a slot that may be the shadow on the floor of a wider groove, if nothing of its size is known."""
    if has_line_beside(unlike, walls, patch.corner_mm):
        raise _two_readings(scene, what)
    paper = paper_tint(scene.photo.bgr, scene.view, scene.points.xy_px)
    soft = checks.SLOT_SHADOW_BLUR_TIMES * scene.points.blur_px + checks.SLOT_SHADOW_BLUR_MORE_PX
    for wall in (traced.near, traced.far):
        # a shadow's edge is softer than an arris; on the sheet it could not be taken for one
        if wall.blur_px > soft and not shows_paper(patch, paper, _guide(wall)):
            raise _two_readings(scene, what)


def _guide(wall: Trace) -> Guide:
    """The line along a wall, the slot at its normal."""
    start, end = wall.points_mm[0], wall.points_mm[-1]
    guide = Guide(start, end)
    return guide if guide.normal @ wall.outward < 0 else Guide(end, start)


def _two_readings(scene: Scene, what: str) -> Refusal:
    return Refusal("slot-doubtful", scene.name, "two readings", what=what)


def _within_picture(scene: Scene, ends_mm: Array, what: str) -> None:
    height, width = scene.photo.bgr.shape[:2]
    ends = scene.view.to_image(ends_mm)
    if np.any(ends < checks.SLOT_MARGIN_PX) or np.any(ends > np.array([width, height]) - 1 - checks.SLOT_MARGIN_PX):
        raise Refusal("cut-off", scene.name, "slot", what=what)


def refuse_thickness(scene: Scene, traced: SlotTrace, thickness: Quantity, what: str) -> None:
    """Refuse a thickness that what shows of the walls' side faces contradicts."""
    for side in traced.sides:
        seen = depth_seen(side, scene.view.height_mm)
        allowed = checks.SLOT_THICKNESS_SIGMAS * float(np.hypot(seen.u, thickness.u))
        told = {"thickness_mm": thickness.value, "depth_mm": seen.value, "depth_u_mm": seen.u}
        if shows_sheet(side) and abs(seen.value - thickness.value) > allowed:
            raise Refusal("thickness-contradicted", scene.name, what=what, **told)
        if seen.value > thickness.value + allowed:
            raise Refusal("slot-doubtful", scene.name, "too deep", what=what, **told)


def _refuse_one_side_face(scene: Scene, traced: SlotTrace, thickness: Quantity) -> None:
    """Refuse a band no broader than one side face may show: so looks a groove whose floor is as light as the top face.

    In it the far wall's side face is all that is dark. A groove leaves some wood below it, so a band that would be a
    deeper wall's face is none; nor is one in which the wall's foot is seen.
    """
    far = traced.far
    aside_mm = abs(float((scene.view.foot_mm - far.points_mm.mean(axis=0)) @ far.outward))
    width_mm = float(np.median(traced.width_px)) * far.pixel_mm
    seen = depth_seen(SideFace(width_mm, max(aside_mm, 1.0), 0.0, 0.0), scene.view.height_mm)
    deepest_mm = thickness.value + 2 * thickness.u - checks.SLOT_FLOOR_LEAST_MM
    surely_mm = seen.value - 2 * seen.u
    if traced.sides or surely_mm > deepest_mm:
        return
    told = {"aside_mm": aside_mm, "nearest_mm": aside_mm * max(surely_mm, 0.0) / deepest_mm}
    raise Refusal("slot-doubtful", scene.name, "side face", **told)


def refuse_from_above(scene: Scene, traced: SlotTrace, kind: str) -> None:
    """Refuse a slot whose walls cannot be told from what hides beside them; `kind` is what the message calls it."""
    if traced.hidden_mm > checks.SLOT_HIDDEN_MM:
        raise Refusal("arris-doubtful", scene.name, what=kind)


def _grown(corners: Array) -> Array:
    """A tag's corners with the white paper round them (28 mm for a mark of 20 mm)."""
    centre = corners.mean(axis=0)
    return np.asarray(centre + (corners - centre) * 1.5)


def _wide_enough(scene: Scene, traced: SlotTrace, kind: str, thickness_mm: float) -> None:
    middle, wide = np.percentile(traced.width_px, [50, 90])
    # of a gap that closes towards one end the open part tells how dark it is inside, and so the rest
    width = float(min(middle + 1, wide) if kind == "gap" else middle)
    if width >= checks.SLOT_NARROWEST_PX:
        return
    nearer = (scene.view.height_mm - thickness_mm) * width / checks.SLOT_NARROWEST_PX
    raise Refusal("narrow-slot", scene.name, what=kind, width_px=width, nearest_mm=nearer)


def _open_end(traced: SlotTrace, region_mm: Array) -> Array:
    """The end of the slot that lies nearer the outline's edge: there the blade came in, or a gap is open."""
    outline = region_mm.astype(np.float32)
    ends = traced.far.points_mm[[0, -1]]
    inside = [cv2.pointPolygonTest(outline, (float(end[0]), float(end[1])), measureDist=True) for end in ends]
    return np.asarray(ends[int(np.argmin(inside))])


def _doubtful(shape: SlotShape, traced: SlotTrace) -> list[FlagCode]:
    walls = [shape.edges[k] for k in (0, 2)]
    found = list[FlagCode]()
    if any(is_curved(wall.bow) for wall in walls):
        found.append("curved-edge")
    if any(np.mean(wall.weights < checks.EDGE_BELIEVED) > checks.SLOT_TORN_SHARE for wall in walls):
        found.append("torn-edge")
    if traced.hidden_mm:
        found.append("arris-doubtful")
    if traced.near.contrast < 3:
        found.append("low-contrast")
    return found
