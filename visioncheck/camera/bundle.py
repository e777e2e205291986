"""Self-calibrating bundle adjustment of several photos of one flat target.

After B. Triggs, P. McLauchlan, R. Hartley, A. Fitzgibbon, *Bundle Adjustment: A Modern Synthesis* (2000):
Gauss–Newton on the normal equations with the points' 3 × 3 blocks eliminated first, Huber's weights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import project
from visioncheck.camera.view import rotation_matrix

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_HUBER = 2.5
_ROUNDS = 25
_LONGEST_LENS = 20
"""Focal length over the picture's width; a fit beyond it has run away."""
_SMOOTH_SD_PX = 0.1
_PAPER_SD_MM = (2.0, 2.0, 0.3)
"""How far a point may stand from its nominal place before the photos are asked: only the gauge needs it."""


@dataclass(frozen=True)
class Sightings:
    """Which photo saw which point where: (n,) photo, (n,) point, (n, 2) px, (n,) px."""

    photo: Ints
    point: Ints
    xy_px: Array
    u_px: Array


@dataclass(frozen=True)
class Bundle:
    """Everything the bundle fits.

    Attributes
    ----------
    rotations : (photos, 3, 3) ndarray
    translations_mm : (photos, 3) ndarray
    points_mm : (points, 3) ndarray
    free_lens : (8,) bool ndarray
        Which lens terms are fitted.
    points_sd_mm : (3,) tuple
        Prior freedom of each point about its starting place; zeros hold the points fixed.
    """

    lens: Lens
    rotations: Array
    translations_mm: Array
    points_mm: Array
    free_lens: NDArray[np.bool_]
    points_sd_mm: tuple[float, float, float] = _PAPER_SD_MM


@dataclass(frozen=True)
class Adjusted:
    """The fitted bundle.

    Attributes
    ----------
    bundle : Bundle
    residuals_px : (n, 2) ndarray
    weights : (n,) ndarray
        Huber's, 0 … 1.
    scale : float
        Robust ratio of residuals to their stated uncertainty.
    covariance : (8 + 3 points, 8 + 3 points) ndarray
        Of the lens's terms and the points, the gauge still in it.
    """

    bundle: Bundle
    residuals_px: Array
    weights: Array
    scale: float
    covariance: Array


def adjust(start: Bundle, seen: Sightings) -> Adjusted:
    """Fit the bundle to what was seen.

    Raises
    ------
    ValueError
        The photos do not determine the camera (a singular system).
    """
    bundle = start
    weights = np.ones(len(seen.photo))
    last = np.inf
    for _ in range(_ROUNDS):
        system = _System(bundle, start, seen, weights)
        step = system.solve()
        bundle = _moved(bundle, step)
        if not 0 < bundle.lens.f_px < _LONGEST_LENS * bundle.lens.width:
            raise ValueError("the photos do not determine the camera")
        residuals = seen.xy_px - _pixels(bundle, seen)
        norm = np.linalg.norm(residuals, axis=1) / seen.u_px
        scale = max(float(np.median(norm)) / 1.1774, 1e-6)  # the median of a Rayleigh distance
        weights = np.minimum(1, _HUBER * scale / np.maximum(norm, 1e-12))
        cost = float(np.sum(np.minimum(norm, _HUBER * scale) ** 2))
        if abs(last - cost) < 1e-7 * cost + 1e-12:
            break
        last = cost
    final = _System(bundle, start, seen, weights)
    return Adjusted(bundle, residuals, weights, scale, final.covariance() * max(scale, 1.0) ** 2)


def _pixels(bundle: Bundle, seen: Sightings) -> Array:
    return project(
        bundle.lens, bundle.rotations[seen.photo], bundle.translations_mm[seen.photo], bundle.points_mm[seen.point]
    ).pixels


@dataclass(frozen=True)
class _Step:
    lens: Array
    smooth: Array
    poses: Array
    points: Array


