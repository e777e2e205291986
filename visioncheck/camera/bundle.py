"""Self-calibrating bundle adjustment of several photos of one flat target.

After B. Triggs, P. McLauchlan, R. Hartley, A. Fitzgibbon, *Bundle Adjustment: A Modern Synthesis* (2000):
Gauss–Newton on the normal equations with the points' 3 × 3 blocks eliminated first, Huber's weights. Each photo has its
pose, a lens of its own and a motion of its own; the widths of these, of the noise and of the smooth correction are
learnt from the photos with the rest (`visioncheck.camera.steadiness`).
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import Lens
from visioncheck.camera.rays import Exposures, Projection, project
from visioncheck.camera.steadiness import OWN_TERMS, Steadiness, learnt, supposed
from visioncheck.camera.view import rotation_matrix

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_HUBER = 2.5
_ROUNDS = 25
_LONGEST_LENS = 20
"""Focal length over the picture's width; a fit beyond it has run away."""
_SMOOTH_SD_PX = 0.1
_SMOOTH_PRIOR_SD_PX = 0.01
_SMOOTH_PRIOR_DOF = 2.0
"""A lens that follows the usual model, until the photos say otherwise; an assumption."""
_PAPER_SD_MM = (5.0, 5.0, 0.3)
"""How far a point may stand from its nominal place before the photos are asked, each by itself.

For all points together it lets a print's shear or stretch be 0.2°, as home prints are; less would draw what photos from
the hand leave open (0.03 to 0.06°) noticeably towards the drawing.
"""
_SETTLED = 0.04
"""Widths that change by less a round are found; their own uncertainty is a fifth at best."""
_BLOCK = 6 + OWN_TERMS


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
        Robust ratio of residuals to their stated uncertainty, what the fit has taken up allowed for.
    covariance : (8 + 3 points, 8 + 3 points) ndarray
        Of the lens's terms and the points, the gauge still in it.
    system : System
        The normal equations at the end.
    seen : Observations
    """

    bundle: Bundle
    residuals_px: Array
    weights: Array
    scale: float
    covariance: Array
    system: System
    seen: Observations


def adjust(start: Bundle, seen: Observations, learn: bool = True) -> Adjusted:
    """Fit the bundle to what was seen; `learn` the widths of the photos' own terms too.

    Raises
    ------
    ValueError
        The photos do not determine the camera (a singular system).
    """
    bundle = start
    own = bundle.steadiness is not None
    weights, scale, last = np.ones(len(seen.photo)), 1.0, np.inf
    for _ in range(_ROUNDS):
        system = System(bundle, start, seen, weights, scale)
        step = system.solve()
        bundle = _moved(bundle, step)
        if not 0 < bundle.lens.f_px < _LONGEST_LENS * bundle.lens.width:
            raise ValueError("the photos do not determine the camera")
        residuals = seen.xy_px - _project(bundle, seen).pixels
        norm = np.linalg.norm(residuals, axis=1) / seen.u_px
        scale = _noise(norm, weights, system)
        weights = np.minimum(1, _HUBER * scale / np.maximum(norm, 1e-12))
        cost = float(np.sum(np.minimum(norm, _HUBER * scale) ** 2))
        settled = abs(last - cost) < 1e-7 * cost + 1e-12
        last = cost
        if learn and own:
            before, bundle = bundle, _with_widths(bundle, system)
            settled = abs(_widths(bundle) / _widths(before) - 1).max() < _SETTLED and system.shift(step) < 2e-2
        if settled:
            break
    final = System(bundle, start, seen, weights, scale)
    return Adjusted(bundle, residuals, weights, scale, final.covariance(), final, seen)


def left_out(best: Adjusted) -> Array:
    """By how much the lens's terms and the points change when one photo is left out, (photos, 8 + 3 points)."""
    steps = [best.system.without(photo).solve() for photo in range(best.system.photos)]
    return np.stack([np.concatenate([step.lens, step.points.ravel()]) for step in steps])


def _project(bundle: Bundle, seen: Observations, smooth_terms: int = 0) -> Projection:
    exposures = bundle.exposures.of(seen.photo)
    times = bundle.lens.row_times(seen.xy_px)
    return project(bundle.lens, exposures, bundle.points_mm[seen.point], times, smooth_terms)


