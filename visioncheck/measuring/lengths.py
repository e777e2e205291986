"""The pieces of repeat cuts in photos: several laid on the sheet together, or one in each photo."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks
from visioncheck.errors import InputError, Refusal
from visioncheck.measuring.detect import detect, refuse_another_phone
from visioncheck.measuring.piece import fit_view, glare_doubts, trace_outline
from visioncheck.measuring.tags import UNKNOWN_THICKNESS
from visioncheck.outline.find import find_laid_apart
from visioncheck.quantity import Quantity
from visioncheck.reading.piece import long_edge, read_corner, read_piece, read_widths
from visioncheck.reading.sides import edge_on_side
from visioncheck.uncertainty import jacobian
from visioncheck.work.lengths import PieceLength

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from visioncheck.camera.rig import Rig
    from visioncheck.photo.load import Photo
    from visioncheck.reading.piece import Piece

    Array = NDArray[np.float64]

_SHARED = ("thickness", "edge bias")
"""Sources beside the scale that all pieces of one phone and one thickness have in common."""

_HEIGHT_U_REL = 0.006
"""How far out a survey may have the phone's height, relative.

With a smooth distortion of 0.1 px that no lens model has, simulated surveys are out by 0.5 % (rms of four phones,
`tests.shop_coverage`). It draws a tall part's width like a thickness told wrong by as large a share.
"""


def _with_height(thickness: Quantity) -> Quantity:
    """The thickness with what the phone's height brings in."""
    u = math.hypot(thickness.u, _HEIGHT_U_REL * thickness.value)
    return Quantity(thickness.value, u, thickness.unit, thickness.dof)


def measure_lengths(
    photo: Path, rig: Rig | None, thickness: Quantity | None, fence_edge: str | None = None, cut_edge: str | None = None
) -> tuple[tuple[PieceLength, ...], tuple[Piece, ...], Photo]:
    """Measure every piece that lies on the sheet in one photo, from the left to the right as seen.

    Parameters
    ----------
    photo : Path
        The photo.
    rig : Rig or None
        The survey of this phone and sheet.
    thickness : Quantity or None
        Of all the pieces, mm.
    fence_edge : {"top", "bottom", "left", "right"} or None
        Side of the picture that the edges which lay at the fence point to, of all pieces; the length runs along it.
        None: the length is a piece's longer way.
    cut_edge : {"top", "bottom", "left", "right"} or None
        Side that the freshly sawn ends point to; None: no angles are read.

    Returns
    -------
    lengths : tuple of PieceLength
    pieces : tuple of Piece
        Their outlines, in the same order.
    photo : Photo
        As loaded.

    Raises
    ------
    UserError, Refusal
        The photo cannot be read, nothing lies on the sheet, or an edge of a piece cannot be followed.
    """
    detection = detect(photo, rig)
    refuse_another_phone(detection.photo, rig)
    fit = fit_view(detection, rig)
    glare = bool(glare_doubts(detection.photo, detection.points))
    thick = _with_height(thickness or UNKNOWN_THICKNESS)
    outlines = find_laid_apart(detection.photo, detection.points, fit.view)
    alike = [each for each in outlines if each.area_mm2 > checks.LENGTHS_LEAST_AREA * outlines[0].area_mm2]
    pieces = []
    for outline in alike:
        if len(outline.corners_mm) != 4:
            raise Refusal("no-piece", detection.photo.path.name, "shape")
        known = thickness.value if thickness else None
        traces = trace_outline(detection, fit.view, outline, known, glare=glare)
        pieces.append(read_piece(fit.view, traces, thick))
    orientation = detection.photo.exif.orientation
    pieces.sort(key=lambda piece: _reading_order(piece.corners_px))
    names = [f"{photo.name} {k}" if len(pieces) > 1 else photo.name for k in range(1, len(pieces) + 1)]
    lengths = []
    for name, piece in zip(names, pieces, strict=True):
        sides = (fence_edge, cut_edge)
        edges = [None if side is None else edge_on_side(piece.sides_px, orientation, side) for side in sides]
        lengths.append(_length(name, piece, *edges))
    return tuple(lengths), tuple(pieces), detection.photo


def _reading_order(corners_px: Array) -> tuple[float, float]:
    x, y = corners_px.mean(axis=0)
    return float(x), float(y)


def _length(name: str, piece: Piece, fence_edge: int | None, cut_edge: int | None) -> PieceLength:
    """The length half way up the piece, along its fence edge, and the corner between that and the sawn end."""
    edge = long_edge(piece) if fence_edge is None else fence_edge
    flat = piece.corners_mm.ravel()

    def length(x: Array) -> Array:
        c = np.roll(x.reshape(4, 2), -edge, axis=0)
        ends = (c[0] + c[3]) / 2, (c[1] + c[2]) / 2
        return np.array([np.linalg.norm(ends[1] - ends[0])])

    value = float(length(flat)[0])
    whole = piece.propagate(jacobian(length, flat, np.full(8, 1.0))[0])
    scale = whole.parts.get("scale", 0.0)
    shared = math.hypot(*(whole.parts.get(source, 0.0) for source in _SHARED))
    own = math.sqrt(max(whole.u**2 - scale**2 - shared**2, 0.0))
    angle = None
    if fence_edge is not None and cut_edge is not None:
        if (cut_edge - fence_edge) % 2 == 0:
            raise InputError("cut_edge", "<cut_edge> must be an end of the pieces, beside <fence_edge>")
        pair = (fence_edge, cut_edge) if (fence_edge + 1) % 4 == cut_edge else (cut_edge, fence_edge)
        angle = read_corner(piece, *pair).angle
    return PieceLength(name, value, own, scale / value, shared, angle)


def measure_all(
    photos: Sequence[Path],
    rig: Rig | None,
    thickness: Quantity | None,
    fence_edge: str | None = None,
    cut_edge: str | None = None,
) -> tuple[PieceLength, ...]:
    """Measure the pieces of several photos, in the order given; raises as `measure_lengths` does."""
    found = (measure_lengths(photo, rig, thickness, fence_edge, cut_edge)[0] for photo in photos)
    return tuple(piece for pieces in found for piece in pieces)


def measure_width(photo: Path, rig: Rig | None, thickness: Quantity | None) -> Quantity:
    """Measure the one piece in a photo across its short way, half way along, mm; raises as `measure_lengths` does."""
    _, pieces, _ = measure_lengths(photo, rig, thickness)
    if len(pieces) != 1:
        raise Refusal("two-pieces", photo.name)
    return read_widths(pieces[0], (0.5,))[0].width
