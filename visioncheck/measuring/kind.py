"""What a piece says once its kind is told or weighed: the fence error, or what is asked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.codes import Doubt, Question, in_order
from visioncheck.edges.trace import Trace
from visioncheck.errors import Field, InputError, Marks, Refusal
from visioncheck.fence.kind import KindWeights, weigh_kinds
from visioncheck.fence.mitre import require_setting
from visioncheck.fence.of_piece import strip_ends, which_edges, with_fence_error, with_rivals
from visioncheck.fence.signs import panel_sides
from visioncheck.flags import FlagCode
from visioncheck.measuring.detect import Measured
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.piece import SeenPiece, agreed_fence_edge, pointed_edge
from visioncheck.measuring.request import MeasureRequest
from visioncheck.outline.seam import Seam
from visioncheck.reading.model import UNKNOWN_KIND, EdgeReading, Reading, is_curved
from visioncheck.reading.piece import (
    Piece,
    angle_covariance_deg2,
    corner_between,
    read_corners,
    read_edges,
    read_taper,
    read_widths,
    turn_weights,
)
from visioncheck.reading.sides import agreed_edge, edge_on_side, edge_ways
from visioncheck.saw import Saw
from visioncheck.sled.model import Sled

Array = NDArray[np.float64]


def saw_at_cut(sled: Sled | None, nominal_deg: float | None = None) -> Saw:
    """How the saw stood: as the sled says, and the nominal angle that is told; raises InputError where they differ."""
    saw = sled.saw if sled else Saw()
    if nominal_deg is None:
        return saw
    if sled:
        require_setting(nominal_deg, saw)
    return replace(saw, nominal_deg=nominal_deg)


def assuming(reading: Reading, sled: Sled | None, taken: Mapping[str, str]) -> Reading:
    """Note what the fence error's sign was taken from, where no sled says."""
    return replace(reading, assumed=taken) if sled is None and (reading.fence_error or reading.tilt) else reading


def tell_piece(seen: SeenPiece, shape: Piece, request: MeasureRequest) -> Measured:
    """What the piece says; `shape` is that of `seen`, or its mean with another photo's."""
    sled, options = request.sled, request.options
    saw = saw_at_cut(sled, options.nominal_deg)
    bare = Reading(
        photo=seen.photo.path.name,
        piece=UNKNOWN_KIND,
        edges=read_edges(shape),
        corners=read_corners(shape),
        budget=_least_certain(shape),
        thickness=seen.thickness,
        ways=edge_ways(shape.sides_px, seen.photo.exif.orientation),
        names=seen.names,
        tag_id=None if seen.tag is None else seen.tag.id,
        covers=seen.covers,
    )
    told = options.piece or (None if options.cuts is None else "strip") or ("corner" if saw.is_mitre else None)
    _require_closing(bare.photo, told, saw)
    if options.edges is not None or not shape.is_four_sided:
        return _tell_corner(seen, shape, bare, told, request)
    # of a strip the fence touches an end
    edge = agreed_fence_edge(seen, shape, options.fence_edge, strip_ends(shape) if told == "strip" else None)
    angles = [corner.angle.value for corner in bare.corners]
    weights = weigh_kinds(angles, angle_covariance_deg2(shape), shape.lengths_mm, edge)
    if told is not None:
        _refuse_another_kind(seen, told, weights, shape, first_known=edge is not None, square=not saw.is_mitre)
    kinds = (told,) if told else _open_kinds(weights.open, seen.seam)
    bare = replace(bare, fence_edge=edge)
    if len(kinds) > 1:
        reading = _asked(bare, shape, kinds, seen.seam)
    else:
        rivals = weights.rivals(kinds[0]) if told and not saw.is_mitre else {}
        each = (replace(bare, piece=kind) for kind in (*kinds, *rivals))
        own, *others = (with_fence_error(reading, shape, options.cuts, saw) for reading in each)
        reading = with_rivals(own, list(zip(others, rivals.values(), strict=True)))
        reading = assuming(reading, sled, {"fence": saw.fence, "piece_side": saw.piece})
    return _with_doubts(seen, shape, reading)