def _noise(norm: Array, weights: Array, system: System) -> float:
    """Ratio of the residuals to what was stated: by the median first, by the squares where the fit leaves enough."""
    median = max(float(np.median(norm)) / 1.1774, 1e-6)  # the median of a Rayleigh distance
    left = 2 * float(weights.sum()) - system.decided
    if left < 0.1 * len(norm):
        return median
    return max(float(np.sqrt(np.sum(np.minimum(norm, _HUBER * median) * norm) / left)), 1e-6)


def _widths(bundle: Bundle) -> Array:
    assert bundle.steadiness is not None
    return np.append(bundle.steadiness.own_sd, bundle.smooth_sd_px)


def _with_widths(bundle: Bundle, system: System) -> Bundle:
    lens = bundle.lens
    assert bundle.steadiness is not None
    variances = np.diag(system.inverse())
    head = system.head
    px = max(lens.width, lens.height) / 4000
    own = variances[head:].reshape(-1, _BLOCK)[:, 6:]
    steadiness = learnt(bundle.steadiness, supposed(lens.width, lens.height), bundle.exposures.own, own, px)
    smooth = variances[8:head]
    sd = bundle.smooth_sd_px
    if len(smooth):
        decided = float(np.sum(np.clip(1 - smooth / sd**2, 0, 1)))
        squares = float(np.sum(lens.smooth**2)) + _SMOOTH_PRIOR_DOF * _SMOOTH_PRIOR_SD_PX**2
        sd = float(np.clip(np.sqrt(squares / (decided + _SMOOTH_PRIOR_DOF)), sd / 4, sd * 4))
    return replace(bundle, steadiness=steadiness, smooth_sd_px=sd)


@dataclass(frozen=True)
class _Step:
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
        at = _project(self.bundle, seen, self.smooth_terms)
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
        head, size = self.head, self.head + _BLOCK * self.photos
        self._inverse: Array | None = None
        self.hcc, self.gc = np.zeros((size, size)), np.zeros(size)
        self.hcp = np.zeros((self.points, size, 3))
        self.hpp, self.gp = np.zeros((self.points, 3, 3)), np.zeros((self.points, 3))
        for photo in photos:
            part = self.parts[photo]
            block = slice(head + _BLOCK * photo, head + _BLOCK * (photo + 1))
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
        blocks = precision[self.head :].reshape(-1, _BLOCK)
        blocks[:, 6:] = 1e12 if bundle.steadiness is None else 1 / bundle.steadiness.own_sd**2
        place[self.head :].reshape(-1, _BLOCK)[:, 6:] = bundle.exposures.own
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
        pose = self.head + _BLOCK * photo + np.arange(6)
        other.hcc[pose, pose] = 1.0  # of which nothing is known now
        return other

    def _reduced(self) -> tuple[Array, Array]:
        if not self.points_free:
            return self.hcc, np.zeros((self.points, self.hcc.shape[0], 3))
        eliminated = self.hcp @ np.linalg.inv(self.hpp)
        flat = eliminated.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        other = self.hcp.transpose(1, 0, 2).reshape(len(self.hcc), -1)
        return self.hcc - flat @ other.T, eliminated

    def solve(self) -> _Step:
        """Gauss and Newton's step."""
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
        return _Step(step[:8], step[8 : 8 + 2 * m].reshape(2, m), step[self.head :].reshape(-1, _BLOCK), points, step)

    def inverse(self) -> Array:
        """Covariance of the cameras' columns, the points' uncertainty in it."""
        if self._inverse is None:
            reduced, _ = self._reduced()
            scale = 1 / np.sqrt(np.maximum(np.diag(reduced), 1e-12))
            self._inverse = np.linalg.inv(reduced * scale[:, None] * scale) * scale[:, None] * scale
        return self._inverse

    def shift(self, step: _Step) -> float:
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


def _moved(bundle: Bundle, step: _Step) -> Bundle:
    turns = np.stack([rotation_matrix(pose[:3]) for pose in step.poses])
    lens = replace(bundle.lens, terms=bundle.lens.terms + step.lens, smooth=bundle.lens.smooth + step.smooth)
    old = bundle.exposures
    exposures = Exposures(
        turns @ old.rotations,
        old.translations_mm + step.poses[:, 3:6],
        old.own_lens + step.poses[:, 6:14],
        old.motions + step.poses[:, 14:],
    )
    return replace(bundle, lens=lens, exposures=exposures, points_mm=bundle.points_mm + step.points)
