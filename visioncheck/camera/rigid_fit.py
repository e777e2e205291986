"""One photo's view with a rig: pose, lens and motion fitted to the surveyed points."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.causes import likely_cause
from visioncheck.camera.rays import Exposures, Projection, project
from visioncheck.camera.rig import Rig
from visioncheck.camera.steadiness import held
from visioncheck.camera.view import RigidView, rotation_matrix
from visioncheck.camera.view_fit import ROUNDS, ViewFit, paper_correlation
from visioncheck.errors import Refusal
from visioncheck.fitting.least_squares import huber_weights, median_scale
from visioncheck.points.model import TargetPoints

Array = NDArray[np.float64]

TERMS = 20
"""Of a rigid view: pose (6), lens (8), motion (6)."""
_FLOOR_PX = 0.02
FLATNESS_SD_MM = 0.012
_WAVES = 12
"""Shapes of a lifted sheet that are looked for; finer ones bend no workpiece's plane."""


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
    if len(known) < checks.VIEW_LEAST_POINTS:
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
        for _ in range(ROUNDS):
            at = self._project()
            residuals = self.pixels - at.pixels
            norm = np.linalg.norm(residuals, axis=1) / self.u
            self.scale = median_scale(norm, 0.3)
            self.weights = huber_weights(norm, self.scale)
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
        if used.mean() < checks.VIEW_LEAST_USED or self.scale > checks.VIEW_WORST_SCALE:
            raise Refusal("other-rig", name, "miss", times=self.scale, cause=self._why(sheet))
        if self.lens_moved_sigma > checks.VIEW_WORST_MOVE:
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
        if abs(here / rig - 1) > checks.VIEW_SAME_FOCAL:
            return Refusal("other-rig", name, "zoom", focal_px=here, rig_focal_px=rig)
        return Refusal("other-rig", name, "moved" if own[8:].max() > own[:8].max() else "lens")

    def _why(self, sheet: NDArray[np.int64]) -> str | None:
        """Name what explains residuals that are far too large: one of `_causes`, or nothing."""
        at = self._project()
        residuals = self.pixels - at.pixels
        norm = np.linalg.norm(residuals, axis=1) / self.u
        root = np.sqrt(huber_weights(norm, self.scale)) / self.u
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
        sizes, waves = np.linalg.eigh(paper_correlation(self.spatial[:, :2]))
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
        rows = (self._rows(at) * root[:, None, None]).reshape(-1, TERMS)
        residuals = ((self.pixels - at.pixels) * root[:, None]).ravel()
        sizes, shapes = np.linalg.eigh(paper_correlation(self.spatial[:, :2]))
        waves = shapes[:, -_WAVES:] * np.sqrt(np.maximum(sizes[-_WAVES:], 0))
        lifted = ((at.by_point[:, :, 2] * root[:, None])[:, :, None] * waves[:, None, :]).reshape(-1, waves.shape[1])
        lifted -= rows @ np.linalg.solve(self.full, rows.T @ lifted)  # what pose and lens take up is not seen
        ways, reach, _ = np.linalg.svd(lifted, full_matrices=False)
        along = ways.T @ residuals
        noise = (residuals @ residuals - along @ along) / max(len(residuals) - TERMS - len(along), 1)
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
        by_points = np.einsum("nki,nkj,n->inj", self._rows(at), at.by_point, self._weight()).reshape(TERMS, -1)
        gain = np.zeros((TERMS, len(self.rig.covariance)))
        gain[:, :8] = inverse[:, 6:] @ self.prior[:, :8]
        columns = (8 + 3 * which[:, None] + np.arange(3)).ravel()
        gain[:, columns] = -inverse @ by_points
        wave = (FLATNESS_SD_MM**2 + self.lifted_mm**2) * paper_correlation(self.spatial[:, :2])
        lift = gain[:, columns[2::3]]
        held_by = inverse[:, 6:] @ self.prior
        own, moves = self.own_covariance.copy(), self.own_covariance.copy()
        own[8:, 8:] = moves[:8, :8] = 0
        to_theta = np.eye(TERMS)
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
