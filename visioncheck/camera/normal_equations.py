"""Normal equations of the bundle: cameras and points, the points' 3 x 3 blocks eliminated."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import Exposures, Projection, project
from visioncheck.camera.steadiness import OWN_TERMS, Steadiness
from visioncheck.fitting.least_squares import inverse_scaled, solve_scaled

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
_SMOOTH_SD_PX = 0.1
_PAPER_SD_MM = (5.0, 5.0, 0.3)
"""How far a point may stand from its nominal place before the photos are asked, each by itself.

For all points together it lets a print's shear or stretch be 0.2°, as home prints are; less would draw what photos from
the hand leave open (0.03 to 0.06°) noticeably towards the drawing.
"""
BLOCK = 6 + OWN_TERMS


@dataclass(frozen=True)
class Observations:
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
    lens : Lens
        What all photos share.
    exposures : Exposures
        What each photo has of its own.
    points_mm : (points, 3) ndarray
    free_lens : (8,) bool ndarray
        Which lens terms are fitted.
    points_sd_mm : (3,) tuple
        Prior freedom of each point about its starting place; zeros hold the points fixed.
    steadiness : Steadiness or None
        Widths of the photos' own terms; None while one lens at rest is to serve all.
    smooth_sd_px : float
        Width of the smooth correction's coefficients.
    """

    lens: Lens
    exposures: Exposures
    points_mm: Array
    free_lens: NDArray[np.bool_]
    points_sd_mm: tuple[float, float, float] = _PAPER_SD_MM
    steadiness: Steadiness | None = None
    smooth_sd_px: float = _SMOOTH_SD_PX


def project_bundle(bundle: Bundle, seen: Observations, smooth_terms: int = 0) -> Projection:
    """Pixels of every observation under the bundle, with derivatives by `smooth_terms` terms of the correction."""
    exposures = bundle.exposures.of(seen.photo)
    times = bundle.lens.row_times(seen.xy_px)
    return project(bundle.lens, exposures, bundle.points_mm[seen.point], times, smooth_terms)


@dataclass(frozen=True)
class Step:
    """One Gauss–Newton step: of the lens (8), the smooth correction (2, m), each photo's block and the points (n, 3).

    `flat` holds the cameras' part in one column, in the order of the normal equations.
    """

    lens: Array
    smooth: Array
    poses: Array
    points: Array
    flat: Array


@dataclass(frozen=True)
class _Part:
    """What one photo adds to the normal equations: by cameras' columns, its points and both."""

    point: Ints
    hcc: Array
    gc: Array
    hcp: Array
    hpp: Array
    gp: Array


