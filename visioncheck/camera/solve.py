"""One photo's view of the table: from its target points, with a rig or without."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.causes import likely_cause
from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import Exposures, Projection, project
from visioncheck.camera.rig import Rig
from visioncheck.camera.steadiness import held
from visioncheck.camera.view import PlaneView, RigidView, View, rotation_matrix
from visioncheck.errors import Refusal
from visioncheck.geometry import motion
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import layout_of

Array = NDArray[np.float64]

_HUBER = 2.5
_ROUNDS = 15
_TERMS = 20
"""Of a rigid view: pose (6), lens (8), motion (6)."""
_FEWEST = 12
_FLOOR_PX = 0.02

FLATNESS_SD_MM = 0.012
FLATNESS_REACH_MM = 60.0
"""The sheet may lie differently than when it was surveyed: this much, over about this distance; an assumption.

What this photo's own residuals show beyond it is added.
"""
_WAVES = 12
"""Shapes of a lifted sheet that are looked for; finer ones bend no workpiece's plane."""
_WORST_SCALE = 2.5
"""Residuals over the points' own uncertainty: at most 1.1 on the right sheet lying flat."""
_LEAST_USED = 0.85
"""Share of the points that must fit; on a whole photo of the right sheet all do."""
_WORST_MISS_MM = 0.4
"""Of the worst tenth of the points without a survey; prints and waves make 0.06 to 0.08."""
_SAME_FOCAL = 0.005
_WORST_MOVE = 3.5
"""Of lens and motion, in standard deviations: refocusing makes 0.5, a zoom of 3 % makes 2, a shaky hand 3."""

_UNSURVEYED_TURN_SD = 5e-4
"""Of a phone held in the hand, from the first row's reading to the last one's; an assumption. A shift of 0.16 mm from
400 mm above counts as a turn of 0.0004 rad."""
UNSURVEYED_FLATNESS_MM = 0.03
"""A sheet of paper as it lies, where no survey tells its shape; over the same distance; an assumption."""

_SHORTEST_35MM, _LONGEST_35MM = 8.0, 1000.0
"""No lens that draws straight lines is beyond these; a file that says so was tampered with."""
PRINT_STRETCH_SD = 0.0035
PRINT_SHEAR_SD = 0.002
PRINT_LOCAL_MM = 0.05
"""An unsurveyed home print: relative stretch of x against y, shear, and smooth local error (measured prints)."""


@dataclass(frozen=True)
class ViewFit:
    """A view and how well the points bear it.

    Attributes
    ----------
    rms_px : float
        Of the points' residuals, one coordinate.
    lens_moved_sigma : float
        How far the lens stands from the rig's, in prior standard deviations; 0 without a rig.
    lifted_mm : float
        How far the sheet is seen to lie off its surveyed shape, standard deviation; 0 without a rig.
    """

    view: View
    rms_px: float
    points_used: int
    tilt_deg: float
    lens_moved_sigma: float = 0.0
    lifted_mm: float = 0.0


def rigid_view(points: TargetPoints, rig: Rig, name: str) -> ViewFit:
    """Pose of a photo taken with a surveyed rig; the rig's lens is a prior that the photo may correct.

    Raises
    ------
    Refusal
        Too few of the rig's points in the picture, or not the rig's sheet or phone.
    """
    if points.paper != rig.paper or points.field != rig.field:
        raise Refusal(
            "other-rig",
            name,
            "sheet",
            paper=points.paper,
            field=points.field,
            rig_paper=rig.paper,
            rig_field=rig.field,
        )
    place = {key: n for n, key in enumerate(zip(rig.sheet.tolist(), rig.index.tolist(), strict=True))}
    known = [n for n, key in enumerate(zip(points.sheet.tolist(), points.index.tolist(), strict=True)) if key in place]
    if len(known) < _FEWEST:
        raise Refusal("few-points", name, "surveyed", count=len(known))
    which = np.array([place[int(points.sheet[n]), int(points.index[n])] for n in known])
    spatial, pixels = rig.points_mm[which], points.xy_px[known]
    u = np.hypot(points.u_px[known], _FLOOR_PX) * rig.noise_ratio
    fit = _PoseFit(rig, spatial, pixels, u)
    fit.run(name, points.sheet[known])
    covariances, print_gain = fit.covariances(which)
    rotation = np.asarray(cv2.Rodrigues(fit.rotation)[0][:, 0], float)
    view = RigidView(fit.lens, rotation, fit.translation, covariances, rig.scale_u_rel, print_gain, fit.motion)
    tilt = float(np.degrees(np.arccos(np.clip(fit.rotation[2, 2], -1, 1))))
    used = int(np.sum(fit.weights > 0.3))
    return ViewFit(view, fit.rms_px, used, tilt, fit.lens_moved_sigma, fit.lifted_mm)


