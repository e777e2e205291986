"""Where the bundle starts: which points are seen by which photo, and camera and poses from sheet 0."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import Lens
from visioncheck.camera.normal_equations import Bundle, Observations
from visioncheck.camera.rays import still
from visioncheck.camera.steadiness import held
from visioncheck.camera.view import RigidView
from visioncheck.errors import UserError
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import target_layout

Array = NDArray[np.float64]

SMOOTH_TERMS = 28
"""Degree 6: what a moulded phone lens does beyond Brown's model is smooth over about a fifth of the picture."""


def name_points(photos: Sequence[TargetPoints]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Names of the points seen in at least two photos."""
    if len({points.paper for points in photos}) > 1:
        raise UserError("The survey's photos show sheets of different paper; survey each target by itself.")
    keys = np.concatenate([points.sheet * 1000 + points.index for points in photos])
    named, count = np.unique(keys, return_counts=True)
    named = named[count >= 2]
    if not np.any(named < 1000):
        raise UserError("Sheet 0 is not in the survey's photos; its points set the frame and the scale.")
    return named // 1000, named % 1000


def collect_observations(
    photos: Sequence[TargetPoints], sheet: NDArray[np.int64], index: NDArray[np.int64]
) -> Observations:
    """Every photo's points among those named, with their uncertainty, px."""
    number = {key: place for place, key in enumerate((sheet * 1000 + index).tolist())}
    photo, point, xy, u = [], [], [], []
    for which, points in enumerate(photos):
        for key, place, u_px in zip(
            (points.sheet * 1000 + points.index).tolist(), points.xy_px, points.u_px, strict=True
        ):
            if key in number:
                photo.append(which)
                point.append(number[key])
                xy.append(place)
                u.append(u_px)
    # a floor: paper and lens are never as smooth as the noise of one point
    return Observations(np.array(photo), np.array(point), np.array(xy), np.hypot(np.array(u), 0.02))


def start_bundle(
    photos: Sequence[TargetPoints],
    sheet: NDArray[np.int64],
    index: NDArray[np.int64],
    width: int,
    height: int,
) -> Bundle:
    """Camera and poses from sheet 0 as if it were printed true; other sheets where their points fall."""
    nominal = target_layout(photos[0].paper).saddles_mm
    spatial = [np.column_stack([nominal[p.index[p.sheet == 0]], np.zeros(np.sum(p.sheet == 0))]) for p in photos]
    flat = [p.xy_px[p.sheet == 0] for p in photos]
    guess = np.array([[0.75 * max(width, height), 0, width / 2], [0, 0.75 * max(width, height), height / 2], [0, 0, 1]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
    flags |= cv2.CALIB_ZERO_TANGENT_DIST
    _, matrix, coefficients, turns, shifts = cv2.calibrateCamera(
        [points.astype(np.float32) for points in spatial],
        [points.astype(np.float32) for points in flat],
        (width, height),
        guess,
        None,
        flags=flags,
    )
    k1 = float(np.ravel(coefficients)[0])
    lens = Lens(width, height, np.array([matrix[0, 0], matrix[0, 2], matrix[1, 2], k1, 0, 0, 0, 0]))
    poses = [
        (np.ravel(turn).astype(float), np.ravel(shift).astype(float)) for turn, shift in zip(turns, shifts, strict=True)
    ]
    places = np.zeros((len(sheet), 3))
    places[:, :2] = nominal[index]
    for which in np.unique(sheet[sheet > 0]):
        places[sheet == which] = _other_sheet(photos, lens, poses, which, nominal[index[sheet == which]])
    rotations = np.stack([np.asarray(cv2.Rodrigues(turn)[0], float) for turn in turns])
    translations = np.stack([np.ravel(shift).astype(float) for shift in shifts])
    smooth = replace(lens, smooth=np.zeros((2, SMOOTH_TERMS)))
    return Bundle(smooth, still(rotations, translations), places, np.ones(8, bool), steadiness=held(width, height))


def _other_sheet(
    photos: Sequence[TargetPoints],
    lens: Lens,
    poses: Sequence[tuple[Array, Array]],
    which: int,
    nominal: Array,
) -> Array:
    """Starting places of another sheet: its nominal layout moved to where sheet 0's plane shows its points."""
    layout = target_layout(photos[0].paper).saddles_mm
    shown, named = [], []
    for points, (turn, shift) in zip(photos, poses, strict=True):
        here = points.sheet == which
        if here.any():
            shown.append(RigidView(lens, turn, shift).to_table(points.xy_px[here]))
            named.append(layout[points.index[here]])
    move, _ = cv2.estimateAffinePartial2D(np.concatenate(named), np.concatenate(shown))
    return np.column_stack([nominal @ move[:, :2].T + move[:, 2], np.zeros(len(nominal))])
