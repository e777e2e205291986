"""The survey: camera and print measured together from several photos of the bare sheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.bundle import Adjusted, adjust
from visioncheck.camera.lens import Lens
from visioncheck.camera.normal_equations import Bundle, Observations
from visioncheck.camera.steadiness import Steadiness, rested
from visioncheck.camera.support import (
    FAIR_ANGLE_U_DEG,
    STEADY,
    WORST_ANGLE_U_DEG,
    WORST_HELD_ANGLE_U_DEG,
    angle_u_deg,
    photo_to_add,
)
from visioncheck.camera.survey_frame import Frame, attitudes, print_error, shape_excess, to_table_frame
from visioncheck.camera.survey_start import collect_observations, name_points, start_bundle
from visioncheck.errors import UserError
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import target_layout

Array = NDArray[np.float64]

NOMINAL_SCALE_U_REL = 0.004
"""Of a home print's scale, where nothing was ruled (printers: 0.1 … 0.4 % off)."""
RULED_U_MM = 0.15
"""Of a length read from a steel rule with half-millimetre marks; common practice, no source."""


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
    if len(photos) < checks.SURVEY_LEAST_PHOTOS:
        raise UserError(
            f"A survey needs at least {checks.SURVEY_LEAST_PHOTOS} photos, better 8; {len(photos)} given: add some from"
            " other sides, tilted by 15 to 30 degrees, with the phone turned a quarter turn in some."
        )
    paper = photos[0].paper
    kept = _with_sheet_0(photos)
    best, sheet, index = _fitted([photos[which] for which in kept], width, height)
    bad = _misfits(best)
    if (
        0 < len(bad) <= len(kept) // checks.SURVEY_PHOTOS_FOR_ONE_LEFT_OUT
        and len(kept) - len(bad) >= checks.SURVEY_LEAST_PHOTOS
    ):
        kept = [which for place, which in enumerate(kept) if place not in bad]
        best, sheet, index = _fitted([photos[which] for which in kept], width, height)
    left_out = tuple(which for which in range(len(photos)) if which not in kept)
    photos = [photos[which] for which in kept]
    lens = replace(best.bundle.lens, lateral=_lateral(photos, best))
    frame = to_table_frame(best, sheet, index, paper, ruled_mm)
    excess_variance = shape_excess(best, frame, target_layout(paper).saddles_mm[index], sheet == 0)
    frame = replace(frame, covariance=frame.covariance * excess_variance)
    tilts, rolls = attitudes(best, frame)
    if np.ptp(rolls) < 30 and tilts.max() < checks.SURVEY_TILT_NEEDED_DEG:
        raise UserError(
            "The survey's photos were all taken from straight above: add some tilted by about 20 degrees from the"
            " left, right, near and far side."
        )
    first = sheet == 0
    nominal = target_layout(paper).saddles_mm[index[first]]
    own = np.repeat(first, 3)

    def direction_u_deg(frame: Frame) -> float:
        return angle_u_deg(nominal, frame.covariance[8:, 8:][np.ix_(own, own)])

    at_rest = replace(best, covariance=best.system.with_steadiness(rested(width, height)).covariance())
    angle_u = direction_u_deg(frame)
    angle_u_rested = direction_u_deg(to_table_frame(at_rest, sheet, index, paper, ruled_mm))
    advice = photo_to_add(best.bundle.exposures.rotations @ frame.turn.T)
    if not angle_u_rested < WORST_ANGLE_U_DEG:
        raise UserError(
            f"The survey's photos leave the sheet's own angles open (± {2 * angle_u_rested:.2g}°), by too little tilt,"
            f" by one side only or by too few points: {advice}."
        )
    if not angle_u < WORST_HELD_ANGLE_U_DEG:
        raise UserError(
            f"The phone moved too much while it took the survey's photos (the sheet's own angles are left open by"
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
    kept = [which for which, points in enumerate(photos) if np.sum(points.sheet == 0) >= checks.SURVEY_LEAST_ON_SHEET]
    if not kept:
        raise UserError("Sheet 0 is not in the survey's photos; its points set the frame and the scale.")
    if len(kept) < checks.SURVEY_LEAST_PHOTOS:
        raise UserError(
            f"Sheet 0 is seen whole in only {len(kept)} of the survey's photos, and {checks.SURVEY_LEAST_PHOTOS} are"
            " needed: shoot the others again so that the whole of it is in the picture, sharp and evenly lit."
        )
    return kept


def _fitted(
    photos: Sequence[TargetPoints], width: int, height: int
) -> tuple[Adjusted, NDArray[np.int64], NDArray[np.int64]]:
    """Fit these photos; also which points, by sheet and index."""
    sheet, index = name_points(photos)
    seen = collect_observations(photos, sheet, index)
    return _trimmed(start_bundle(photos, sheet, index, width, height), seen), sheet, index


def _misfits(best: Adjusted) -> list[int]:
    """Numbers of the photos whose points miss what the others agree on."""
    photo = best.seen.photo
    norm = np.linalg.norm(best.residuals_px, axis=1) / best.seen.u_px
    typical = np.array([np.median(norm[photo == which]) for which in range(int(photo.max()) + 1)])
    return np.flatnonzero(typical > checks.SURVEY_MISFIT_TIMES * np.median(typical)).tolist()


def _trimmed(start: Bundle, seen: Observations) -> Adjusted:
    try:
        return adjust(start, seen)
    except ValueError:
        raise UserError(
            "The survey's photos do not determine the camera: add photos tilted by about 20 degrees from several sides."
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
        found.append(slope if abs(slope) > max(checks.LATERAL_LEAST * spread, checks.LATERAL_SMALLEST) else 0.0)
    return found[0], 0.0, found[1]


def _require_one_print(scales: Array, shear_deg: float, residual_px: float) -> None:
    """Refuse what no printer makes, and points that do not lie on one sheet through one lens."""
    stretch = float(scales[0] / scales[1] - 1)
    if abs(stretch) > checks.SURVEY_MOST_STRETCH or abs(shear_deg) > checks.SURVEY_MOST_SHEAR_DEG:
        raise UserError(
            f"The photos give a sheet stretched by {100 * stretch:+.1f} % and out of square by {abs(shear_deg):.2f}°,"
            " which no printer makes: use photos as the phone saved them (uncropped, not straightened or edited), all"
            " at one zoom, of one sheet that was not moved or bent in between."
        )
    if residual_px > checks.SURVEY_MOST_RESIDUAL_PX:
        raise UserError(
            f"The points of different photos miss one another by {residual_px:.1f} px, so they do not show one flat"
            " sheet through one lens: fix the sheet flat, keep to one zoom, and use photos as the phone saved them."
        )
