"""From one photo to the reading of a slot or gap, and what a gap says of the fence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from visioncheck import checks
from visioncheck.codes import in_order
from visioncheck.errors import Marks, Refusal
from visioncheck.fence.of_frame import Frame, with_frame_error
from visioncheck.fence.of_halves import ENDS as GAP_ENDS
from visioncheck.fence.of_halves import with_halves_error
from visioncheck.measuring.detect import Detection, Measured, detect, refuse_another_phone
from visioncheck.measuring.kind import assuming
from visioncheck.measuring.piece import fit_view, glare_doubts, view_doubts
from visioncheck.measuring.request import MeasureRequest
from visioncheck.measuring.slot import Scene, Sought, rough_width_mm, slot_reading, work_region
from visioncheck.measuring.tags import UNKNOWN_THICKNESS, Arrow, read_thickness, tags_on
from visioncheck.outline.find import find_outlines
from visioncheck.outline.frame import Joint, find_joints
from visioncheck.reading.model import Reading
from visioncheck.reading.sides import agreed_edge, edge_on_side, edge_ways, sides_of
from visioncheck.saw import PieceSide, Saw
from visioncheck.sled.model import Sled


def measure_slot(
    request: MeasureRequest, kind: str, detection: Detection | None = None, saw: Saw | None = None
) -> Measured:
    """Measure the slot or gap (`kind`) in one photo; parameters and errors as for `measure_photo`.

    `saw` is how the halves of a gap were cut; None: as the sled says.
    """
    rig, told = request.rig, request.options
    detection = detection or detect(request.photo, rig)
    photo, points = detection.photo, detection.points
    refuse_another_phone(photo, rig)
    fit = fit_view(detection, rig)
    glare = glare_doubts(photo, points)
    scene = Scene(photo, points, fit.view)
    joint = None if told.frame is None else _last_joint(scene, told.frame)
    region = work_region(find_outlines(photo, points, fit.view), kind) if joint is None else joint.region_mm
    # of a frame any piece may carry it, away from the joint
    tags = tags_on(points, fit.view, region) if joint is None else list(points.tags)
    thick, thick_doubts = read_thickness(tags[0] if tags else None, told.thickness, fit.view, rig)
    known = thick is not UNKNOWN_THICKNESS
    sought = Sought(number=told.slot if kind == "slot" else None) if joint is None else Sought(joint.along)
    reading = slot_reading(scene, region, thick, kind, sought, known=known)
    if joint is not None:
        reading = _tell_frame(reading, joint, request, photo.exif.orientation)
    elif kind == "gap":
        # two tags do not tell which half was turned
        tag = Arrow(tags[0], fit.view, thick.value) if len(tags) == 1 else None
        reading = tell_gap(reading, tag, request.sled, told.fence_edge, told.turned_half, photo.exif.orientation, saw)
    doubts = (*view_doubts(points, fit, rig), *glare, *thick_doubts, *reading.doubts)
    tag_id = tags[0].id if tags else None
    return Measured(photo, replace(reading, tag_id=tag_id, doubts=in_order(doubts)))


def _last_joint(scene: Scene, sides: int) -> Joint:
    """The joint of a frame that was left open: the widest of those that lie on the sheet.

    Raises
    ------
    Refusal
        No joint is seen, or two that gape alike.
    """
    joints = find_joints(scene.photo, scene.points, scene.view, sides)
    if len(joints) == 1:
        return joints[0]
    widths = [rough_width_mm(scene, each.region_mm, each.along) for each in joints]
    *_, second, widest = sorted(range(len(joints)), key=lambda k: widths[k])
    if widths[second] > checks.JOINT_RIVAL * widths[widest]:
        shown = tuple(scene.view.to_image(np.stack([joints[k].outer_mm, joints[k].inner_mm])) for k in (second, widest))
        raise Refusal("slot-doubtful", scene.name, "joints").showing(Marks(shown))
    return joints[widest]


def _tell_frame(reading: Reading, joint: Joint, request: MeasureRequest, orientation: int) -> Reading:
    """What the last joint of a frame says of the fence, or what it asks."""
    told, sled = request.options, request.sled
    assert told.frame is not None
    frame = Frame(told.frame, told.frame_cuts or 2 * told.frame, told.at_fence)
    sides_px = sides_of(np.array([corner.at_px for corner in reading.corners]))
    reading = replace(reading, ways=edge_ways(sides_px, orientation))
    ends = {k: (reading.edges[k].start_mm + reading.edges[k].end_mm) / 2 for k in GAP_ENDS}
    outer = min(GAP_ENDS, key=lambda k: float(np.linalg.norm(ends[k] - joint.outer_mm)))
    saw = sled.saw if sled else Saw()
    reading = with_frame_error(
        reading, frame, float(np.linalg.norm(joint.along)), outer, saw, sled.saw if sled else None
    )
    return assuming(reading, sled, {"fence": saw.fence, "piece_side": saw.piece})


def tell_gap(
    reading: Reading,
    tag: Arrow | None,
    sled: Sled | None,
    fence_edge: str | None,
    turned_half: PieceSide | None,
    orientation: int,
    saw: Saw | None = None,
) -> Reading:
    """What the gap says of the fence, or what it asks."""
    sides_px = sides_of(np.array([corner.at_px for corner in reading.corners]))
    runs = np.array([edge.end_mm - edge.start_mm for edge in reading.edges])
    outwards = runs[:, ::-1] * [-1.0, 1.0]  # an outline's side (x, y) has its outside at (-y, x)
    ways = edge_ways(sides_px, orientation)
    said = None if fence_edge is None else edge_on_side(sides_px, orientation, fence_edge)
    pointed = None if tag is None else tag.among(outwards / np.linalg.norm(runs, axis=1)[:, None], GAP_ENDS)
    reading = replace(reading, ways=ways, fence_edge=agreed_edge(reading.photo, ways, said, pointed))
    place = tag.place_mm if tag and pointed is not None else None
    saw = saw or (sled.saw if sled else Saw())
    told = with_halves_error(reading, turned_half, place, saw)
    return assuming(told, sled, {"fence": saw.fence})
