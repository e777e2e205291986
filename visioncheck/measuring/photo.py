"""The whole way from one photo to its reading: each stage hands a frozen result to the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.plane_fit import plane_view
from visioncheck.camera.rig import Rig
from visioncheck.camera.rigid_fit import rigid_view
from visioncheck.camera.same import rig_difference
from visioncheck.camera.view import View
from visioncheck.camera.view_fit import ViewFit
from visioncheck.edges.trace import Trace, trace_edge
from visioncheck.errors import InputError, Marks, Refusal, UserError
from visioncheck.fence.kind import KindWeights, weigh_kinds
from visioncheck.fence.of_halves import ENDS as GAP_ENDS
from visioncheck.fence.of_halves import with_halves_error
from visioncheck.fence.of_piece import strip_ends, with_fence_error, with_rivals
from visioncheck.flags import in_order
from visioncheck.measuring.slot import SLOT_KINDS, Scene, slot_reading, work_region
from visioncheck.outline.find import Outline, find_outlines, is_second_piece
from visioncheck.outline.guide import Guide
from visioncheck.outline.overview import room_on_sheet_mm
from visioncheck.outline.seam import Seam, find_seam
from visioncheck.photo.glare import burnt_share
from visioncheck.photo.load import Photo, load_photo
from visioncheck.points.find import find_points
from visioncheck.points.model import DetectedTag, TargetPoints
from visioncheck.present.kinds import which_kind_words
from visioncheck.printed.layout import TAG_MM, TAG_PAPER_MM
from visioncheck.quantity import Quantity
from visioncheck.reading.covers import edge_covers
from visioncheck.reading.model import UNKNOWN_KIND, EdgeCover, EdgeReading, Reading, Turned, is_curved
from visioncheck.reading.pair import Match, matches, mean_piece, told_apart
from visioncheck.reading.piece import (
    Piece,
    angle_covariance_deg2,
    corner_weights,
    read_corners,
    read_edges,
    read_piece,
    read_taper,
    read_widths,
)
from visioncheck.reading.sides import EVERY_EDGE, agreed_edge, edge_on_side, edge_ways
from visioncheck.saw import PieceSide, Saw
from visioncheck.sled.model import Sled

if TYPE_CHECKING:
    from visioncheck.measuring.groove import Board

Array = NDArray[np.float64]

TAG_THICKNESS_U_MM = 0.3
UNKNOWN_THICKNESS = Quantity(18.0, 10.0, "mm")
"""Where neither a tag nor the user tells: common boards; angles do not depend on it, widths say so."""


@dataclass(frozen=True)
class Measured:
    """A photo and what it says."""

    photo: Photo
    reading: Reading


@dataclass(frozen=True)
class Detection:
    """A photo and the target's points and tags in it: all that can be said before rig and sled are known."""

    photo: Photo
    points: TargetPoints


def detect(path: Path, rig: Rig | None = None) -> Detection:
    """Find the target in a photo; a photo of another phone than the rig's is refused before the search.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`.
    """
    photo = load_photo(path)
    _same_phone(photo, rig)
    return Detection(photo, find_points(photo, colours=False))


def measure_photo(
    path: Path | Detection,
    rig: Rig | None = None,
    thickness: Quantity | None = None,
    piece: str | None = None,
    sled: Sled | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    turned_half: PieceSide | None = None,
) -> Measured:
    """Measure the workpiece in one photo.

    Parameters
    ----------
    path : Path or Detection
        The photo, or what was found in it already.
    rig : Rig or None
        The survey of this phone and sheet.
    thickness : Quantity or None
        Of the piece, mm, where no tag gives it.
    piece : {"corner", "panel", "strip", "slot", "gap"} or None
        None: a strip where `cuts` are told, a corner where its corners can be nothing else; otherwise it is asked.
    sled : Sled or None
        Says which side of the blade the piece came from and where the fence stands.
    fence_edge : {"top", "bottom", "left", "right"} or None
        Side of the PICTURE that the edge which lay on the fence points to, where no tag tells.
    cuts : int or None
        Number of successive cuts behind a strip.
    turned_half : {"left", "right"} or None
        Of a gap: the half that was turned over, as the halves lay at the saw, where no tag tells.

    Raises
    ------
    UserError
        The photo cannot be read, or what is told contradicts it or itself.
    Refusal
        It cannot be measured honestly.
    """
    if turned_half is not None and piece != "gap":
        raise InputError(
            "turned_half", "<turned_half> goes with the gap between two halves; say <piece=gap> too, or leave it out"
        )
    if piece in SLOT_KINDS:
        return _measure_slot(path, rig, thickness, piece, sled, fence_edge, turned_half)
    seen = _see(path, rig, thickness)
    return _tell(seen, seen.shape, piece, sled, fence_edge, cuts)


