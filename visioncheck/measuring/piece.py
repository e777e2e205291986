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
from visioncheck.fitting.broken import Break, find_break
from visioncheck.measuring.detect import Detection, detect, refuse_another_phone
from visioncheck.measuring.tags import UNKNOWN_THICKNESS, Arrow, read_thickness, tag_on, tag_papers
from visioncheck.outline.covers import Cover
from visioncheck.outline.find import Outline, find_outlines
from visioncheck.outline.guide import Guide
from visioncheck.outline.overview import room_on_sheet_mm
from visioncheck.outline.seam import Seam, find_seam
from visioncheck.outline.second import is_second_piece
from visioncheck.photo.glare import burnt_share
from visioncheck.photo.load import Photo
from visioncheck.points.model import DetectedTag, TargetPoints
from visioncheck.quantity import Quantity
from visioncheck.reading.chain import Chain
from visioncheck.reading.covers import edge_covers
from visioncheck.reading.model import EdgeCover
from visioncheck.reading.piece import Piece, read_piece
from visioncheck.reading.sides import agreed_edge, edge_names, edge_on_side, edge_ways, sides_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SeenPiece:
    """The piece of a photo, before anything is told of it.

    `sheet` is the one that most of its points are on; `names` are its edges' letters.
    """

    photo: Photo
    sheet: tuple[str, str, int]
    shape: Piece
    tag: DetectedTag | None
    thickness: Quantity | None
    doubts: tuple[Doubt, ...]
    seam: Seam | None = None
    covers: tuple[EdgeCover, ...] = ()
    names: tuple[str, ...] = ()


def see_piece(
    path: Path | Detection, rig: Rig | None, thickness: Quantity | None, *, corner_only: bool = False
) -> SeenPiece:
    """Find the piece in a photo and its straight edges.

    Parameters
    ----------
    path : Path or Detection
        The photo, or what was found in it already.
    rig : Rig or None
        The survey of this phone and sheet.
    thickness : Quantity or None
        Of the piece, mm, where no tag gives it.
    corner_only : bool
        Whether two edges that meet will do, also of work that has four.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`.
    """
    detection = path if isinstance(path, Detection) else detect(path, rig)
    photo, points = detection.photo, detection.points
    orientation = photo.exif.orientation
    refuse_another_phone(photo, rig)
    fit = fit_view(detection, rig)
    glare = glare_doubts(photo, points)
    outline = _piece_outline(photo, points, fit.view, glare=bool(glare))
    found = outline.corners_mm
    tag = tag_on(points, fit.view, found)
    thick, thick_doubts = read_thickness(tag, thickness, fit.view, rig)
    known = None if thick is UNKNOWN_THICKNESS else thick
    papers = tag_papers(points, fit.view)
    seam = find_seam(photo.bgr, fit.view, found, (*papers, *outline.hidden_mm)) if outline.is_four_sided else None
    try:
        traces = _traces(
            detection, fit.view, outline, known.value if known else None, glare=bool(glare), corner_only=corner_only
        )
    except Refusal as problem:
        raise problem if seam is None else _broken_edge(photo.path.name, seam, fit.view, found) from None
    chain, corners = Chain.of([trace is not None for trace in traces])
    read = tuple(trace for trace in traces if trace is not None)
    shape = read_piece(fit.view, read, thick, chain=chain, rough_mm=found[list(corners)])
    numbers = [side for side, trace in enumerate(traces) if trace is not None]
    if not corner_only:
        _refuse_unseen_corner(detection.photo, shape, [outline.covers[side] for side in numbers])
    sheet = (points.paper, points.field, int(np.bincount(points.sheet).argmax()))
    covers = edge_covers([outline.covers[side] for side in numbers], sides_of(found)[numbers], fit.view, orientation)
    # a slot's mouth is no thing that lies there
    covers = tuple(cover for cover in covers if seam is None or cover.edge != seam.edge)
    doubts = (*view_doubts(points, fit, rig), *glare, *thick_doubts)
    names = _names(outline, fit.view, orientation)
    return SeenPiece(photo, sheet, shape, tag, known, doubts, seam, covers, tuple(names[side] for side in numbers))


