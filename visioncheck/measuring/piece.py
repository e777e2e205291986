"""The piece of one photo before anything is told of it: view, outline, edges and corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.plane_fit import plane_view
from visioncheck.camera.rig import Rig
from visioncheck.camera.rigid_fit import rigid_view
from visioncheck.camera.view import View
from visioncheck.camera.view_fit import ViewFit
from visioncheck.codes import Doubt
from visioncheck.edges.trace import Trace, trace_edge
from visioncheck.errors import Marks, Refusal
from visioncheck.measuring.detect import Detection, detect, refuse_another_phone
from visioncheck.measuring.tags import UNKNOWN_THICKNESS, Arrow, read_thickness, tag_on, tag_papers
from visioncheck.outline.find import Outline, find_outlines, is_second_piece
from visioncheck.outline.guide import Guide
from visioncheck.outline.overview import room_on_sheet_mm
from visioncheck.outline.seam import Seam, find_seam
from visioncheck.photo.glare import burnt_share
from visioncheck.photo.load import Photo
from visioncheck.points.model import DetectedTag, TargetPoints
from visioncheck.quantity import Quantity
from visioncheck.reading.covers import edge_covers
from visioncheck.reading.model import EdgeCover
from visioncheck.reading.piece import Piece, read_piece
from visioncheck.reading.sides import EVERY_EDGE, agreed_edge, edge_on_side, edge_ways

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SeenPiece:
    """The piece of a photo, before anything is told of it; `sheet` is the one that most of its points are on."""

    photo: Photo
    sheet: tuple[str, str, int]
    shape: Piece
    tag: DetectedTag | None
    thickness: Quantity | None
    doubts: tuple[Doubt, ...]
    seam: Seam | None = None
    covers: tuple[EdgeCover, ...] = ()


def see_piece(path: Path | Detection, rig: Rig | None, thickness: Quantity | None) -> SeenPiece:
    """Find the piece in a photo and its four edges.

    Parameters
    ----------
    path : Path or Detection
        The photo, or what was found in it already.
    rig : Rig or None
        The survey of this phone and sheet.
    thickness : Quantity or None
        Of the piece, mm, where no tag gives it.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`.
    """
    detection = path if isinstance(path, Detection) else detect(path, rig)
    photo, points = detection.photo, detection.points
    refuse_another_phone(photo, rig)
    fit = fit_view(detection, rig)
    glare = glare_doubts(photo, points)
    outline = _piece_outline(photo, points, fit.view, glare=bool(glare))
    found = outline.corners_mm
    tag = tag_on(points, fit.view, found)
    thick, thick_doubts = read_thickness(tag, thickness, fit.view, rig)
    known = None if thick is UNKNOWN_THICKNESS else thick
    seam = find_seam(photo.bgr, fit.view, found, (*tag_papers(points, fit.view), *outline.hidden_mm))
    try:
        traces = trace_outline(detection, fit.view, outline, known.value if known else None, glare=bool(glare))
    except Refusal as problem:
        raise problem if seam is None else _broken_edge(photo.path.name, seam, fit.view, found) from None
    shape = read_piece(fit.view, traces, thick)
    sheet = (points.paper, points.field, int(np.bincount(points.sheet).argmax()))
    covers = edge_covers(outline.covers, found, fit.view, photo.exif.orientation)
    # a slot's mouth is no thing that lies there
    covers = tuple(cover for cover in covers if seam is None or cover.edge != seam.edge)
    doubts = (*view_doubts(points, fit, rig), *glare, *thick_doubts)
    return SeenPiece(photo, sheet, shape, tag, known, doubts, seam, covers)


def _broken_edge(name: str, seam: Seam, view: View, corners_mm: Array) -> Refusal:
    marks = Marks(_seen_px(view, [corners_mm]), _seen_px(view, [_side(corners_mm, seam.edge)]))
    return Refusal("seam", name, crosses=seam.crosses, length_mm=seam.length_mm).showing(marks)


def _side(corners_mm: Array, edge: int) -> Array:
    return corners_mm[[edge, (edge + 1) % len(corners_mm)]]


def _seen_px(view: View, lines_mm: Sequence[Array]) -> tuple[Array, ...]:
    return tuple(view.to_image(line) for line in lines_mm)


def fit_view(detection: Detection, rig: Rig | None) -> ViewFit:
    """How the photo sees the table: by its rig, or by the nominal print alone."""
    photo, points = detection.photo, detection.points
    height, width = photo.bgr.shape[:2]
    if rig is None:
        return plane_view(points, width, height, photo.exif.focal_35mm, photo.path.name)
    return rigid_view(points, rig, photo.path.name)


def view_doubts(points: TargetPoints, fit: ViewFit, rig: Rig | None) -> list[Doubt]:
    """What may be doubtful about a view."""
    weighed: tuple[tuple[Doubt, bool], ...] = (
        (Doubt("no-rig"), rig is None),
        (Doubt("blur", {"blur_px": points.blur_px}), points.blur_px > checks.BLURRED_PX),
        (Doubt("few-points", {"count": int(fit.points_used)}), fit.points_used < checks.FEW_POINTS),
        (Doubt("tilt", {"tilt_deg": fit.tilt_deg}), fit.tilt_deg > checks.STEEP_DEG),
        (Doubt("lens-moved"), fit.lens_moved_sigma > checks.LENS_MOVED),
        (Doubt("sheet-lifted", {"lifted_mm": fit.lifted_mm}), fit.lifted_mm > checks.LIFTED_MM),
    )
    return [doubt for doubt, raised in weighed if raised]


def glare_doubts(photo: Photo, points: TargetPoints) -> list[Doubt]:
    """Whether part of the sheet is burnt out; refused (``glare``) where too much is."""
    share = burnt_share(photo, points.xy_px)
    if share > checks.GLARE_BEYOND_USE:
        raise Refusal("glare", photo.path.name, "sheet", share=share)
    return [Doubt("glare", {"share": share})] if share > checks.GLARE_SHARE else []


def _piece_outline(photo: Photo, points: TargetPoints, view: View, *, glare: bool) -> Outline:
    name = photo.path.name
    try:
        outlines = find_outlines(photo, points, view)
    except Refusal as problem:
        if glare and problem.case == "shape":
            raise Refusal("glare", name, "piece").showing(problem.marks) from None
        raise
    if is_second_piece(outlines):
        every = _seen_px(view, [each.corners_mm for each in outlines])
        raise Refusal("two-pieces", name).showing(Marks(every[:1], tuple(_closed(each) for each in every[1:])))
    corners = outlines[0].corners_mm
    height, width = photo.bgr.shape[:2]
    seen = view.to_image(corners)
    out = np.any((seen < 3) | (seen > np.array([width, height]) - 4), axis=1)
    if out.any():
        raise Refusal("cut-off", name, "piece").showing(Marks((seen,), tuple(seen[out, None])))
    # beyond the sheet nothing is told from the bench: an outline that ends there ends at the sheet's edge, not its own
    off = room_on_sheet_mm(points, view, corners) < checks.OFF_SHEET_MM
    if off.any():
        raise Refusal("off-sheet", name).showing(Marks((seen,), tuple(seen[off, None])))
    return outlines[0]


def trace_outline(
    detection: Detection, view: View, outline: Outline, thickness_mm: float | None, *, glare: bool
) -> tuple[Trace, ...]:
    """Trace every edge of an outline to a fraction of a pixel; raises Refusal where one cannot be followed."""
    photo, sharpness_px = detection.photo, detection.points.blur_px
    traces = []
    for k, covers in enumerate(outline.covers):
        start, end = _side(outline.corners_mm, k)
        guide = Guide(start, end, tuple((cover.start_mm, cover.end_mm) for cover in covers))
        trace = trace_edge(photo.bgr, view, guide, thickness_mm)
        # an edge far softer than the print beside it is no edge of wood but a shadow's, a stain's or a rounding's
        if trace is None or trace.blur_px > 2 * sharpness_px + checks.EDGE_SOFTER_PX:
            raise _lost_edge(photo, view, outline, k, thickness_mm, glare=glare)
        traces.append(trace)
    return tuple(traces)


def _closed(outline: Array) -> Array:
    return np.concatenate([outline, outline[:1]])


def _lost_edge(
    photo: Photo, view: View, outline: Outline, edge: int, thickness_mm: float | None, *, glare: bool
) -> Refusal:
    """Say why an edge cannot be followed, and show which."""
    name, line = photo.path.name, _side(outline.corners_mm, edge)
    corners_px = view.to_image(outline.corners_mm)
    side = edge_ways(corners_px, photo.exif.orientation)[edge]
    hidden_mm = sum(cover.end_mm - cover.start_mm for cover in outline.covers[edge])
    if hidden_mm > checks.EDGE_HIDDEN * float(np.linalg.norm(line[1] - line[0])):
        refusal = Refusal("covered-edge", name, side=side)
    elif glare:
        refusal = Refusal("glare", name, "edge", side=side)
    else:
        # a side face is looked for where the thickness says
        refusal = Refusal("low-contrast", name, side=side, thickness_mm=thickness_mm)
    return refusal.showing(Marks((corners_px,), _seen_px(view, [line])))


def pointed_edge(seen: SeenPiece, shape: Piece, ends: Sequence[int] = EVERY_EDGE) -> int | None:
    """Number of the edge that the tag's arrow points to; None without a tag, or where it points to none of `ends`."""
    if seen.tag is None:
        return None
    outwards = np.array([trace.outward for trace in shape.traces])
    return Arrow(seen.tag, shape.view, shape.thickness_mm).among(outwards, ends)


def agreed_fence_edge(seen: SeenPiece, shape: Piece, told: str | None, ends: Sequence[int] = EVERY_EDGE) -> int | None:
    """Number of the edge at the fence, from what was told and from the tag's arrow; None where neither tells."""
    orientation = seen.photo.exif.orientation
    said = None if told is None else edge_on_side(shape.corners_px, orientation, told)
    ways = edge_ways(shape.corners_px, orientation)
    return agreed_edge(seen.photo.path.name, ways, said, pointed_edge(seen, shape, ends))
