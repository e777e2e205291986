"""The surveyed points in the table frame: to scale, without free motions, and against the nominal print."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.bundle import Adjusted, left_out
from visioncheck.camera.jackknife import excess, smooth_shapes
from visioncheck.errors import UserError
from visioncheck.geometry import similarity
from visioncheck.printed.layout import target_layout

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Frame:
    """The points and their covariance in the table frame, and the matrix that brings changes of the fit there."""

    points_mm: Array
    covariance: Array
    turn: Array
    to_frame: Array


def to_table_frame(
    best: Adjusted, sheet: NDArray[np.int64], index: NDArray[np.int64], paper: str, ruled_mm: float | None
) -> Frame:
    """Bring the points into sheet 0's frame and to scale; take the free motions out of the covariance."""
    layout = target_layout(paper)
    points = best.bundle.points_mm
    first = np.flatnonzero(sheet == 0)
    nominal = np.column_stack([layout.saddles_mm[index[first]], np.zeros(len(first))])
    turn, shift, scale = similarity(points[first], nominal)
    if ruled_mm is not None:
        ends = [first[index[first] == end] for end in layout.ruled_points]
        if any(len(end) == 0 for end in ends):
            raise UserError("An end of the ruled length is in no two photos: keep the whole of sheet 0 in the picture.")
        scale = ruled_mm / float(np.linalg.norm(points[ends[0][0]] - points[ends[1][0]]))
        printed = ruled_mm / layout.ruled_mm
        if abs(printed - 1) > checks.SURVEY_WORST_SCALE:
            raise UserError(
                f"The ruled length of {ruled_mm:.1f} mm is {100 * (printed - 1):+.1f} % off the layout's"
                f" {layout.ruled_mm:.1f} mm: print at 100 %, without fit-to-page, or read the rule again."
            )
        shift = nominal.mean(axis=0) - scale * turn @ points[first].mean(axis=0)
    placed = scale * points @ turn.T + shift
    size = len(points)
    mover = np.kron(np.eye(size), scale * turn)
    motions = _motions(placed)
    mover -= motions @ (np.linalg.pinv(motions) @ mover)
    to_frame = np.eye(8 + 3 * size)
    to_frame[8:, 8:] = mover
    return Frame(placed, to_frame @ best.covariance @ to_frame.T, turn, to_frame)


def _motions(points: Array) -> Array:
    """Three shifts, three turns and the scale of points (n, 3), as columns (3 n, 7)."""
    centred = points - points.mean(axis=0)
    columns = [np.tile(axis, len(points)) for axis in np.eye(3)]
    columns += [np.cross(axis, centred).ravel() for axis in np.eye(3)]
    return np.column_stack([*columns, centred.ravel()])


def shape_excess(best: Adjusted, frame: Frame, nominal: Array, first: NDArray[np.bool_]) -> float:
    """By how much sheet 0's shape scatters more, photo by photo, than the fit's covariance says."""
    own = np.concatenate([np.zeros(8, bool), np.repeat(first, 3)])
    changes = left_out(best) @ frame.to_frame.T
    return excess(changes[:, own], frame.covariance[np.ix_(own, own)], smooth_shapes(nominal[first]))


def attitudes(best: Adjusted, frame: Frame) -> tuple[Array, Array]:
    """Tilt and roll of each photo against the table, (photos,) each, deg."""
    rotations = best.bundle.exposures.rotations @ frame.turn.T
    tilts = np.degrees(np.arccos(np.clip(rotations[:, 2, 2], -1, 1)))
    rolls = np.degrees(np.arctan2(rotations[:, 0, 1], rotations[:, 0, 0]))
    return tilts, rolls


def print_error(nominal: Array, printed: Array) -> tuple[Array, float, Array]:
    """Scale in x and y, shear (deg, how far the corners are off 90°) and what is left, mm, of one sheet."""
    design = np.column_stack([nominal, np.ones(len(nominal))])
    affine = np.linalg.lstsq(design, printed, rcond=None)[0]
    across, down = affine[0], affine[1]
    scales = np.array([np.linalg.norm(across), np.linalg.norm(down)])
    shear = float(np.degrees(np.arcsin(across @ down / (scales[0] * scales[1]))))
    return scales, shear, printed - design @ affine