def measure_turned(
    paths: tuple[Path, Path],
    rig: Rig | None = None,
    thickness: Quantity | None = None,
    piece: str | None = None,
    sled: Sled | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
) -> Measured:
    """Measure one workpiece in two photos, the second with the piece turned a quarter turn on the sheet.

    What the sheet is out of shape by cancels, as far as it is affine, with a survey or without.

    Parameters
    ----------
    paths : (2,) tuple of Path
        The photos; the reading is told in the terms of the first, `fence_edge` too.
    rig, thickness, piece, sled, fence_edge, cuts
        As for `measure_photo`.

    Raises
    ------
    UserError
        A photo cannot be read, or the two do not show one piece turned by a quarter.
    Refusal
        A photo cannot be measured honestly.
    """
    if piece in SLOT_KINDS:
        raise InputError("turned", f"<turned> goes with angles; measure each photo of a {piece} on its own.")
    first, second = (_see(path, rig, thickness) for path in paths)
    print_covariance = np.eye(first.shape.print_gain.shape[1]) if rig is None else rig.covariance
    if rig is None and first.sheet != second.sheet:
        names = f"{paths[0].name} and {paths[1].name}"
        raise UserError(f"{names} lie on different sheets, whose errors do not cancel; use one sheet, or survey both.")
    match = _quarter_turn(first, second, print_covariance)
    shape = mean_piece(first.shape, second.shape, match, print_covariance, surveyed=rig is not None)
    both = replace(first, flags=tuple(code for code in (*first.flags, *second.flags) if code != "no-rig"))
    told = _tell(both, shape, piece, sled, fence_edge, cuts)
    flags = in_order((*told.reading.flags, *_edge_flags(told.reading, second.shape.traces)))
    turned = Turned(paths[1].name, match.turn_deg, surveyed=rig is not None)
    return replace(told, reading=replace(told.reading, flags=flags, turned=turned))


def see_board(path: Path, rig: Rig | None, thickness: Quantity | None, fence_edge: str | None) -> Board:
    """Find a cut board and its edges in a photo, to measure its grooves.

    Parameters
    ----------
    path, rig, thickness
        As for `measure_photo`.
    fence_edge : {"top", "bottom", "left", "right"} or None
        Side of the PICTURE that the edge which lay on the fence points to, where no tag tells.

    Raises
    ------
    UserError
        The photo cannot be read, or nothing tells which edge lay on the fence.
    Refusal
        It cannot be measured honestly.
    """
    detection = detect(path, rig)
    seen = _see(detection, rig, thickness)
    edge = _fence_edge(seen, seen.shape, fence_edge)
    if edge is None:
        raise InputError(
            "fence_edge",
            f"{path.name}: which edge lay against the fence? Say <fence_edge> top, bottom, left or right, as in the"
            " picture.",
        )
    from visioncheck.measuring.groove import Board  # lazy: it brings plans, which only a groove's photo needs

    scene = Scene(seen.photo, detection.points, seen.shape.view)
    return Board(scene, seen.shape, edge, seen.thickness or UNKNOWN_THICKNESS)


def see_turned(paths: tuple[Path, Path], rig: Rig, thickness: Quantity | None) -> tuple[Piece, Piece, Match]:
    """Find one workpiece in two photos, turned a quarter turn in between: both shapes, and how they answer.

    Raises
    ------
    UserError, Refusal
        As for `measure_turned`.
    """
    first, second = (_see(path, rig, thickness) for path in paths)
    return first.shape, second.shape, _quarter_turn(first, second, rig.covariance)


def see_panel(path: Path, rig: Rig, thickness: Quantity | None, fence_edge: str | None) -> tuple[Piece, int]:
    """Find a panel cut all round in a photo: its shape, and the edge that was cut first.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`; or nothing tells which edge was cut first.
    """
    seen = _see(path, rig, thickness)
    edge = _fence_edge(seen, seen.shape, fence_edge)
    if edge is None:
        raise UserError(f"{path.name}: nothing tells which edge of the panel was cut first.")
    return seen.shape, edge


