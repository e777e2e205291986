"""Straight lines and parabolas through points: ordinary fits, and the robust fit of an edge's stations."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from visioncheck.quantity import Quantity

Floats = NDArray[np.float64]

_TUKEY_C = 4.685  # 95 % efficiency for normal noise (Holland, P. W. and Welsch, R. E. 1977)
_MAD_TO_SD = 1.4826
_BLOCKS = 64
_MAX_ROUNDS = 60
_DEGREES = 40
_FIRST_FREE = 3
_MODEL_STATIONS = 400
_CORRELATIONS = np.geomspace(0.002, 0.15, 12)
"""Of roughness, as parts of the edge's length. Beyond that it is form rather than roughness."""
_ROUGH_SHARES = (0.3, 0.6, 0.8, 0.9, 0.96, 1.0)
"""Of the slow unrest's power; the rest is white."""


@dataclass(frozen=True, slots=True, eq=False)
class PolynomialFit:
    """Least squares of ``y = b0 + b1 x + …`` (or without b0).

    Parameters
    ----------
    coefficients : (p,) array
        In rising powers of x; through the origin the first stands for x itself.
    inverse_normal : (p, p) array
        Their covariance for a point of weight 1 and standard deviation 1.
    residual_sd : float
        Standard deviation of the residuals (of a point of weight 1), in y's unit.
    rss : float
        Weighted sum of squared residuals.
    r_squared : float
        Share of the variation explained; about the mean, or about zero through the origin.
    dof : int
        Points less parameters.
    first_power : int
        0, or 1 through the origin.
    """

    coefficients: Floats
    inverse_normal: Floats
    residual_sd: float
    rss: float
    r_squared: float
    dof: int
    first_power: int

    @property
    def covariance(self) -> Floats:
        """Of the coefficients, (p, p), scaled by the residuals."""
        return self.residual_sd**2 * self.inverse_normal

    @property
    def sd(self) -> Floats:
        """Standard uncertainties of the coefficients, (p,)."""
        return np.sqrt(np.diag(self.covariance))

    def at(self, x: float) -> tuple[float, float]:
        """Value of the fitted curve at `x` and its standard uncertainty, correlations kept."""
        basis = x ** np.arange(self.first_power, self.first_power + self.coefficients.size, dtype=float)
        return float(basis @ self.coefficients), math.sqrt(float(basis @ self.covariance @ basis))


