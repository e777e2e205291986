"""The survey: camera and print measured together from several photos of the bare sheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.bundle import Adjusted, Bundle, Observations, adjust, left_out
from visioncheck.camera.jackknife import excess, smooth_shapes
from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import still
from visioncheck.camera.steadiness import Steadiness, held, rested
from visioncheck.camera.support import (
    FAIR_ANGLE_U_DEG,
    STEADY,
    WORST_ANGLE_U_DEG,
    WORST_HELD_ANGLE_U_DEG,
    angle_u_deg,
    photo_to_add,
)
from visioncheck.camera.view import RigidView
from visioncheck.errors import UserError
from visioncheck.geometry import similarity
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import layout_of

Array = NDArray[np.float64]

NOMINAL_SCALE_U_REL = 0.004
"""Of a home print's scale, where nothing was ruled (printers: 0.1 … 0.4 % off)."""
RULED_U_MM = 0.15
"""Of a length read from a steel rule with half-millimetre marks; common practice, no source."""
SMOOTH_TERMS = 28
"""Degree 6: what a moulded phone lens does beyond Brown's model is smooth over about a fifth of the picture."""
WORST_SCALE = 0.02
_FEWEST_PHOTOS = 4
_FEWEST_ON_SHEET = 12
_MISFIT = 4.0
"""Times the other photos' residuals, over their points' own uncertainty: such a photo shows something else."""
_MOST_LEFT_OUT = 4
"""Photos for each that is left out: where more disagree, it is not known which are right."""
_MOST_STRETCH = 0.02
_MOST_SHEAR_DEG = 0.6
"""Printers are off by 0.1 to 0.4 %, differently in the two directions, old ones by up to 2 %; see the guide."""
_MOST_RESIDUAL_PX = 2.0
"""In a picture 4000 px wide; real phones leave 0.03 to 0.12."""
_TILT_NEEDED_DEG = 8.0
_LATERAL_LEAST = 4.0
_LATERAL_SMALLEST = 2e-5
"""Relative; less moves no point by a hundredth of a pixel in a dozen and is not worth believing."""


@dataclass(frozen=True)
class Survey:
    """What the survey found; `visioncheck.camera.rig.Rig` keeps it.

    Attributes
    ----------
    points_mm : (n, 3) ndarray
        Table frame of sheet 0.
    print_scale : (2,) ndarray
        Printed over nominal length in x and y, sheet 0.
    shear_deg : float
        By how much the print's corners are off 90°, sheet 0.
    local_mm : (n, 2) ndarray
        What is left of each point's error after scale, shear and place are taken out.
    tilts_deg, rolls_deg : (photos,) ndarray
    angle_u_deg : float
        How well the photos fix the sheet's own right angles, standard uncertainty.
    angle_u_rested_deg : float
        The same, had the phone been at rest and its lens in one place.
    advice : str
        Which photo would help, where one would; else empty.
    steadiness : Steadiness
        How much one photo's geometry differed from the next one's.
    noise_ratio : float
        By how much the points' residuals exceeded their stated uncertainty, at least 1.
    left_out : tuple of int
        Numbers of the photos that show too little of sheet 0, or other than all the rest agree on.
    lens_u : (8,) ndarray
        Standard uncertainty of the lens's terms.
    """

    lens: Lens
    sheet: NDArray[np.int64]
    index: NDArray[np.int64]
    points_mm: Array
    covariance: Array
    scale_u_rel: float
    residual_px: float
    print_scale: Array
    shear_deg: float
    local_mm: Array
    tilts_deg: Array
    rolls_deg: Array
    angle_u_deg: float
    angle_u_rested_deg: float
    advice: str
    steadiness: Steadiness
    noise_ratio: float
    left_out: tuple[int, ...] = ()

    @property
    def lens_u(self) -> Array:
        """Standard uncertainties of the lens's terms, (8,)."""
        return np.sqrt(np.diag(self.covariance)[:8])