def _quarter_turn(first: _Seen, second: _Seen, print_covariance: Array) -> Match:
    """How the second photo's piece is the first's, turned; the tag tells where the shape leaves it open."""
    names = f"{first.photo.path.name} and {second.photo.path.name}"
    if first.tag and second.tag and first.tag.id != second.tag.id:
        raise UserError(
            f"{names} show pieces with tags {first.tag.id} and {second.tag.id}; take both photos of one piece."
        )
    found = matches(first.shape, second.shape, print_covariance)
    if first.tag and second.tag:
        edges = [_pointed_edge(seen, seen.shape) or 0 for seen in (first, second)]
        found = tuple(match for match in found if match.shift == (edges[1] - edges[0]) % 4)
    if not (found and found[0].is_one_piece):
        raise UserError(f"{names} do not show one and the same piece; take both photos of one piece.")
    if not told_apart(found) and any(match.is_quarter for match in found):
        raise UserError(
            f"{names}: the piece is too regular to see how it was turned; lay a piece tag on it in both photos."
        )
    if not found[0].is_quarter:
        turn = abs(found[0].turn_deg)
        how = "by a half turn" if turn > 150 else "not turned" if turn < 30 else f"turned by {turn:.0f}°"
        raise UserError(
            f"{names}: the piece is {how} between the two, so the sheet's errors do not cancel; turn it by a quarter"
            " (90°) on the sheet."
        )
    return found[0]


@dataclass(frozen=True)
class _Seen:
    """The piece of a photo, before anything is told of it; `sheet` is the one that most of its points are on."""

    photo: Photo
    sheet: tuple[str, str, int]
    shape: Piece
    tag: DetectedTag | None
    thickness: Quantity | None
    flags: tuple[str, ...]
    seam: Seam | None = None
    covers: tuple[EdgeCover, ...] = ()


def _see(path: Path | Detection, rig: Rig | None, thickness: Quantity | None) -> _Seen:
    detection = path if isinstance(path, Detection) else detect(path, rig)
    photo, points = detection.photo, detection.points
    _same_phone(photo, rig)
    fit = _fit_view(detection, rig)
    glare = _glare_flags(photo, points)
    outline = _piece_outline(photo, points, fit.view, photo.path.name)
    found = outline.corners_mm
    tag = _tag_on(points, fit.view, found)
    thick, thick_flags = _thickness(tag, thickness, fit.view, rig)
    known = None if thick is UNKNOWN_THICKNESS else thick
    seam = find_seam(photo.bgr, fit.view, found, (*_tag_papers(points, fit.view), *outline.hidden_mm))
    try:
        traces = _traces(detection, fit.view, outline, known.value if known else None, glare=bool(glare))
    except Refusal as problem:
        raise problem if seam is None else _broken_edge(photo.path.name, seam, fit.view, found) from None
    shape = read_piece(fit.view, traces, thick)
    sheet = (points.paper, points.field, int(np.bincount(points.sheet).argmax()))
    covers = edge_covers(outline.covers, found, fit.view, photo.exif.orientation)
    # a slot's mouth is no thing that lies there
    covers = tuple(cover for cover in covers if seam is None or cover.edge != seam.edge)
    flags = (*_view_flags(points, fit, rig), *glare, *thick_flags)
    return _Seen(photo, sheet, shape, tag, known, flags, seam, covers)


def _tag_papers(points: TargetPoints, view: View) -> tuple[Array, ...]:
    """Outlines of the tags' paper, which reaches beyond their marks."""
    marks = [view.to_table(tag.corners_px) for tag in points.tags]
    return tuple(mark.mean(axis=0) + (mark - mark.mean(axis=0)) * TAG_PAPER_MM / TAG_MM for mark in marks)


def _broken_edge(name: str, seam: Seam, view: View, corners_mm: Array) -> Refusal:
    marks = Marks(_seen_px(view, [corners_mm]), _seen_px(view, [_side(corners_mm, seam.edge)]))
    return Refusal("seam", name, crosses=seam.crosses, length_mm=seam.length_mm).showing(marks)


def _side(corners_mm: Array, edge: int) -> Array:
    return corners_mm[[edge, (edge + 1) % len(corners_mm)]]


def _seen_px(view: View, lines_mm: Sequence[Array]) -> tuple[Array, ...]:
    return tuple(view.to_image(line) for line in lines_mm)