def _require_closing(photo: str, told: str | None, saw: Saw) -> None:
    """Refuse a panel of four cuts, or a strip of one of any number, that no cuts at the nominal angle make."""
    if told == "panel" and saw.is_mitre:
        said = "a panel of four cuts is square; leave <nominal> out, or say <piece=corner>"
        raise InputError("piece", said).of(photo)
    if told == "strip" and panel_sides(saw.nominal_deg) is None:
        said = f"no cuts at {saw.nominal_deg:g}° close a panel, so no strip tells of them; measure the <piece=corner>"
        raise InputError("piece", said).of(photo)


def _tell_corner(seen: SeenPiece, shape: Piece, bare: Reading, told: str | None, request: MeasureRequest) -> Measured:
    """What the corner between two edges says, of work of another shape or where its edges are told."""
    options = request.options
    if told not in {None, "corner"}:
        if options.edges is not None:
            raise InputError("edges", f"<edges> names the two edges of one corner, and a {told} has more; leave it out")
        count = len(shape.lines)
        refusal = Refusal("other-kind", seen.photo.path.name, "edges", told=told, count=count)
        raise refusal.showing(Marks(tuple(shape.sides_px)))
    saw = saw_at_cut(request.sled, options.nominal_deg)
    reading = replace(bare, piece="corner")
    if options.edges is not None:
        reading = _between(seen, shape, reading, options)
    elif passed := shape.passed_edges(checks.EDGE_PASSED_MM):
        # something lies against the work, or it is notched: no side of the picture and no arrow tells what is meant
        return _with_doubts(seen, shape, replace(reading, question=which_edges(reading, shape.chain.meetings, passed)))
    else:
        reading = replace(reading, fence_edge=agreed_fence_edge(seen, shape, options.fence_edge))
    reading = with_fence_error(reading, shape, None, saw)
    return _with_doubts(seen, shape, assuming(reading, request.sled, {"fence": saw.fence, "piece_side": saw.piece}))


def _between(seen: SeenPiece, shape: Piece, reading: Reading, options: PieceOptions) -> Reading:
    """The reading with the corner between the edges that were told, which need not touch each other."""
    photo = seen.photo.path.name
    assert options.edges is not None
    fence, cut = (_edge_named(photo, letter, reading.names) for letter in options.edges.split(","))
    told, orientation = options.fence_edge, seen.photo.exif.orientation
    if told is not None and edge_on_side(shape.sides_px, orientation, told) != fence:
        raise InputError(
            "edges",
            f"edge {reading.names[fence]}, the first of <edges>, lies on the {reading.ways[fence]} of the picture and"
            f" <fence_edge> says {told}; leave one of them out",
        ).of(photo)
    agreed_edge(photo, reading.ways, fence, pointed_edge(seen, shape), "edges")
    corners = reading.corners
    if not any(set(each.edges) == {fence, cut} for each in corners):
        try:
            corners = (*corners, corner_between(shape, fence, cut))
        except ValueError:
            pair = options.edges.replace(",", " and ")
            said = f"edges {pair} are parallel; name two that make a corner (<edges>)"
            raise InputError("edges", said).of(photo) from None
    return replace(reading, fence_edge=fence, cut_edge=cut, corners=corners)


def _edge_named(photo: str, letter: str, names: tuple[str, ...]) -> int:
    if letter not in names:
        raise InputError(
            "edges",
            f"no straight edge {letter!r} is seen on the piece (<edges>), only {', '.join(sorted(names))}, clockwise"
            " from the top edge; see its picture",
        ).of(photo)
    return names.index(letter)


def _with_doubts(seen: SeenPiece, shape: Piece, reading: Reading) -> Measured:
    seam = [] if seen.seam is None else [Doubt("seam")]
    doubts = (*seen.doubts, *edge_doubts(reading, shape.traces), *cover_doubts(reading), *seam, *reading.doubts)
    return Measured(seen.photo, replace(reading, doubts=in_order(doubts)))