def survey(photos: Sequence[TargetPoints], width: int, height: int, ruled_mm: float | None) -> Survey:
    """Survey the camera and the print.

    Parameters
    ----------
    photos : sequence of TargetPoints
        The bare sheets, each from another direction.
    width, height : int
        Of every photo, px.
    ruled_mm : float or None
        From the first to the last band saddle point of sheet 0.

    Raises
    ------
    UserError
        The photos cannot support it, or the print is at the wrong scale; says what to do.
    """
    if len(photos) < _FEWEST_PHOTOS:
        raise UserError(
            f"a survey needs at least {_FEWEST_PHOTOS} photos, better 8; {len(photos)} given: add some from other"
            " sides, tilted by 15 to 30 degrees, with the phone turned a quarter turn in some."
        )
    paper = photos[0].paper
    kept = _with_sheet_0(photos)
    best, sheet, index = _fitted([photos[which] for which in kept], width, height)
    bad = _misfits(best)
    if 0 < len(bad) <= len(kept) // _MOST_LEFT_OUT and len(kept) - len(bad) >= _FEWEST_PHOTOS:
        kept = [which for place, which in enumerate(kept) if place not in bad]
        best, sheet, index = _fitted([photos[which] for which in kept], width, height)
    left_out = tuple(which for which in range(len(photos)) if which not in kept)
    photos = [photos[which] for which in kept]
    lens = replace(best.bundle.lens, lateral=_lateral(photos, best))
    frame = _to_table(best, sheet, index, paper, ruled_mm)
    excess_variance = _excess(best, frame, layout_of(paper).saddles_mm[index], sheet == 0)
    frame = replace(frame, covariance=frame.covariance * excess_variance)
    tilts, rolls = _attitudes(best, frame)
    if np.ptp(rolls) < 30 and tilts.max() < _TILT_NEEDED_DEG:
        raise UserError(
            "the survey's photos were all taken from straight above: add some tilted by about 20 degrees from the"
            " left, right, near and far side."
        )
    first = sheet == 0
    nominal = layout_of(paper).saddles_mm[index[first]]
    own = np.repeat(first, 3)

    def angle_u_of(frame: _Frame) -> float:
        return angle_u_deg(nominal, frame.covariance[8:, 8:][np.ix_(own, own)])

    at_rest = replace(best, covariance=best.system.with_steadiness(rested(width, height)).covariance())
    angle_u = angle_u_of(frame)
    angle_u_rested = angle_u_of(_to_table(at_rest, sheet, index, paper, ruled_mm))
    advice = photo_to_add(best.bundle.exposures.rotations @ frame.turn.T)
    if not angle_u_rested < WORST_ANGLE_U_DEG:
        raise UserError(
            f"the survey's photos leave the sheet's own angles open (± {2 * angle_u_rested:.2g}°), by too little tilt,"
            f" by one side only or by too few points: {advice}."
        )
    if not angle_u < WORST_HELD_ANGLE_U_DEG:
        raise UserError(
            f"the phone moved too much while it took the survey's photos (the sheet's own angles are left open by"
            f" ± {2 * angle_u:.2g}°): {STEADY}."
        )
    steadiness = best.bundle.steadiness
    assert steadiness is not None  # the start gives one
    keep = best.weights > 0
    residual = float(np.sqrt(np.mean(best.residuals_px[keep] ** 2)))
    scale_u = NOMINAL_SCALE_U_REL if ruled_mm is None else RULED_U_MM / ruled_mm
    scales, shear, local = print_error(nominal, frame.points_mm[first, :2])
    _require_one_print(scales, shear, residual * 4000 / max(width, height))
    return Survey(
        lens,
        sheet,
        index,
        frame.points_mm,
        frame.covariance,
        scale_u,
        residual,
        scales,
        shear,
        local,
        tilts,
        rolls,
        angle_u,
        angle_u_rested,
        advice if angle_u_rested > FAIR_ANGLE_U_DEG else "",
        steadiness,
        max(best.scale, 1.0),
        left_out,
    )