def _wave_alike(points_mm: Array) -> Array:
    """Correlation (n, n) of how high the paper lies at points (n, 2): its waves reach `FLATNESS_REACH_MM`."""
    apart = np.linalg.norm(points_mm[:, None] - points_mm[None], axis=2)
    return np.asarray(np.exp(-((apart / FLATNESS_REACH_MM) ** 2) / 2))


class _PoseFit:
    """Gauss–Newton over pose (6), lens terms (8) and motion (6), Huber's weights; lens and motion bound by priors."""

    def __init__(self, rig: Rig, spatial: Array, pixels: Array, u: Array) -> None:
        self.rig, self.spatial, self.pixels, self.u = rig, spatial, pixels, u
        self.lens, self.motion = rig.lens, np.zeros(6)
        width, height = rig.lens.width, rig.lens.height
        # what a photo may have beyond what the survey's few photos showed, at little cost: the sheet is known here
        own = np.hypot(rig.steadiness.own_sd, held(width, height).own_sd / 2)
        self.own_covariance = np.diag(own**2)
        covariance = self.own_covariance.copy()
        covariance[:8, :8] += rig.covariance[:8, :8]
        self.prior = np.linalg.inv(covariance)
        self.weights, self.scale = np.ones(len(pixels)), 1.0

    def run(self, name: str, sheet: NDArray[np.int64]) -> None:
        directions = self.lens.directions(self.pixels)
        solved, turn, shift, _ = cv2.solvePnPRansac(
            self.spatial.astype(np.float64),
            directions.astype(np.float64),
            np.eye(3),
            None,
            reprojectionError=6.0 / self.lens.f_px,
            iterationsCount=200,
        )
        if not solved:
            raise Refusal("other-rig", name, "points")
        self.rotation: Array = np.asarray(cv2.Rodrigues(turn)[0], float)
        self.translation: Array = np.ravel(shift).astype(float)
        for _ in range(_ROUNDS):
            at = self._project()
            residuals = self.pixels - at.pixels
            norm = np.linalg.norm(residuals, axis=1) / self.u
            self.scale = max(float(np.median(norm)) / 1.1774, 0.3)
            self.weights = np.minimum(1, _HUBER * self.scale / np.maximum(norm, 1e-9))
            self.weights[norm > 8 * self.scale] = 0
            rows = self._rows(at)
            weight = self._weight()
            self.normal = np.einsum("nki,nkj,n->ij", rows, rows, weight)
            right = np.einsum("nki,nk,n->i", rows, residuals, weight)
            right[6:] -= self.prior @ self._moved()
            self.full = self.normal.copy()
            self.full[6:, 6:] += self.prior
            step = np.linalg.solve(self.full, right)
            self.rotation = rotation_matrix(step[:3]) @ self.rotation
            self.translation = self.translation + step[3:6]
            self.lens = self.lens.with_terms(self.lens.terms + step[6:14])
            self.motion = self.motion + step[14:]
            if float(step @ self.full @ step) < 1e-8:
                break
        used = self.weights > 0.3
        self.rms_px = float(np.sqrt(np.mean(residuals[used] ** 2)))
        moved = self._moved()
        self.lens_moved_sigma = float(np.sqrt(moved @ self.prior @ moved / len(moved)))
        if used.mean() < _LEAST_USED or self.scale > _WORST_SCALE:
            raise Refusal("other-rig", name, "miss", times=self.scale, cause=self._why(sheet))
        if self.lens_moved_sigma > _WORST_MOVE:
            raise self._other_lens(name)
        self.lifted_mm = self._lift()

    def _moved(self) -> Array:
        """How far lens (8) and motion (6) are from where the prior has them."""
        return np.concatenate([self.lens.terms - self.rig.lens.terms, self.motion])

    def _weight(self) -> Array:
        return np.asarray(self.weights / (self.u * max(self.scale, 1.0)) ** 2)

    @staticmethod
    def _rows(at: Projection) -> Array:
        return np.concatenate([at.by_pose, at.by_lens, at.by_motion], axis=2)

    def _other_lens(self, name: str) -> Refusal:
        here, rig = self.lens.f_px, self.rig.lens.f_px
        moved = self._moved()
        own = np.abs(moved) / np.sqrt(np.diag(self.own_covariance))
        if abs(here / rig - 1) > _SAME_FOCAL:
            return Refusal("other-rig", name, "zoom", focal_px=here, rig_focal_px=rig)
        return Refusal("other-rig", name, "moved" if own[8:].max() > own[:8].max() else "lens")

    def _why(self, sheet: NDArray[np.int64]) -> str | None:
        """Name what explains residuals that are far too large: one of `_causes`, or nothing."""
        at = self._project()
        residuals = self.pixels - at.pixels
        norm = np.linalg.norm(residuals, axis=1) / self.u
        root = np.sqrt(np.minimum(1, _HUBER * self.scale / np.maximum(norm, 1e-9))) / self.u
        causes = self._causes(at, sheet)
        found = likely_cause(
            (residuals * root[:, None]).ravel(),
            (at.by_pose * root[:, None, None]).reshape(-1, 6),
            {cause: (columns * root[:, None, None]).reshape(-1, columns.shape[2]) for cause, columns in causes.items()},
        )
        return None if found is None else found[0]

    def _causes(self, at: Projection, sheet: NDArray[np.int64]) -> dict[str, Array]:
        """Derivatives (n, 2, k) of the pixels by what may have changed since the survey."""
        x, y = (self.spatial[:, :2] - self.spatial[:, :2].mean(axis=0)).T / 100
        shapes = np.stack([x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], axis=1)
        in_plane = at.by_point[:, :, :2, None] * shapes[:, None, None, :]
        sizes, waves = np.linalg.eigh(_wave_alike(self.spatial[:, :2]))
        waves = waves[:, -_WAVES:] * np.sqrt(np.maximum(sizes[-_WAVES:], 0))
        causes = {
            "lens": at.by_lens,
            "hand": at.by_motion,
            "print": in_plane.reshape(len(x), 2, -1),
            "lifted": at.by_point[:, :, 2:] * waves[:, None, :],
        }
        others = [other for other in np.unique(sheet) if other != np.bincount(sheet).argmax()]
        if others:
            turn = np.stack([-at.by_point[:, :, 0] * y[:, None] + at.by_point[:, :, 1] * x[:, None]], axis=2)
            moves = np.concatenate([at.by_point[:, :, :2], turn], axis=2)
            causes["slipped"] = np.concatenate([moves * (sheet == other)[:, None, None] for other in others], axis=2)
        return causes

    def _lift(self) -> float:
        """How far the sheet lies off its surveyed shape, mm: by moments of the residuals along its possible waves.

        A variance component (S. R. Searle, G. Casella, C. E. McCulloch, *Variance Components*, 1992): along each
        wave the residuals' square is expected to be the noise's, and the lift's times what a wave of 1 mm makes.
        """
        at = self._project()
        root = np.sqrt(self._weight())
        rows = (self._rows(at) * root[:, None, None]).reshape(-1, _TERMS)
        residuals = ((self.pixels - at.pixels) * root[:, None]).ravel()
        sizes, shapes = np.linalg.eigh(_wave_alike(self.spatial[:, :2]))
        waves = shapes[:, -_WAVES:] * np.sqrt(np.maximum(sizes[-_WAVES:], 0))
        lifted = ((at.by_point[:, :, 2] * root[:, None])[:, :, None] * waves[:, None, :]).reshape(-1, waves.shape[1])
        lifted -= rows @ np.linalg.solve(self.full, rows.T @ lifted)  # what pose and lens take up is not seen
        ways, reach, _ = np.linalg.svd(lifted, full_matrices=False)
        along = ways.T @ residuals
        noise = (residuals @ residuals - along @ along) / max(len(residuals) - _TERMS - len(along), 1)
        variance = float(np.sum(reach**2 * (along**2 - noise)) / np.sum(reach**4))
        return float(np.sqrt(max(variance, 0.0)))

    def _project(self) -> Projection:
        n = len(self.spatial)
        exposures = Exposures(
            np.broadcast_to(self.rotation, (n, 3, 3)),
            np.broadcast_to(self.translation, (n, 3)),
            np.zeros((n, 8)),
            np.broadcast_to(self.motion, (n, 6)),
        )
        return project(self.lens, exposures, self.spatial, self.lens.row_times(self.pixels))

    def covariances(self, which: NDArray[np.int64]) -> tuple[dict[str, Array], Array]:
        """Of `RigidView.theta`, by source; and how it follows from the survey's numbers."""
        at = self._project()
        inverse = np.linalg.inv(self.full)
        by_points = np.einsum("nki,nkj,n->inj", self._rows(at), at.by_point, self._weight()).reshape(_TERMS, -1)
        gain = np.zeros((_TERMS, len(self.rig.covariance)))
        gain[:, :8] = inverse[:, 6:] @ self.prior[:, :8]
        columns = (8 + 3 * which[:, None] + np.arange(3)).ravel()
        gain[:, columns] = -inverse @ by_points
        wave = (FLATNESS_SD_MM**2 + self.lifted_mm**2) * _wave_alike(self.spatial[:, :2])
        lift = gain[:, columns[2::3]]
        held_by = inverse[:, 6:] @ self.prior
        own, moves = self.own_covariance.copy(), self.own_covariance.copy()
        own[8:, 8:] = moves[:8, :8] = 0
        to_theta = np.eye(_TERMS)
        to_theta[:3, :3] = _turn_to_vector(self.rotation)
        sources = {
            "target points": inverse @ self.normal @ inverse,
            "lens": held_by @ own @ held_by.T,
            "hand": held_by @ moves @ held_by.T,
            "print survey": gain @ self.rig.covariance @ gain.T,
            "paper flatness": lift @ wave @ lift.T,
        }
        return {source: to_theta @ matrix @ to_theta.T for source, matrix in sources.items()}, to_theta @ gain