class _System:
    """Normal equations of one round: cameras (lens, smooth, poses) and points, the points eliminated."""

    def __init__(self, bundle: Bundle, start: Bundle, seen: Sightings, weights: Array) -> None:
        self.smooth_terms = bundle.lens.smooth.shape[1]
        self.photos, self.points = len(bundle.rotations), len(bundle.points_mm)
        at = project(
            bundle.lens,
            bundle.rotations[seen.photo],
            bundle.translations_mm[seen.photo],
            bundle.points_mm[seen.point],
            self.smooth_terms,
        )
        weight = weights / seen.u_px**2
        residuals = seen.xy_px - at.pixels
        fixed = self._fixed_columns(at.by_lens, at.by_smooth)
        head = fixed.shape[2]
        size = head + 6 * self.photos
        self.head = head
        weighted = np.concatenate([fixed, at.by_pose], axis=2) * weight[:, None, None]
        hcc = np.zeros((size, size))
        gc = np.zeros(size)
        hcc[:head, :head] = np.einsum("nki,nkj->ij", weighted[:, :, :head], fixed)
        gc[:head] = np.einsum("nki,nk->i", weighted[:, :, :head], residuals)
        self.hcp = np.zeros((self.points, size, 3))
        self.hpp = np.zeros((self.points, 3, 3))
        gp = np.zeros((self.points, 3))
        np.add.at(self.hpp, seen.point, np.einsum("nki,nkj,n->nij", at.by_point, at.by_point, weight))
        np.add.at(gp, seen.point, np.einsum("nki,nk,n->ni", at.by_point, residuals, weight))
        cross = np.einsum("nki,nkj->nij", weighted, at.by_point)
        np.add.at(self.hcp, seen.point, np.pad(cross[:, :head], ((0, 0), (0, size - head), (0, 0))))
        for photo in range(self.photos):
            here = seen.photo == photo
            block = slice(head + 6 * photo, head + 6 * photo + 6)
            pose = weighted[here][:, :, head:]
            hcc[block, block] = np.einsum("nki,nkj->ij", pose, at.by_pose[here])
            hcc[:head, block] = np.einsum("nki,nkj->ij", fixed[here], pose)
            hcc[block, :head] = hcc[:head, block].T
            gc[block] = np.einsum("nki,nk->i", pose, residuals[here])
            self.hcp[seen.point[here], block] += cross[here][:, head:]
        self._priors(bundle, start, hcc, gc, gp)
        self.hcc, self.gc, self.gp = hcc, gc, gp

    def _fixed_columns(self, by_lens: Array, by_smooth: Array) -> Array:
        m = self.smooth_terms
        smooth = np.zeros((len(by_lens), 2, 2 * m))
        smooth[:, 0, :m] = smooth[:, 1, m:] = by_smooth
        return np.concatenate([by_lens, smooth], axis=2)

    def _priors(self, bundle: Bundle, start: Bundle, hcc: Array, gc: Array, gp: Array) -> None:
        held = np.flatnonzero(~bundle.free_lens)
        hcc[held, :] = hcc[:, held] = 0
        self.hcp[:, held] = 0
        hcc[held, held] = 1e12
        gc[held] = 0
        flat = slice(8, self.head)
        index = np.arange(8, self.head)
        hcc[index, index] += 1 / _SMOOTH_SD_PX**2
        gc[flat] -= bundle.lens.smooth.ravel() / _SMOOTH_SD_PX**2
        sd = np.asarray(start.points_sd_mm)
        self.points_free = bool(np.all(sd > 0))
        if self.points_free:
            precision = 1 / sd**2
            self.hpp += np.diag(precision)
            gp -= precision * (bundle.points_mm - start.points_mm)

    def _reduced(self) -> tuple[Array, Array]:
        if not self.points_free:
            return self.hcc, np.zeros((self.points, self.hcc.shape[0], 3))
        eliminated = self.hcp @ np.linalg.inv(self.hpp)
        flat = eliminated.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        other = self.hcp.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        return self.hcc - flat @ other.T, eliminated

    def solve(self) -> _Step:
        reduced, eliminated = self._reduced()
        scale = 1 / np.sqrt(np.maximum(np.diag(reduced), 1e-12))
        right = self.gc - np.einsum("pci,pi->c", eliminated, self.gp) if self.points_free else self.gc
        try:
            step = scale * np.linalg.solve(reduced * scale[:, None] * scale, right * scale)
        except np.linalg.LinAlgError as error:
            raise ValueError("the photos do not determine the camera") from error
        points = np.zeros((self.points, 3))
        if self.points_free:
            points = np.linalg.solve(self.hpp, (self.gp - np.einsum("pci,c->pi", self.hcp, step))[..., None])[..., 0]
        m = self.smooth_terms
        return _Step(step[:8], step[8 : 8 + 2 * m].reshape(2, m), step[self.head :].reshape(-1, 6), points)

    def covariance(self) -> Array:
        """Of the lens's terms and the points, (8 + 3 points) square."""
        reduced, eliminated = self._reduced()
        scale = 1 / np.sqrt(np.maximum(np.diag(reduced), 1e-12))
        cameras = np.linalg.inv(reduced * scale[:, None] * scale) * scale[:, None] * scale
        if not self.points_free:
            return cameras[:8, :8]
        flat = eliminated.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        cross = -cameras @ flat
        points = -flat.T @ cross
        inverse = np.linalg.inv(self.hpp)
        for p in range(self.points):
            points[3 * p : 3 * p + 3, 3 * p : 3 * p + 3] += inverse[p]
        return np.block([[cameras[:8, :8], cross[:8]], [cross[:8].T, points]])


def _moved(bundle: Bundle, step: _Step) -> Bundle:
    turns = np.stack([rotation_matrix(pose[:3]) for pose in step.poses])
    lens = replace(bundle.lens, terms=bundle.lens.terms + step.lens, smooth=bundle.lens.smooth + step.smooth)
    return replace(
        bundle,
        lens=lens,
        rotations=turns @ bundle.rotations,
        translations_mm=bundle.translations_mm + step.poses[:, 3:],
        points_mm=bundle.points_mm + step.points,
    )