def _with_sheet_0(photos: Sequence[TargetPoints]) -> list[int]:
    """Numbers of the photos that show enough of sheet 0, which sets the frame."""
    kept = [which for which, points in enumerate(photos) if np.sum(points.sheet == 0) >= _FEWEST_ON_SHEET]
    if not kept:
        raise UserError("sheet 0 is not in the survey's photos; its points set the frame and the scale.")
    if len(kept) < _FEWEST_PHOTOS:
        raise UserError(
            f"sheet 0 is seen whole in only {len(kept)} of the survey's photos, and {_FEWEST_PHOTOS} are needed: shoot"
            " the others again so that the whole of it is in the picture, sharp and evenly lit."
        )
    return kept


def _fitted(
    photos: Sequence[TargetPoints], width: int, height: int
) -> tuple[Adjusted, NDArray[np.int64], NDArray[np.int64]]:
    """Fit these photos; also which points, by sheet and index."""
    sheet, index = _names(photos)
    seen = _observations(photos, sheet, index)
    return _trimmed(_start(photos, sheet, index, width, height), seen), sheet, index


def _misfits(best: Adjusted) -> list[int]:
    """Numbers of the photos whose points miss what the others agree on."""
    photo = best.seen.photo
    norm = np.linalg.norm(best.residuals_px, axis=1) / best.seen.u_px
    typical = np.array([np.median(norm[photo == which]) for which in range(int(photo.max()) + 1)])
    return np.flatnonzero(typical > _MISFIT * np.median(typical)).tolist()