def _fit_view(detection: Detection, rig: Rig | None) -> ViewFit:
    photo, points = detection.photo, detection.points
    height, width = photo.bgr.shape[:2]
    if rig is None:
        return plane_view(points, width, height, photo.exif.focal_35mm, photo.path.name)
    return rigid_view(points, rig, photo.path.name)


def _measure_slot(
    path: Path | Detection,
    rig: Rig | None,
    thickness: Quantity | None,
    kind: str,
    sled: Sled | None,
    fence_edge: str | None,
    turned_half: PieceSide | None,
) -> Measured:
    detection = path if isinstance(path, Detection) else detect(path, rig)
    photo, points = detection.photo, detection.points
    _same_phone(photo, rig)
    fit = _fit_view(detection, rig)
    glare = _glare_flags(photo, points)
    region = work_region(find_outlines(photo, points, fit.view), kind)
    tags = _tags_on(points, fit.view, region)
    thick, thick_flags = _thickness(tags[0] if tags else None, thickness, fit.view, rig)
    known = thick is not UNKNOWN_THICKNESS
    reading = slot_reading(Scene(photo, points, fit.view), region, thick, kind, known=known)
    if kind == "gap":
        # two tags do not tell which half was turned
        tag = _Arrow(tags[0], fit.view, thick.value) if len(tags) == 1 else None
        reading = _tell_gap(reading, tag, sled, fence_edge, turned_half, photo.exif.orientation)
    flags = (*_view_flags(points, fit, rig), *glare, *thick_flags, *reading.flags)
    tag_id = tags[0].id if tags else None
    return Measured(photo, replace(reading, tag_id=tag_id, flags=in_order(flags)))


def _tell_gap(
    reading: Reading,
    tag: _Arrow | None,
    sled: Sled | None,
    fence_edge: str | None,
    turned_half: PieceSide | None,
    orientation: int,
) -> Reading:
    """What the gap says of the fence, or what it asks."""
    corners_px = np.array([corner.at_px for corner in reading.corners])
    runs = np.array([edge.end_mm - edge.start_mm for edge in reading.edges])
    outwards = runs[:, ::-1] * [-1.0, 1.0]  # an outline's side (x, y) has its outside at (-y, x)
    ways = edge_ways(corners_px, orientation)
    said = None if fence_edge is None else edge_on_side(corners_px, orientation, fence_edge)
    pointed = None if tag is None else tag.among(outwards / np.linalg.norm(runs, axis=1)[:, None], GAP_ENDS)
    reading = replace(reading, ways=ways, fence_edge=agreed_edge(reading.photo, ways, said, pointed))
    place = tag.place_mm if tag and pointed is not None else None
    saw = sled.saw if sled else Saw()
    told = with_halves_error(reading, turned_half, place, saw)
    return _assuming(told, sled, {"fence": saw.fence})


def _assuming(reading: Reading, sled: Sled | None, taken: Mapping[str, str]) -> Reading:
    """Note what the fence error's sign was taken from, where no sled says."""
    return replace(reading, assumed=taken) if sled is None and reading.fence_error else reading


def _tell(
    seen: _Seen,
    shape: Piece,
    piece: str | None,
    sled: Sled | None,
    fence_edge: str | None,
    cuts: int | None,
) -> Measured:
    """What the piece says; `shape` is that of `seen`, or its mean with another photo's."""
    bare = Reading(
        photo=seen.photo.path.name,
        piece=UNKNOWN_KIND,
        edges=read_edges(shape),
        corners=read_corners(shape),
        budget=_least_certain(shape),
        thickness=seen.thickness,
        ways=edge_ways(shape.corners_px, seen.photo.exif.orientation),
        tag_id=None if seen.tag is None else seen.tag.id,
        covers=seen.covers,
    )
    # of a strip the fence touches an end
    edges = {kind: strip_ends(shape) if kind == "strip" else EVERY_EDGE for kind in ("corner", "panel", "strip")}
    told = piece or (None if cuts is None else "strip")
    edge = _fence_edge(seen, shape, fence_edge, edges[told or "corner"])
    angles = [corner.angle.value for corner in bare.corners]
    weights = weigh_kinds(angles, angle_covariance_deg2(shape), shape.lengths_mm, edge)
    if told is not None:
        _refuse_another_kind(seen, told, weights, shape, first_known=edge is not None)
    kinds = (told,) if told else _open_kinds(weights.open, seen.seam)
    bare = replace(bare, fence_edge=edge)
    if len(kinds) > 1:
        reading = _asked(bare, shape, kinds, seen.seam)
    else:
        saw = sled.saw if sled else Saw()
        rivals = weights.rivals(kinds[0]) if told else {}
        own, *others = (with_fence_error(replace(bare, piece=kind), shape, cuts, saw) for kind in (*kinds, *rivals))
        reading = with_rivals(own, list(zip(others, rivals.values(), strict=True)))
        reading = _assuming(reading, sled, {"fence": saw.fence, "piece_side": saw.piece})
    seam_flags = () if seen.seam is None else ("seam",)
    covered = ("covered-edge",) if seen.covers else ()
    flags = (*seen.flags, *_edge_flags(reading, shape.traces), *covered, *seam_flags, *reading.flags)
    return Measured(seen.photo, replace(reading, flags=in_order(flags)))