def _refuse_unseen_corner(photo: Photo, shape: Piece, covers: Sequence[Sequence[Cover]]) -> None:
    """Refuse an outline with an edge that ends far short of its corner: there one of the two is of something else."""
    ways = edge_ways(shape.sides_px, photo.exif.orientation)
    for first, second in shape.chain.meetings:
        length = float(shape.lengths_mm[first])
        before, after = shape.seen_up_to_mm(first)[1], shape.seen_up_to_mm(second)[0]
        missing = (
            before - _covered_mm(covers[first], length - before, length),
            after - _covered_mm(covers[second], 0, after),
        )
        if max(missing) < checks.EDGE_ENDS_SHORT_MM:
            continue
        where = shape.corners_px[shape.chain.ends[second][0]]
        refusal = Refusal("covered-edge", photo.path.name, "corner", side=ways[first], other=ways[second])
        raise refusal.showing(Marks(tuple(shape.sides_px), (where[None],)))


def _covered_mm(covers: Sequence[Cover], start_mm: float, end_mm: float) -> float:
    """How much of a stretch of an edge lies under other things."""
    return sum(max(min(cover.end_mm, end_mm) - max(cover.start_mm, start_mm), 0.0) for cover in covers)


def require_four_sides(seen: SeenPiece) -> None:
    """Refuse work of another shape where four edges that meet are needed."""
    if not seen.shape.is_four_sided:
        refusal = Refusal("other-kind", seen.photo.path.name, "four sides", count=len(seen.shape.lines))
        raise refusal.showing(Marks(tuple(seen.shape.sides_px)))


def _names(outline: Outline, view: View, orientation: int) -> dict[int, str]:
    """Letters of an outline's straight sides, by their numbers; one that is not traced keeps its letter."""
    straight = [side for side, is_straight in enumerate(outline.straight) if is_straight]
    sides_px = sides_of(view.to_image(outline.corners_mm))[straight]
    return dict(zip(straight, edge_names(sides_px, orientation), strict=True))


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
    second = is_second_piece(outlines)
    if glare and (second or not outlines[0].is_four_sided):
        # what looks like another shape, or like two, may be what the glare leaves of four sides
        raise Refusal("glare", name, "piece").showing(Marks((view.to_image(outlines[0].corners_mm),)))
    if second:
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


def _traces(
    detection: Detection,
    view: View,
    outline: Outline,
    thickness_mm: float | None,
    *,
    glare: bool,
    corner_only: bool,
) -> tuple[Trace | None, ...]:
    """One for each side; None for one that is not straight, and where a corner will do for one that is not seen."""
    seen = tuple(
        _trace(detection, view, outline, side, thickness_mm) if straight else None
        for side, straight in enumerate(outline.straight)
    )
    traces = tuple(
        trace if trace is not None and _is_believed(trace, detection.points.blur_px) else None for trace in seen
    )
    lost = [side for side, straight in enumerate(outline.straight) if straight and traces[side] is None]
    # of work of another shape two edges that meet are always enough
    enough = (corner_only or not outline.is_four_sided) and Chain.of([trace is not None for trace in traces])[
        0
    ].meetings
    if lost and not enough:
        trace = seen[lost[0]]
        if trace is not None and (broken := find_break(trace.points_mm)) is not None:
            raise _broken_in_two(detection.photo, view, outline, lost[0], broken)
        soft = trace is not None
        raise _lost_edge(detection.photo, view, outline, lost[0], thickness_mm, glare=glare, soft=soft)
    return traces


def _is_believed(trace: Trace, print_blur_px: float) -> bool:
    return not _is_soft(trace, print_blur_px) and find_break(trace.points_mm) is None