def _names(photos: Sequence[TargetPoints]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Names of the points seen in at least two photos."""
    if len({points.paper for points in photos}) > 1:
        raise UserError("the survey's photos show sheets of different paper; survey each target by itself.")
    keys = np.concatenate([points.sheet * 1000 + points.index for points in photos])
    named, count = np.unique(keys, return_counts=True)
    named = named[count >= 2]
    if not np.any(named < 1000):
        raise UserError("sheet 0 is not in the survey's photos; its points set the frame and the scale.")
    return named // 1000, named % 1000


def _observations(photos: Sequence[TargetPoints], sheet: NDArray[np.int64], index: NDArray[np.int64]) -> Observations:
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


def _start(
    photos: Sequence[TargetPoints],
    sheet: NDArray[np.int64],
    index: NDArray[np.int64],
    width: int,
    height: int,
) -> Bundle:
    """Camera and poses from sheet 0 as if it were printed true; other sheets where their points fall."""
    nominal = layout_of(photos[0].paper).saddles_mm
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
    layout = layout_of(photos[0].paper).saddles_mm
    shown, named = [], []
    for points, (turn, shift) in zip(photos, poses, strict=True):
        here = points.sheet == which
        if here.any():
            shown.append(RigidView(lens, turn, shift).to_table(points.xy_px[here]))
            named.append(layout[points.index[here]])
    move, _ = cv2.estimateAffinePartial2D(np.concatenate(named), np.concatenate(shown))
    return np.column_stack([nominal @ move[:, :2].T + move[:, 2], np.zeros(len(nominal))])


def _trimmed(start: Bundle, seen: Observations) -> Adjusted:
    try:
        return adjust(start, seen)
    except ValueError:
        raise UserError(
            "the survey's photos do not determine the camera: add photos tilted by about 20 degrees from several sides."
        ) from None


def _lateral(photos: Sequence[TargetPoints], best: Adjusted) -> tuple[float, float, float]:
    """Magnification of blue and red less green's, where it stands out from its own uncertainty."""
    centre = best.bundle.lens.centre_px
    found = []
    for name in ("blue_px", "red_px"):
        radius = np.concatenate([points.xy_px - centre for points in photos]).ravel()
        shift = np.concatenate([getattr(points, name) - points.xy_px for points in photos]).ravel()
        good = np.isfinite(shift) & (np.abs(shift) < 1.5)
        radius, shift = radius[good], shift[good]
        slope = float(radius @ shift / (radius @ radius)) if len(radius) > 20 else 0.0
        spread = float(np.std(shift - slope * radius)) / float(np.sqrt(max(radius @ radius, 1e-12)))
        found.append(slope if abs(slope) > max(_LATERAL_LEAST * spread, _LATERAL_SMALLEST) else 0.0)
    return found[0], 0.0, found[1]


@dataclass(frozen=True)
class _Frame:
    """The points and their covariance in the table frame, and the matrix that brings changes of the fit there."""

    points_mm: Array
    covariance: Array
    turn: Array
    to_frame: Array


def _to_table(
    best: Adjusted, sheet: NDArray[np.int64], index: NDArray[np.int64], paper: str, ruled_mm: float | None
) -> _Frame:
    """Bring the points into sheet 0's frame and to scale; take the free motions out of the covariance."""
    layout = layout_of(paper)
    points = best.bundle.points_mm
    first = np.flatnonzero(sheet == 0)
    nominal = np.column_stack([layout.saddles_mm[index[first]], np.zeros(len(first))])
    turn, shift, scale = similarity(points[first], nominal)
    if ruled_mm is not None:
        ends = [first[index[first] == end] for end in layout.ruled_points]
        if any(len(end) == 0 for end in ends):
            raise UserError("an end of the ruled length is in no two photos: keep the whole of sheet 0 in the picture.")
        scale = ruled_mm / float(np.linalg.norm(points[ends[0][0]] - points[ends[1][0]]))
        printed = ruled_mm / layout.ruled_mm
        if abs(printed - 1) > WORST_SCALE:
            raise UserError(
                f"the ruled length of {ruled_mm:.1f} mm is {100 * (printed - 1):+.1f} % off the layout's"
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
    return _Frame(placed, to_frame @ best.covariance @ to_frame.T, turn, to_frame)


def _motions(points: Array) -> Array:
    """Three shifts, three turns and the scale of points (n, 3), as columns (3 n, 7)."""
    centred = points - points.mean(axis=0)
    columns = [np.tile(axis, len(points)) for axis in np.eye(3)]
    columns += [np.cross(axis, centred).ravel() for axis in np.eye(3)]
    return np.column_stack([*columns, centred.ravel()])


def _require_one_print(scales: Array, shear_deg: float, residual_px: float) -> None:
    """Refuse what no printer makes, and points that do not lie on one sheet through one lens."""
    stretch = float(scales[0] / scales[1] - 1)
    if abs(stretch) > _MOST_STRETCH or abs(shear_deg) > _MOST_SHEAR_DEG:
        raise UserError(
            f"the photos give a sheet stretched by {100 * stretch:+.1f} % and out of square by {abs(shear_deg):.2f}°,"
            " which no printer makes: use photos as the phone saved them (uncropped, not straightened or edited), all"
            " at one zoom, of one sheet that was not moved or bent in between."
        )
    if residual_px > _MOST_RESIDUAL_PX:
        raise UserError(
            f"the points of different photos miss one another by {residual_px:.1f} px, so they do not show one flat"
            " sheet through one lens: fix the sheet flat, keep to one zoom, and use photos as the phone saved them."
        )


def _excess(best: Adjusted, frame: _Frame, nominal: Array, first: NDArray[np.bool_]) -> float:
    """By how much sheet 0's shape scatters more, photo by photo, than the fit's covariance says."""
    own = np.concatenate([np.zeros(8, bool), np.repeat(first, 3)])
    changes = left_out(best) @ frame.to_frame.T
    return excess(changes[:, own], frame.covariance[np.ix_(own, own)], smooth_shapes(nominal[first]))


def _attitudes(best: Adjusted, frame: _Frame) -> tuple[Array, Array]:
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