def _refuse_another_kind(seen: _Seen, told: str, weights: KindWeights, shape: Piece, *, first_known: bool) -> None:
    """Refuse a piece that cannot be of the kind that was told."""
    name = seen.photo.path.name
    if seen.seam is not None and seen.seam.crosses:
        raise Refusal("other-kind", name, "halves", told=told).showing(Marks((shape.corners_px,)))
    if not weights.fits(told):
        refusal = _another_kind(name, told, weights, shape.lengths_mm, first_known=first_known)
        raise refusal.showing(Marks((shape.corners_px,)))


def _another_kind(name: str, told: str, weights: KindWeights, lengths_mm: Array, *, first_known: bool) -> Refusal:
    """Say why a piece is not of the kind that was told, and what it looks like instead."""
    others = {kind: p for kind, p in weights.probability.items() if kind != told}
    likelier = max(others, key=lambda kind: others[kind])
    if told not in weights.probability:
        wide, long = sorted(float(lengths_mm[k] + lengths_mm[k + 2]) / 2 for k in range(2))
        return Refusal("other-kind", name, "shape", told=told, likelier=likelier, long_mm=long, wide_mm=wide)
    if told == "panel" and weights.panel_chance < weights.probability["panel"]:
        chance = weights.panel_chance
        first = {"first_known": first_known}
        return Refusal("other-kind", name, "misfit", told=told, likelier=likelier, chance=chance, **first)
    return Refusal("other-kind", name, "corners", told=told, likelier=likelier, chance=weights.probability[told])


def _open_kinds(kinds: tuple[str, ...], seam: Seam | None) -> tuple[str, ...]:
    """What is still to be asked: where a seam is seen, first whether it is one."""
    if seam is None:
        return kinds
    return ("gap", "slot") if seam.crosses else ("slot", "gap", *kinds)


def _asked(bare: Reading, shape: Piece, kinds: tuple[str, ...], seam: Seam | None) -> Reading:
    """The reading as far as it goes for a piece whose kind is open: no fence error, and so no verdict and no move."""
    asked = replace(bare, open_kinds=kinds, question=which_kind_words(kinds, seam))
    return replace(asked, taper=read_taper(shape), widths=read_widths(shape)) if "strip" in kinds else asked


def _same_phone(photo: Photo, rig: Rig | None) -> None:
    aspect = None if rig is None else rig_difference(photo, rig)
    if rig is None or aspect is None:
        return
    if aspect == "size":
        width, height = photo.size
        raise Refusal(
            "other-rig",
            photo.path.name,
            "size",
            width_px=width,
            height_px=height,
            rig_width_px=rig.lens.width,
            rig_height_px=rig.lens.height,
        )
    raise Refusal("other-rig", photo.path.name, "phone", phone=photo.exif.model, rig_phone=rig.model)


def _view_flags(points: TargetPoints, fit: ViewFit, rig: Rig | None) -> list[str]:
    return [
        code
        for code, raised in (
            ("no-rig", rig is None),
            ("blur", points.blur_px > checks.BLURRED_PX),
            ("few-points", fit.points_used < checks.FEW_POINTS),
            ("tilt", fit.tilt_deg > checks.STEEP_DEG),
            ("lens-moved", fit.lens_moved_sigma > checks.LENS_MOVED),
            ("sheet-lifted", fit.lifted_mm > checks.LIFTED_MM),
        )
        if raised
    ]


def _glare_flags(photo: Photo, points: TargetPoints) -> list[str]:
    share = burnt_share(photo, points.xy_px)
    if share > checks.GLARE_BEYOND_USE:
        raise Refusal("glare", photo.path.name, "sheet", share=share)
    return ["glare"] if share > checks.GLARE_SHARE else []


