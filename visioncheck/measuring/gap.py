"""From one photo to the reading of a slot or gap, and what a gap says of the fence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from visioncheck.codes import in_order
from visioncheck.fence.of_halves import ENDS as GAP_ENDS
from visioncheck.fence.of_halves import with_halves_error
from visioncheck.measuring.detect import Detection, Measured, detect, refuse_another_phone
from visioncheck.measuring.kind import assuming
from visioncheck.measuring.piece import fit_view, glare_doubts, view_doubts
from visioncheck.measuring.request import MeasureRequest
from visioncheck.measuring.slot import Scene, slot_reading, work_region
from visioncheck.measuring.tags import UNKNOWN_THICKNESS, Arrow, read_thickness, tags_on
from visioncheck.outline.find import find_outlines
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
    region = work_region(find_outlines(photo, points, fit.view), kind)
    tags = tags_on(points, fit.view, region)
    thick, thick_doubts = read_thickness(tags[0] if tags else None, told.thickness, fit.view, rig)
    known = thick is not UNKNOWN_THICKNESS
    reading = slot_reading(
        Scene(photo, points, fit.view), region, thick, kind, told.slot if kind == "slot" else None, known=known
    )
    if kind == "gap":
        # two tags do not tell which half was turned
        tag = Arrow(tags[0], fit.view, thick.value) if len(tags) == 1 else None
        reading = tell_gap(reading, tag, request.sled, told.fence_edge, told.turned_half, photo.exif.orientation, saw)
    doubts = (*view_doubts(points, fit, rig), *glare, *thick_doubts, *reading.doubts)
    tag_id = tags[0].id if tags else None
    return Measured(photo, replace(reading, tag_id=tag_id, doubts=in_order(doubts)))


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