def _turn_to_vector(rotation: Array) -> Array:
    """Derivative of the rotation vector by a small turn on the camera's side, (3, 3)."""
    base = cv2.Rodrigues(rotation)[0][:, 0]
    step = 1e-6
    columns = [(cv2.Rodrigues(rotation_matrix(step * axis) @ rotation)[0][:, 0] - base) / step for axis in np.eye(3)]
    return np.column_stack(columns)


def default_lens(width: int, height: int, focal_35mm: float | None) -> Lens:
    """A lens known from EXIF alone: the 35 mm equivalent refers to the 43.27 mm diagonal (CIPA DCG-001)."""
    diagonal = float(np.hypot(width, height))
    told = focal_35mm is not None and _SHORTEST_35MM <= focal_35mm <= _LONGEST_35MM
    focal = diagonal * (focal_35mm or 0) / 43.27 if told else 0.75 * max(width, height)
    return Lens(width, height, np.array([focal, (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0], float))


def plane_view(points: TargetPoints, width: int, height: int, focal_35mm: float | None, name: str) -> ViewFit:
    """A plane-to-plane map from the nominal page, for a photo without a rig.

    Never a rigid pose: a print stretched by 0.3 % would read as 4° of tilt and spoil every angle. The sheet
    with the most points gives the map, in the frame of sheet 0 where that is seen too. The distortion k1 is fitted
    as far as the points bear it.

    Raises
    ------
    Refusal
        Too few points, or not those of a flat sheet.
    """
    sheets, counts = np.unique(points.sheet, return_counts=True)
    sheet = sheets[np.argmax(counts)]
    here = points.sheet == sheet
    if here.sum() < _FEWEST:
        raise Refusal("few-points", name, "of a sheet", count=int(here.sum()))
    layout = layout_of(points.paper)
    nominal, pixels = layout.saddles_mm[points.index[here]], points.xy_px[here]
    lens = default_lens(width, height, focal_35mm)
    fit = _PlaneFit(lens, nominal, pixels, layout.saddles_mm)
    first = points.sheet == 0
    if sheet != 0 and first.sum() >= _FEWEST:
        turn, shift = motion(fit.view().to_table(points.xy_px[first]), layout.saddles_mm[points.index[first]])
        fit = _PlaneFit(lens, nominal @ turn.T + shift, pixels, layout.saddles_mm @ turn.T + shift)
    rotation, translation = _decompose(fit.homography)
    camera = -rotation.T @ translation
    covariances, print_gain = fit.covariances(camera)
    foot, up = camera[:2], -float(camera[2])
    view = PlaneView(fit.lens, fit.homography, foot, up, covariances, print_gain=print_gain, turn=fit.turn)
    off_mm = fit.miss_px * view.height_mm / fit.lens.f_px
    if off_mm > _WORST_MISS_MM:
        raise Refusal("sheet-lifted", name, off_mm=off_mm)
    tilt = float(np.degrees(np.arccos(np.clip(abs(rotation[2, 2]), -1, 1))))
    return ViewFit(view, fit.rms_px, int(np.sum(fit.weights > 0.3)), tilt)


class _PlaneFit:
    """Homography (8), lens terms (8) and turn while read (3); lens and turn held by what phones are like."""

    LENS_SD = np.array([1e-9, 1e-9, 1e-9, 0.05, 0.05, 1e-9, 1e-9, 1e-9])

    def __init__(self, lens: Lens, nominal: Array, pixels: Array, page_mm: Array) -> None:
        self.nominal, self.pixels, self.page_mm = nominal, pixels, page_mm
        homography, _ = cv2.findHomography(nominal, lens.directions(pixels), cv2.LMEDS)
        self.homography, self.lens, self.turn = homography / homography[2, 2], lens, np.zeros(3)
        first = lens.terms
        self.prior = 1 / np.append(self.LENS_SD, np.full(3, _UNSURVEYED_TURN_SD)) ** 2
        for _ in range(_ROUNDS):
            rows, residuals = self._rows()
            norm = np.linalg.norm(residuals, axis=1)
            self.scale = max(float(np.median(norm)) / 1.1774, 0.02)
            self.weights = np.minimum(1, _HUBER * self.scale / np.maximum(norm, 1e-9))
            weight = self.weights / self.scale**2
            self.normal = np.einsum("nki,nkj,n->ij", rows, rows, weight)
            right = np.einsum("nki,nk,n->i", rows, residuals, weight)
            right[8:] -= self.prior * np.append(self.lens.terms - first, self.turn)
            self.full = self.normal + np.diag(np.append(np.zeros(8), self.prior))
            size = 1 / np.sqrt(np.diag(self.full))
            step = size * np.linalg.solve(self.full * size[:, None] * size, right * size)
            self._move(step)
        self.rms_px = float(np.sqrt(np.mean(residuals**2)))
        self.miss_px = float(np.quantile(norm, 0.9))

    def view(self) -> PlaneView:
        """Return the map on paper alone, without a foot."""
        return PlaneView(self.lens, self.homography, np.zeros(2), 1.0, turn=self.turn)

    def _move(self, step: Array) -> None:
        theta = self.homography.ravel()[:8] + step[:8]
        self.homography = np.append(theta, 1.0).reshape(3, 3)
        self.lens = self.lens.with_terms(self.lens.terms + step[8:16])
        self.turn = self.turn + step[16:]

    def _rows(self) -> tuple[Array, Array]:
        """Derivatives (n, 2, 19) of the pixels by homography, lens and turn, and the residuals."""
        homogeneous = np.column_stack([self.nominal, np.ones(len(self.nominal))])
        mapped = homogeneous @ self.homography.T
        w = mapped[:, 2]
        directions = mapped[:, :2] / w[:, None]
        n = len(directions)
        # a camera frame in which each direction is a point at depth 1
        exposures = Exposures(
            np.broadcast_to(np.eye(3), (n, 3, 3)),
            np.zeros((n, 3)),
            np.zeros((n, 8)),
            np.broadcast_to(np.append(self.turn, np.zeros(3)), (n, 6)),
        )
        at = project(self.lens, exposures, np.column_stack([directions, np.ones(n)]), self.lens.row_times(self.pixels))
        by_direction = at.by_point[:, :, :2]
        by_h = np.zeros((n, 2, 8))
        by_h[:, 0, 0:3] = by_h[:, 1, 3:6] = homogeneous / w[:, None]
        by_h[:, :, 6:8] = -directions[:, :, None] * (homogeneous[:, :2] / w[:, None])[:, None, :]
        rows = np.concatenate([by_direction @ by_h, at.by_lens, at.by_motion[:, :, :3]], axis=2)
        return rows, self.pixels - at.pixels

    def covariances(self, camera_mm: Array) -> tuple[dict[str, Array], Array]:
        """Of `PlaneView.theta`, by source; and how it follows from the errors that a home print may have."""
        rows, _ = self._rows()
        weight = self.weights / self.scale**2
        size = 1 / np.sqrt(np.diag(self.full))
        inverse = np.linalg.inv(self.full * size[:, None] * size) * size[:, None] * size
        gain = inverse @ np.einsum("nki,n->ink", rows, weight).reshape(len(inverse), -1)
        print_basis = _print_errors(self.nominal, self.page_mm)
        # a print error moves the pixels as the homography moves the page
        slopes = self._pixel_slopes()
        moved = np.einsum("nkj,bnj->bnk", slopes, print_basis).reshape(len(print_basis), -1)
        spread = gain @ moved.T
        # a point that lies high is seen further out from below the camera
        risen = np.einsum("nkj,nj->nk", slopes, (self.nominal - camera_mm[:2]) / -camera_mm[2])
        lift = np.einsum("ink,nk->in", gain.reshape(len(inverse), -1, 2), risen)
        wave = UNSURVEYED_FLATNESS_MM**2 * _wave_alike(self.nominal)
        lens, hand = np.zeros((2, len(inverse)))
        lens[8:16], hand[16:] = self.prior[:8], self.prior[8:]
        return {
            "target points": inverse @ self.normal @ inverse,
            "lens": inverse * lens @ inverse,
            "hand": inverse * hand @ inverse,
            "print survey": spread @ spread.T,
            "paper flatness": lift @ wave @ lift.T,
        }, spread

    def _pixel_slopes(self) -> Array:
        step = 1e-3
        view = self.view()
        base = view.to_image(self.nominal)
        return np.stack([(view.to_image(self.nominal + step * axis) - base) / step for axis in np.eye(2)], axis=2)


def _print_errors(nominal: Array, page_mm: Array) -> Array:
    """Errors of a home print, one standard deviation each, (basis, n, 2) mm; the same ones whatever a photo shows."""
    middle, half = (page_mm.min(axis=0) + page_mm.max(axis=0)) / 2, np.ptp(page_mm, axis=0) / 2
    x, y = (nominal - middle).T
    a, b = x / half[0], y / half[1]
    zero = np.zeros_like(x)
    basis = [
        np.column_stack([PRINT_STRETCH_SD * x, zero]),
        np.column_stack([zero, PRINT_STRETCH_SD * y]),
        np.column_stack([PRINT_SHEAR_SD * y, zero]),
    ]
    for shape in (a * a, a * b, b * b, a**3, a * a * b, a * b * b, b**3):
        basis += [np.column_stack([PRINT_LOCAL_MM * shape, zero]), np.column_stack([zero, PRINT_LOCAL_MM * shape])]
    return np.stack(basis)


def _decompose(homography: Array) -> tuple[Array, Array]:
    """Pose whose plane-to-directions map is nearest the homography."""
    scale = 2 / (np.linalg.norm(homography[:, 0]) + np.linalg.norm(homography[:, 1]))
    a, b, translation = (homography * scale).T
    u, _, vt = np.linalg.svd(np.column_stack([a, b, np.cross(a, b)]))
    rotation = u @ vt
    if translation[2] < 0:
        rotation, translation = rotation @ np.diag([-1.0, -1.0, 1.0]), -translation
    return rotation, translation