def _piece_outline(photo: Photo, points: TargetPoints, view: View, name: str) -> Outline:
    outlines = find_outlines(photo, points, view)
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


def _traces(
    detection: Detection, view: View, outline: Outline, thickness_mm: float | None, *, glare: bool
) -> tuple[Trace, ...]:
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


def _tag_on(points: TargetPoints, view: View, corners: Array) -> DetectedTag | None:
    tags = _tags_on(points, view, corners)
    return tags[0] if tags else None


def _tags_on(points: TargetPoints, view: View, corners: Array) -> list[DetectedTag]:
    import cv2

    outline = corners.astype(np.float32)
    middles = [view.to_table(tag.corners_px).mean(axis=0) for tag in points.tags]
    inside = [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=False) >= 0 for x, y in middles]
    return [tag for tag, is_on in zip(points.tags, inside, strict=True) if is_on]


def _thickness(
    tag: DetectedTag | None, given: Quantity | None, view: View, rig: Rig | None
) -> tuple[Quantity, list[str]]:
    """From the tag's size against its 20 mm, or as given; a contradiction is a flag and widens the uncertainty."""
    if tag is None:
        return (UNKNOWN_THICKNESS, ["thickness-doubtful"]) if given is None else (given, [])
    corners = view.to_table(tag.corners_px)
    side = float(np.mean(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)))
    u = TAG_THICKNESS_U_MM if rig is not None else 2.0
    read = Quantity(view.height_mm * (1 - TAG_MM / side), u, "mm")
    if given is None:
        return read, [] if 0 < read.value < 80 else ["thickness-doubtful"]
    apart = abs(given.value - read.value)
    if apart > max(checks.TAG_CONTRADICTS_MM, 3 * u):
        return replace(given, u=apart), ["tag-contradicts"]
    return given, []


def _least_certain(shape: Piece) -> Mapping[str, float]:
    """Budget of the least certain corner, as long as nothing tells which one is asked for."""
    spreads = [shape.propagate_directions(corner_weights(corner)) for corner in range(4)]
    return max(spreads, key=lambda spread: spread.u).parts


@dataclass(frozen=True)
class _Arrow:
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


def _pointed_edge(seen: _Seen, shape: Piece, ends: Sequence[int] = EVERY_EDGE) -> int | None:
    """Number of the edge that the tag's arrow points to; None without a tag, or where it points to none of `ends`."""
    if seen.tag is None:
        return None
    outwards = np.array([trace.outward for trace in shape.traces])
    return _Arrow(seen.tag, shape.view, shape.thickness_mm).among(outwards, ends)


def _fence_edge(seen: _Seen, shape: Piece, told: str | None, ends: Sequence[int] = EVERY_EDGE) -> int | None:
    orientation = seen.photo.exif.orientation
    said = None if told is None else edge_on_side(shape.corners_px, orientation, told)
    ways = edge_ways(shape.corners_px, orientation)
    return agreed_edge(seen.photo.path.name, ways, said, _pointed_edge(seen, shape, ends))


def _edge_flags(reading: Reading, traces: tuple[Trace, ...]) -> list[str]:
    flags = []
    for edge, trace in zip(reading.edges, traces, strict=True):
        strip = reading.piece == "strip" or "strip" in reading.open_kinds
        short_end = strip and edge.length_mm < 0.5 * max(e.length_mm for e in reading.edges)
        if edge.length_mm < checks.EDGE_SHORT_MM and not short_end:
            flags.append("short-edge")
        if is_curved(edge.bow) and not short_end:
            flags.append("curved-edge")
        if _seen_share(edge) < 1 - checks.EDGE_TORN_SHARE and not short_end:
            flags.append("torn-edge")
        if not trace.arris_clear:
            flags.append("arris-doubtful")
        if trace.contrast < checks.EDGE_LEAST_CONTRAST:
            flags.append("low-contrast")
    return flags


def _seen_share(edge: EdgeReading) -> float:
    """Share of the edge's half millimetres in which a station was found and believed."""
    run = edge.end_px - edge.start_px
    steps = max(round(edge.length_mm / 0.5), 1)
    at = (edge.stations_px[edge.weights > checks.EDGE_BELIEVED] - edge.start_px) @ run / float(run @ run)
    return len(np.unique(np.floor(np.clip(at, 0, 1 - 1e-9) * steps))) / steps