class System:
    """Normal equations of one round: cameras (lens, smooth, each photo's block) and points, the points eliminated.

    Parameters
    ----------
    bundle, start : Bundle
        Where the equations are drawn up, and where its points' prior stands.
    weights : (n,) ndarray
        Of the observations, beside their stated uncertainty times `scale`.
    """

    def __init__(self, bundle: Bundle, start: Bundle, seen: Observations, weights: Array, scale: float) -> None:
        self.smooth_terms = bundle.lens.smooth.shape[1]
        self.head = 8 + 2 * self.smooth_terms
        self.photos, self.points = len(bundle.exposures), len(bundle.points_mm)
        self.bundle, self.start = bundle, start
        self.points_free = bool(np.all(np.asarray(start.points_sd_mm) > 0))
        self.parts = self._parts(seen, weights / (seen.u_px * scale) ** 2)
        self.assemble(range(self.photos))

    def _parts(self, seen: Observations, weight: Array) -> list[_Part]:
        at = project_bundle(self.bundle, seen, self.smooth_terms)
        smooth = np.zeros((len(weight), 2, 2 * self.smooth_terms))
        smooth[:, 0, : self.smooth_terms] = smooth[:, 1, self.smooth_terms :] = at.by_smooth
        by_lens = at.by_lens * self.bundle.free_lens
        rows = np.concatenate([by_lens, smooth, at.by_pose, at.by_lens, at.by_motion], axis=2)
        residuals = seen.xy_px - at.pixels
        parts = []
        for photo in range(self.photos):
            here = seen.photo == photo
            row, by_point, w = rows[here], at.by_point[here], weight[here]
            flat, left = row.reshape(-1, row.shape[2]), np.repeat(w, 2)[:, None]
            parts.append(
                _Part(
                    seen.point[here],
                    flat.T @ (flat * left),
                    flat.T @ (residuals[here].reshape(-1, 1) * left)[:, 0],
                    np.einsum("nki,nkj,n->nij", row, by_point, w, optimize=True),
                    np.einsum("nki,nkj,n->nij", by_point, by_point, w),
                    np.einsum("nki,nk,n->ni", by_point, residuals[here], w),
                )
            )
        return parts

    def assemble(self, photos: range | list[int]) -> None:
        """Add up these photos and the priors."""
        head, size = self.head, self.head + BLOCK * self.photos
        self._inverse: Array | None = None
        self.hcc, self.gc = np.zeros((size, size)), np.zeros(size)
        self.hcp = np.zeros((self.points, size, 3))
        self.hpp, self.gp = np.zeros((self.points, 3, 3)), np.zeros((self.points, 3))
        for photo in photos:
            part = self.parts[photo]
            block = slice(head + BLOCK * photo, head + BLOCK * (photo + 1))
            self.hcc[:head, :head] += part.hcc[:head, :head]
            self.hcc[block, block] = part.hcc[head:, head:]
            self.hcc[:head, block] = part.hcc[:head, head:]
            self.hcc[block, :head] = part.hcc[head:, :head]
            self.gc[:head] += part.gc[:head]
            self.gc[block] = part.gc[head:]
            self.hcp[part.point, :head] += part.hcp[:, :head]
            self.hcp[part.point, block] = part.hcp[:, head:]
            self.hpp[part.point] += part.hpp
            self.gp[part.point] += part.gp
        self._priors()

    def _priors(self) -> None:
        bundle, start = self.bundle, self.start
        precision = np.zeros(len(self.gc))
        place = np.zeros(len(self.gc))
        held_terms = np.flatnonzero(~bundle.free_lens)
        precision[held_terms] = 1e12
        precision[8 : self.head] = 1 / bundle.smooth_sd_px**2
        place[8 : self.head] = bundle.lens.smooth.ravel()
        blocks = precision[self.head :].reshape(-1, BLOCK)
        blocks[:, 6:] = 1e12 if bundle.steadiness is None else 1 / bundle.steadiness.own_sd**2
        place[self.head :].reshape(-1, BLOCK)[:, 6:] = bundle.exposures.own
        self.precision = precision
        self.hcc[np.diag_indices(len(precision))] += precision
        self.gc -= precision * place
        if self.points_free:
            paper = 1 / np.asarray(start.points_sd_mm) ** 2
            self.hpp += np.diag(paper)
            self.gp -= paper * (bundle.points_mm - start.points_mm)

    def with_steadiness(self, steadiness: Steadiness) -> System:
        """The same photos, had they been taken so."""
        other = copy(self)
        other.bundle = replace(self.bundle, steadiness=steadiness)
        other.assemble(range(self.photos))
        return other

    def without(self, photo: int) -> System:
        """The same photos but one."""
        other = copy(self)
        other.assemble([which for which in range(self.photos) if which != photo])
        pose = self.head + BLOCK * photo + np.arange(6)
        other.hcc[pose, pose] = 1.0  # of which nothing is known now
        return other

    def _reduced(self) -> tuple[Array, Array]:
        if not self.points_free:
            return self.hcc, np.zeros((self.points, self.hcc.shape[0], 3))
        eliminated = self.hcp @ np.linalg.inv(self.hpp)
        flat = eliminated.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        other = self.hcp.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        return self.hcc - flat @ other.T, eliminated

    def solve(self) -> Step:
        """Gauss and Newton's step."""
        reduced, eliminated = self._reduced()
        right = self.gc - np.einsum("pci,pi->c", eliminated, self.gp) if self.points_free else self.gc
        try:
            step = solve_scaled(reduced, right)
        except np.linalg.LinAlgError as error:
            raise ValueError("the photos do not determine the camera") from error
        points = np.zeros((self.points, 3))
        if self.points_free:
            points = np.linalg.solve(self.hpp, (self.gp - np.einsum("pci,c->pi", self.hcp, step))[..., None])[..., 0]
        m = self.smooth_terms
        return Step(step[:8], step[8 : 8 + 2 * m].reshape(2, m), step[self.head :].reshape(-1, BLOCK), points, step)

    def inverse(self) -> Array:
        """Covariance of the cameras' columns, the points' uncertainty in it."""
        if self._inverse is None:
            reduced, _ = self._reduced()
            self._inverse = inverse_scaled(reduced)
        return self._inverse

    def shift(self, step: Step) -> float:
        """Return how far a step goes, in the lens's and the photos' own standard uncertainties, at most."""
        free = self.precision < 1e11
        return float(np.max(np.abs(step.flat)[free] / np.sqrt(np.diag(self.inverse())[free])))

    @property
    def decided(self) -> float:
        """How many numbers the data decide, as against the priors; of the points all three coordinates count."""
        taken = 1 - self.precision * np.diag(self.inverse())
        return float(np.sum(np.clip(taken, 0, 1))) + (3.0 * self.points - 7 if self.points_free else 0.0)

    def covariance(self) -> Array:
        """Of the lens's terms and the points, (8 + 3 points) square."""
        cameras = self.inverse()
        if not self.points_free:
            return cameras[:8, :8]
        _, eliminated = self._reduced()
        flat = eliminated.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        cross = -cameras @ flat
        points = -flat.T @ cross
        inverse = np.linalg.inv(self.hpp)
        for p in range(self.points):
            points[3 * p : 3 * p + 3, 3 * p : 3 * p + 3] += inverse[p]
        return np.block([[cameras[:8, :8], cross[:8]], [cross[:8].T, points]])