def _refuse_another_kind(
    seen: SeenPiece, told: str, weights: KindWeights, shape: Piece, *, first_known: bool, square: bool
) -> None:
    """Refuse a piece that cannot be of the kind that was told; of a mitred one its corners do not tell."""
    name = seen.photo.path.name
    if seen.seam is not None and seen.seam.crosses:
        raise Refusal("other-kind", name, "halves", told=told).showing(Marks((shape.corners_px,)))
    if square and not weights.fits(told):
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


def _which_kind(kinds: tuple[str, ...], seam: Seam | None) -> Question:
    seen = {} if seam is None else {"seam_crosses": seam.crosses, "seam_mm": seam.length_mm}
    return Question("kind", kinds, seen)


def _asked(bare: Reading, shape: Piece, kinds: tuple[str, ...], seam: Seam | None) -> Reading:
    """The reading as far as it goes for a piece whose kind is open: no fence error, and so no verdict and no move."""
    asked = replace(bare, open_kinds=kinds, question=_which_kind(kinds, seam))
    return replace(asked, taper=read_taper(shape), widths=read_widths(shape)) if "strip" in kinds else asked


def _least_certain(shape: Piece) -> Mapping[str, float]:
    """Budget of the least certain corner, as long as nothing tells which one is asked for."""
    weights = [turn_weights(*pair, len(shape.lines)) for pair in shape.chain.meetings]
    spreads = [shape.propagate_directions(each) for each in weights]
    return max(spreads, key=lambda spread: spread.u).parts


def cover_doubts(reading: Reading) -> list[Doubt]:
    """The doubt that something lies at an edge, with the sides where it does."""
    covered = [each.edge for each in reading.covers]
    return [Doubt("covered-edge", {"sides": _sides(reading, covered)})] if covered else []


def edge_doubts(reading: Reading, traces: tuple[Trace, ...]) -> list[Doubt]:
    """What may be doubtful about the edges: of each doubt the edges that have it, and the worst that was seen."""
    raised: dict[FlagCode, list[int]] = {}
    for number, (edge, trace) in enumerate(zip(reading.edges, traces, strict=True)):
        for code in _codes_of_edge(reading, edge, trace):
            raised.setdefault(code, []).append(number)
    return [Doubt(code, _edge_fields(reading, code, numbers)) for code, numbers in raised.items()]


def _codes_of_edge(reading: Reading, edge: EdgeReading, trace: Trace) -> Iterator[FlagCode]:
    strip = reading.piece == "strip" or "strip" in reading.open_kinds
    short_end = strip and edge.length_mm < 0.5 * max(e.length_mm for e in reading.edges)
    if edge.length_mm < checks.EDGE_SHORT_MM and not short_end:
        yield "short-edge"
    if is_curved(edge.bow) and not short_end:
        yield "curved-edge"
    if _seen_share(edge) < 1 - checks.EDGE_TORN_SHARE and not short_end:
        yield "torn-edge"
    if not trace.arris_clear:
        yield "arris-doubtful"
    if trace.contrast < checks.EDGE_LEAST_CONTRAST:
        yield "low-contrast"


def _edge_fields(reading: Reading, code: FlagCode, numbers: Sequence[int]) -> dict[str, Field]:
    edges = [reading.edges[number] for number in numbers]
    fields: dict[str, Field] = {"sides": _sides(reading, numbers)}
    if code == "short-edge":
        fields["length_mm"] = min(edge.length_mm for edge in edges)
    elif code == "curved-edge":
        fields["bow_mm"] = max(abs(edge.bow.value) for edge in edges)
    elif code == "torn-edge":
        fields["torn"] = 1 - min(map(_seen_share, edges))
    return fields


def _sides(reading: Reading, numbers: Sequence[int]) -> str:
    """The sides of the picture that these edges lie on."""
    return " ".join(dict.fromkeys(reading.ways[number] for number in numbers))


def _seen_share(edge: EdgeReading) -> float:
    """Share of the edge's half millimetres in which a station was found and believed."""
    run = edge.end_px - edge.start_px
    steps = max(round(edge.length_mm / 0.5), 1)
    at = (edge.stations_px[edge.weights > checks.EDGE_BELIEVED] - edge.start_px) @ run / float(run @ run)
    return len(np.unique(np.floor(np.clip(at, 0, 1 - 1e-9) * steps))) / steps
