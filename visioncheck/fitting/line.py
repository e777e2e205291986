"""Straight lines through rough edges: the robust fit of an edge's stations, and the bow that it leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from visioncheck import checks
from visioncheck.fitting.polynomial import Floats, fit_polynomial
from visioncheck.fitting.roughness import stations_in_one_patch
from visioncheck.quantity import Quantity

_TUKEY_C = 4.685  # 95 % efficiency for normal noise (Holland, P. W. and Welsch, R. E. 1977)
_MAD_TO_SD = 1.4826
_BLOCKS = 64
_MAX_ROUNDS = 60


@dataclass(frozen=True, slots=True, eq=False)
class FittedLine:
    """A straight line through an edge's stations.

    Angles turn from the frame's x axis towards its y axis; the normal is the direction turned by +90°
    in that sense. Lengths are in the unit of the points.

    Parameters
    ----------
    point : (2,) array
        A point on the line, near the middle of the stations.
    angle_rad : float
        Direction from the first station towards the last.
    covariance : (2, 2) array
        Of (offset of the line along its normal at `point`, angle in rad); offset and angle correlate little.
    along : (n,) array
        Position of each station along the line from `point`.
    residuals : (n,) array
        Distance of each station from the line, along the normal.
    robust_weight : (n,) array
        1 for a station of full weight, 0 for one rejected.
    sigma : float
        Standard deviation of one station of mean weight, the loss by down-weighting included.
    correlation_length : float
        Length of edge over which the residuals repeat themselves; at least one station pitch.
    dof : float
        Of the covariance, from the number of independent patches.
    """

    point: Floats
    angle_rad: float
    covariance: Floats
    along: Floats
    residuals: Floats
    robust_weight: Floats
    sigma: float
    correlation_length: float
    dof: float

    @property
    def direction(self) -> Floats:
        """Unit vector along the line, (2,)."""
        return np.array([math.cos(self.angle_rad), math.sin(self.angle_rad)])

    @property
    def normal(self) -> Floats:
        """Unit vector across the line, (2,)."""
        return np.array([-math.sin(self.angle_rad), math.cos(self.angle_rad)])

    @property
    def length(self) -> float:
        """Distance between the outermost stations."""
        return float(np.ptp(self.along))


def fit_line(points: ArrayLike, weights: ArrayLike | None = None, correlation: float = 0.0) -> FittedLine:
    """Fit a line to an edge's stations by robust total least squares.

    Starts from Siegel's repeated median over block medians (Siegel, A. F., *Robust regression using repeated
    medians*, 1982), which stands nearly half of the edge being torn, then reweights with Tukey's biweight.
    The covariance is that of an M-estimator (Huber, P. J., *Robust Statistics*, 1981, 7.6), multiplied by the
    number of stations in one independent patch: wood does not become better known by reading the same
    tear twice. The patch comes from the residuals' slow waves, see `stations_in_one_patch`.

    Parameters
    ----------
    points : (n, 2) array_like
        Stations, in any frame and unit, in any order along the edge; n at least 8.
    weights : (n,) array_like, optional
        Inverse variances up to a common factor.
    correlation : float
        Smallest correlation length to believe, in the unit of the points (such as the blur that
        neighbouring stations share).

    Raises
    ------
    ValueError
        With fewer than 8 stations, numbers that are not finite, or all stations in one place.
    """
    xy = np.asarray(points, float)
    prior = np.ones(len(xy)) if weights is None else np.asarray(weights, float)
    if len(xy) < checks.LINE_LEAST_STATIONS or not (np.isfinite(xy).all() and np.isfinite(prior).all()):
        raise ValueError(f"a line needs at least {checks.LINE_LEAST_STATIONS} finite stations")
    if not (prior > 0).any() or np.ptp(xy, axis=0).max() <= 0:
        raise ValueError("the stations have no weight or no length")
    prior = prior / prior.mean()
    angle, point = repeated_median_line(xy)
    for _ in range(_MAX_ROUNDS):
        along, across = _in_line_frame(xy, angle, point)
        scale = _spread(across * np.sqrt(prior), np.ptp(along))
        robust = _tukey_weight(across * np.sqrt(prior) / scale)
        new_angle, point = _weighted_principal_axis(xy, prior * robust, angle)
        step = abs(new_angle - angle) * float(np.ptp(along))
        angle = new_angle
        if step < 1e-6 * scale:
            break
    along, across = _in_line_frame(xy, angle, point)
    return _with_covariance((angle, point), along, across, prior, scale=scale, correlation=correlation)


def repeated_median_line(xy: Floats) -> tuple[float, Floats]:
    """Angle, rad, and a point of the repeated-median line over the medians of up to 64 blocks of points (n, 2).

    After A. F. Siegel, *Robust regression using repeated medians* (1982).
    """
    axis = np.linalg.eigh(np.cov(xy.T))[1][:, -1]
    if axis @ (xy[-1] - xy[0]) < 0:
        axis = -axis
    angle, middle = math.atan2(axis[1], axis[0]), np.median(xy, axis=0)
    along, across = _in_line_frame(xy, angle, middle)
    order = np.argsort(along, kind="stable")
    t, d = _block_medians(along[order]), _block_medians(across[order])
    run = t[:, None] - t[None, :]
    rise = d[:, None] - d[None, :]
    apart = np.abs(run) > 1e-12 * np.ptp(along)
    slopes = np.divide(rise, run, out=np.full_like(run, np.nan), where=apart)
    slope = float(np.median(_row_medians(slopes[apart.any(axis=1)])))
    offset = float(np.median(across - slope * along))
    return angle + math.atan(slope), middle + offset * np.array([-math.sin(angle), math.cos(angle)])


def _block_medians(values: Floats) -> Floats:
    """Medians of up to 64 runs of nearly equal length."""
    count = min(_BLOCKS, values.size)
    length, longer = divmod(values.size, count)
    at = longer * (length + 1)
    parts = (values[:at].reshape(longer, length + 1), values[at:].reshape(count - longer, length))
    return np.concatenate([np.median(part, axis=1) for part in parts if part.size])


def _row_medians(rows: Floats) -> Floats:
    """Medians of rows without their NaN; every row has a number."""
    ordered = np.sort(rows, axis=1)  # NaN come last
    last = np.count_nonzero(np.isfinite(rows), axis=1) - 1
    row = np.arange(len(rows))
    return np.asarray((ordered[row, last // 2] + ordered[row, (last + 1) // 2]) / 2)


def _in_line_frame(xy: Floats, angle: float, point: Floats) -> tuple[Floats, Floats]:
    dx, dy = (xy - point).T
    c, s = math.cos(angle), math.sin(angle)
    return c * dx + s * dy, c * dy - s * dx


def _spread(standardised: Floats, length: float) -> float:
    # a floor far below any real edge keeps exact data from dividing by zero
    return max(_MAD_TO_SD * float(np.median(np.abs(standardised))), 1e-12 * float(length))


def _tukey_weight(u: Floats) -> Floats:
    inside = np.clip(1 - (u / _TUKEY_C) ** 2, 0, None)
    return inside * inside


def _weighted_principal_axis(xy: Floats, weight: Floats, near: float) -> tuple[float, Floats]:
    """Total least squares: the direction of largest weighted scatter, the way round that lies near `near`."""
    point = weight @ xy / weight.sum()
    along, across = _in_line_frame(xy, near, point)
    turn = 0.5 * math.atan2(2 * float(weight @ (along * across)), float(weight @ (along**2 - across**2)))
    return near + turn, point


def _with_covariance(
    place: tuple[float, Floats], along: Floats, across: Floats, prior: Floats, *, scale: float, correlation: float
) -> FittedLine:
    angle, point = place
    u = across * np.sqrt(prior) / scale
    robust = _tukey_weight(u)
    influence = u * robust
    slope_of_influence = np.where(np.abs(u) < _TUKEY_C, (1 - (u / _TUKEY_C) ** 2) * (1 - 5 * (u / _TUKEY_C) ** 2), 0)
    basis = np.stack([np.ones_like(along), along], axis=1)
    bread = np.linalg.inv(basis.T @ (basis * (prior * slope_of_influence)[:, None]))
    filling = basis.T @ (basis * (prior * influence**2)[:, None])
    pitch = _pitch(along)
    offset, turn = stations_in_one_patch(along, np.sqrt(prior) * influence, (0, 1), max(1.0, correlation / pitch))
    repeats = np.sqrt([offset.scale, turn.scale])
    return FittedLine(
        point=point,
        angle_rad=math.remainder(angle, math.tau),
        covariance=scale**2 * np.outer(repeats, repeats) * (bread @ filling @ bread),
        along=along,
        residuals=across,
        robust_weight=robust,
        sigma=scale * math.sqrt(float(np.mean(influence**2))) / float(np.mean(slope_of_influence)),
        correlation_length=turn.mean * pitch,
        dof=turn.dof,
    )


def _pitch(along: Floats) -> float:
    return max(float(np.median(np.diff(np.sort(along)))), float(np.ptp(along)) / (8 * along.size))


def bow(line: FittedLine) -> Quantity:
    """How far the middle of an edge stands off its ends' chord: the sagitta of a parabola through the residuals.

    Positive when the middle lies on the side that the normal points to. Its uncertainty keeps the
    correlation of what the parabola leaves over.
    """
    x, weight = line.along / (line.length / 2), line.robust_weight
    fit = fit_polynomial(x, line.residuals, 2, weights=weight)
    left = line.residuals - np.polynomial.polynomial.polyval(x, fit.coefficients)
    (repeat,) = stations_in_one_patch(line.along, weight * left, (2,), 1.0)
    variance = fit.rss / float(weight.sum()) * repeat.scale * float(fit.inverse_normal[2, 2])
    return Quantity(-float(fit.coefficients[2]), math.sqrt(variance), "mm", repeat.dof)