def fit_polynomial(
    x: ArrayLike, y: ArrayLike, degree: int, *, weights: ArrayLike | None = None, through_origin: bool = False
) -> PolynomialFit:
    """Fit a polynomial by least squares.

    The abscissae are centred and scaled before the orthogonal factorisation and the coefficients
    carried back afterwards: raw powers of x lose most of their digits.

    Parameters
    ----------
    x, y : (n,) array_like
        The points.
    degree : int
        Highest power of x.
    weights : (n,) array_like, optional
        Inverse variances up to a common factor; without them all 1.
    through_origin : bool
        Leave the constant out (and x uncentred, as it must be then).

    Raises
    ------
    ValueError
        With fewer distinct abscissae than parameters or no degree of freedom left.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    first = 1 if through_origin else 0
    parameters = degree + 1 - first
    if x.size <= parameters or np.unique(x).size < parameters:
        raise ValueError(f"{x.size} points do not support {parameters} parameters")
    centre = 0.0 if through_origin else float(x.mean())
    scale = float(np.abs(x - centre).max())
    root_weight = np.ones_like(x) if weights is None else np.sqrt(np.asarray(weights, float))
    design = root_weight[:, None] * ((x - centre) / scale)[:, None] ** np.arange(first, degree + 1)
    seen = root_weight * y
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    back = _carry_back(centre, scale, degree)[first:, first:]
    residuals = seen - q @ (q.T @ seen)
    rss, dof = float(residuals @ residuals), x.size - parameters
    level = 0.0 if through_origin else float(root_weight @ seen) / float(root_weight @ root_weight)
    total = float(((seen - level * root_weight) ** 2).sum())
    root = back @ inverse
    return PolynomialFit(
        coefficients=root @ (q.T @ seen),
        inverse_normal=root @ root.T,
        residual_sd=math.sqrt(rss / dof),
        rss=rss,
        r_squared=1 - rss / total if total > 0 else 1.0,
        dof=dof,
        first_power=first,
    )


def _carry_back(centre: float, scale: float, degree: int) -> Floats:
    """Matrix from coefficients of powers of ``(x − centre)/scale`` to coefficients of powers of x."""
    matrix = np.zeros((degree + 1, degree + 1))
    for power in range(degree + 1):
        for k in range(power + 1):
            matrix[k, power] = math.comb(power, k) * (-centre) ** (power - k) / scale**power
    return matrix


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
        1 for a station fully believed, 0 for one voted out.
    sigma : float
        Standard deviation of one station of mean weight, the price of the voting included.
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
    tear twice. The patch comes from the residuals' slow waves, see `_repeats`.

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
    if len(xy) < 8 or not (np.isfinite(xy).all() and np.isfinite(prior).all()):
        raise ValueError("a line needs at least 8 finite stations")
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
    offset, turn = _repeats(along, np.sqrt(prior) * influence, (0, 1), max(1.0, correlation / pitch))
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


@dataclass(frozen=True, slots=True)
class _Repeat:
    """How much the stations repeat themselves: of `mean` stations only one counts.

    What is known of it is Student's t with its `scale` and `dof`.
    """

    mean: float
    scale: float
    dof: float


def _repeats(along: Floats, influence: Floats, wanted: tuple[int, ...], at_least: float) -> tuple[_Repeat, ...]:
    """How often stations repeat themselves, for the fitted polynomial's terms of the `wanted` degrees.

    The influences are projected on Legendre polynomials over the stations that there are. The squares of the terms
    from the third degree up are each a sample of the unrest at one wavelength; the unrest at a fitted term's own
    wavelength, which the fit has taken away, follows from a model of it: white noise and exponentially
    correlated roughness, their shares and the correlation length not known, every one of a grid of them
    weighed by its likelihood (P. Whittle, *Hypothesis Testing in Time Series Analysis*, 1951; the scale after
    A. Zellner, *An Introduction to Bayesian Inference in Econometrics*, 1971). The second degree is left out: a
    bow does not turn the line, and is a reading of its own.
    """
    spread = float(np.mean(influence**2))
    degree = min(_DEGREES, along.size // 3)
    if degree - _FIRST_FREE < 6 or spread <= 0:
        return tuple(_Repeat(at_least, at_least, max(along.size / at_least - 2, 2.0)) for _ in wanted)
    x = 2 * (along - along.min()) / np.ptp(along) - 1
    # the factor's last column is the influence in the orthogonal polynomials, which need not be formed themselves
    columns = np.column_stack([np.polynomial.legendre.legvander(x, degree), influence])
    terms = np.asarray(np.linalg.qr(columns, mode="r"))[: degree + 1, -1]
    used = slice(_FIRST_FREE, degree + 1)
    count = degree + 1 - _FIRST_FREE
    found = []
    for power in wanted:
        model = _unrest_models(power)[:, used]
        variance = np.mean(terms[used] ** 2 / model, axis=1)
        likelihood = -count / 2 * np.log(variance) - np.log(model).sum(axis=1) / 2
        weight = np.exp(likelihood - likelihood.max())
        weight[0] *= len(weight) - 1  # white noise alone is held as likely beforehand as all the others together
        weight /= weight.sum()
        # each model's variance is scaled inverse chi-square; mean and second moment of the mixture give Student's t
        each = variance * count / (count - 2)
        mean, square = float(weight @ each), float(weight @ each**2) * (count - 2) / (count - 4)
        dof = 4 + 2 * mean**2 / (square - mean**2)
        scale = mean * (dof - 2) / dof
        found.append(_Repeat(max(mean / spread, at_least), max(scale / spread, at_least), dof))
    return tuple(found)


@cache
def _unrest_models(power: int) -> Floats:
    """Expected squares of the terms, (models, degrees), relative to that of the degree `power`; white noise first."""
    models = [np.ones(_DEGREES + 1)]
    for rough in _roughness():
        models += [(1 - share) + share * rough / rough[power] for share in _ROUGH_SHARES]
    return np.array(models)


@cache
def _roughness() -> Floats:
    """Expected squares of the terms for exponentially correlated roughness, (correlation lengths, degrees)."""
    x = (np.arange(_MODEL_STATIONS) + 0.5) / _MODEL_STATIONS
    basis = np.linalg.qr(np.polynomial.legendre.legvander(2 * x - 1, _DEGREES))[0]
    apart = np.abs(x[:, None] - x)
    return np.array([np.sum(basis * (np.exp(-apart / length) @ basis), axis=0) for length in _CORRELATIONS])


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
    (repeat,) = _repeats(line.along, weight * left, (2,), 1.0)
    variance = fit.rss / float(weight.sum()) * repeat.scale * float(fit.inverse_normal[2, 2])
    return Quantity(-float(fit.coefficients[2]), math.sqrt(variance), "mm", repeat.dof)