def _is_soft(trace: Trace, print_blur_px: float) -> bool:
    """Whether it is far softer than the print beside it, or somewhat and not straight.

    Then it is no edge of wood but a shadow's, a stain's or a rounding's.
    """
    if trace.blur_px > 2 * print_blur_px + checks.EDGE_SOFTER_PX:
        return True
    return trace.blur_px > checks.EDGE_SOFT_TIMES * print_blur_px and trace.scatter_mm > checks.EDGE_SCATTER_MM


def _trace(detection: Detection, view: View, outline: Outline, side: int, thickness_mm: float | None) -> Trace | None:
    start, end = _side(outline.corners_mm, side)
    guide = Guide(start, end, tuple((cover.start_mm, cover.end_mm) for cover in outline.covers[side]))
    return trace_edge(detection.photo.bgr, view, guide, thickness_mm, detection.points.blur_px)


def trace_outline(
    detection: Detection, view: View, outline: Outline, thickness_mm: float | None, *, glare: bool
) -> tuple[Trace, ...]:
    """Trace every edge of a four-sided outline to a fraction of a pixel; raises Refusal where one is lost."""
    traces = _traces(detection, view, outline, thickness_mm, glare=glare, corner_only=False)
    return tuple(trace for trace in traces if trace is not None)


def _closed(outline: Array) -> Array:
    return np.concatenate([outline, outline[:1]])


def _lost_edge(
    photo: Photo, view: View, outline: Outline, edge: int, thickness_mm: float | None, *, glare: bool, soft: bool
) -> Refusal:
    """Say why an edge cannot be followed, and show which."""
    name, line = photo.path.name, _side(outline.corners_mm, edge)
    corners_px = view.to_image(outline.corners_mm)
    side = edge_ways(sides_of(corners_px), photo.exif.orientation)[edge]
    hidden_mm = sum(cover.end_mm - cover.start_mm for cover in outline.covers[edge])
    if hidden_mm > checks.EDGE_HIDDEN * float(np.linalg.norm(line[1] - line[0])):
        refusal = Refusal("covered-edge", name, side=side)
    elif glare:
        refusal = Refusal("glare", name, "edge", side=side)
    else:
        # a side face is looked for where the thickness says
        refusal = Refusal("low-contrast", name, "soft" if soft else "", side=side, thickness_mm=thickness_mm)
    return refusal.showing(Marks((corners_px,), _seen_px(view, [line])))


def _broken_in_two(photo: Photo, view: View, outline: Outline, edge: int, broken: Break) -> Refusal:
    """Say which edge is two things end to end, and show where one ends."""
    corners_px = view.to_image(outline.corners_mm)
    side = edge_ways(sides_of(corners_px), photo.exif.orientation)[edge]
    turn_deg = float(np.degrees(broken.turn_rad))
    marks = Marks((corners_px,), _seen_px(view, [_side(outline.corners_mm, edge), broken.place[None]]))
    told = Refusal("covered-edge", photo.path.name, "two edges", side=side, step_mm=broken.step, turn_deg=turn_deg)
    return told.showing(marks)


def pointed_edge(seen: SeenPiece, shape: Piece, ends: Sequence[int] | None = None) -> int | None:
    """Number of the edge that the tag's arrow points to; None without a tag, or where it points to none of `ends`."""
    if seen.tag is None:
        return None
    outwards = np.array([trace.outward for trace in shape.traces])
    among = range(len(outwards)) if ends is None else ends
    return Arrow(seen.tag, shape.view, shape.thickness_mm).among(outwards, among)


def agreed_fence_edge(seen: SeenPiece, shape: Piece, told: str | None, ends: Sequence[int] | None = None) -> int | None:
    """Number of the edge at the fence, from what was told and from the tag's arrow; None where neither tells."""
    orientation = seen.photo.exif.orientation
    said = None if told is None else edge_on_side(shape.sides_px, orientation, told)
    ways = edge_ways(shape.sides_px, orientation)
    return agreed_edge(seen.photo.path.name, ways, said, pointed_edge(seen, shape, ends))
