"""One photo's view without a rig: a plane-to-plane map from the nominal print."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import Exposures, project
from visioncheck.camera.view import PlaneView
from visioncheck.camera.view_fit import ROUNDS, ViewFit, paper_correlation
from visioncheck.errors import Refusal
from visioncheck.fitting.least_squares import huber_weights, inverse_scaled, median_scale, solve_scaled
from visioncheck.geometry import motion
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import target_layout

Array = NDArray[np.float64]

_UNSURVEYED_TURN_SD = 5e-4
"""Of a phone held in the hand, from the first row's reading to the last one's; an assumption. A shift of 0.16 mm from
400 mm above counts as a turn of 0.0004 rad."""
UNSURVEYED_FLATNESS_MM = 0.03
"""A sheet of paper as it lies, where no survey tells its shape; over the same distance; an assumption."""
PRINT_STRETCH_SD = 0.0035
PRINT_SHEAR_SD = 0.002
PRINT_LOCAL_MM = 0.05
"""An unsurveyed home print: relative stretch of x against y, shear, and smooth local error (measured prints)."""


def default_lens(width: int, height: int, focal_35mm: float | None) -> Lens:
    """A lens known from EXIF alone: the 35 mm equivalent refers to the 43.27 mm diagonal (CIPA DCG-001)."""
    diagonal = float(np.hypot(width, height))
    told = focal_35mm is not None and checks.LENS_SHORTEST_35MM <= focal_35mm <= checks.LENS_LONGEST_35MM
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
    if here.sum() < checks.VIEW_LEAST_POINTS:
        raise Refusal("few-points", name, "of a sheet", count=int(here.sum()))
    layout = target_layout(points.paper)
    nominal, pixels = layout.saddles_mm[points.index[here]], points.xy_px[here]
    lens = default_lens(width, height, focal_35mm)
    fit = _PlaneFit(lens, nominal, pixels, layout.saddles_mm)
    first = points.sheet == 0
    if sheet != 0 and first.sum() >= checks.VIEW_LEAST_POINTS:
        turn, shift = motion(fit.view().to_table(points.xy_px[first]), layout.saddles_mm[points.index[first]])
        fit = _PlaneFit(lens, nominal @ turn.T + shift, pixels, layout.saddles_mm @ turn.T + shift)
    rotation, translation = _decompose(fit.homography)
    camera = -rotation.T @ translation
    covariances, print_gain = fit.covariances(camera)
    foot, up = camera[:2], -float(camera[2])
    view = PlaneView(fit.lens, fit.homography, foot, up, covariances, print_gain=print_gain, turn=fit.turn)
    off_mm = fit.miss_px * view.height_mm / fit.lens.f_px
    if off_mm > checks.VIEW_WORST_MISS_MM:
        raise Refusal("sheet-lifted", name, off_mm=off_mm)
    tilt = float(np.degrees(np.arccos(np.clip(abs(rotation[2, 2]), -1, 1))))
    return ViewFit(view, fit.rms_px, int(np.sum(fit.weights > 0.3)), tilt)


class _PlaneFit:
    """Homography (8), lens terms (8) and turn while read (3); lens and turn held by what phones are like."""

    LENS_SD = np.array([1e-9, 1e-9, 1e-9, 0.05, 0.05, 1e-9, 1e-9, 1e-9])

    def __init__(self, lens: Lens, nominal: Array, pixels: Array, sheet_mm: Array) -> None:
        self.nominal, self.pixels, self.sheet_mm = nominal, pixels, sheet_mm
        homography, _ = cv2.findHomography(nominal, lens.directions(pixels), cv2.LMEDS)
        self.homography, self.lens, self.turn = homography / homography[2, 2], lens, np.zeros(3)
        first = lens.terms
        self.prior = 1 / np.append(self.LENS_SD, np.full(3, _UNSURVEYED_TURN_SD)) ** 2
        for _ in range(ROUNDS):
            rows, residuals = self._rows()
            norm = np.linalg.norm(residuals, axis=1)
            self.scale = median_scale(norm, 0.02)
            self.weights = huber_weights(norm, self.scale)
            weight = self.weights / self.scale**2
            self.normal = np.einsum("nki,nkj,n->ij", rows, rows, weight)
            right = np.einsum("nki,nk,n->i", rows, residuals, weight)
            right[8:] -= self.prior * np.append(self.lens.terms - first, self.turn)
            self.full = self.normal + np.diag(np.append(np.zeros(8), self.prior))
            self._move(solve_scaled(self.full, right))
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
        inverse = inverse_scaled(self.full)
        gain = inverse @ np.einsum("nki,n->ink", rows, weight).reshape(len(inverse), -1)
        print_basis = _print_errors(self.nominal, self.sheet_mm)
        # a print error moves the pixels as the homography moves the sheet
        slopes = self._pixel_slopes()
        moved = np.einsum("nkj,bnj->bnk", slopes, print_basis).reshape(len(print_basis), -1)
        spread = gain @ moved.T
        # a point that lies high is seen further out from below the camera
        risen = np.einsum("nkj,nj->nk", slopes, (self.nominal - camera_mm[:2]) / -camera_mm[2])
        lift = np.einsum("ink,nk->in", gain.reshape(len(inverse), -1, 2), risen)
        wave = UNSURVEYED_FLATNESS_MM**2 * paper_correlation(self.nominal)
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


def _print_errors(nominal: Array, sheet_mm: Array) -> Array:
    """Errors of a home print, one standard deviation each, (basis, n, 2) mm; the same ones whatever a photo shows."""
    middle, half = (sheet_mm.min(axis=0) + sheet_mm.max(axis=0)) / 2, np.ptp(sheet_mm, axis=0) / 2
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
