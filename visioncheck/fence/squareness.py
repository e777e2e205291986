"""What several readings on one test piece say together: a taper from two widths, a panel from its four corners.

Nothing here has a sign that depends on the saw; `visioncheck.fence.signs` gives it one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from visioncheck.quantity import Quantity
from visioncheck.reading.model import PanelFit

Floats = NDArray[np.float64]

_RIGHT_ANGLE = 90.0
# below this an angle's standard uncertainty (degrees) means "exactly tied", as four lines of one photo are by closure
_TIED_DEG = 1e-5


def taper_from_widths(widths_mm: ArrayLike, covariance_mm2: ArrayLike, length: Quantity) -> Quantity:
    """Taper angle of a strip from two widths.

    Parameters
    ----------
    widths_mm : (2,) array_like
        At the rear and at the front end.
    covariance_mm2 : (2, 2) array_like
        Of the widths: what both share, such as a zero error of the callipers, cancels.
    length : Quantity
        Distance between the two places, mm.

    Returns
    -------
    Quantity
        In degrees, positive where the rear end is the wider.
    """
    rear, front = np.asarray(widths_mm, float)
    covariance = np.asarray(covariance_mm2, float)
    ratio = float(rear - front) / length.value
    variance = float(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]) + (ratio * length.u) ** 2
    u_rad = math.sqrt(max(variance, 0.0)) / length.value / (1 + ratio**2)
    return Quantity(math.degrees(math.atan(ratio)), math.degrees(u_rad), "deg", length.dof)


def fit_panel(
    angles_deg: ArrayLike,
    covariance_deg2: ArrayLike,
    *,
    shear: bool = True,
    dof: float = math.inf,
) -> PanelFit:
    """What the fence error adds to the four corners of a panel cut all round, by generalised least squares.

    Model: ``90 + a·(1, 1, 1, −3) + s·(1, −1, 1, −1)``. The closing corner takes −3 a because the four sum to
    360°; an affine error of the sheet opens and closes neighbouring corners in turn, so one photo
    separates the two.

    Parameters
    ----------
    angles_deg : (4,) array_like
        Corners in the order cut: first and second cut, second and third, third and fourth, closing corner.
    covariance_deg2 : (4, 4) array_like
        Their covariance. Singular where the four come from four lines and so close exactly.
    shear : bool
        Fit the affine term s as well.
    dof : float
        Degrees of freedom of the covariance.
    """
    from scipy.special import chdtrc  # lazy: kept off the path of --help

    angles, covariance = np.asarray(angles_deg, float), np.asarray(covariance_deg2, float)
    columns = [np.array([1.0, 1.0, 1.0, -3.0])]
    columns += [np.array([1.0, -1.0, 1.0, -1.0])] if shear else []
    design = np.stack(columns, axis=1)
    rank = int((np.linalg.eigvalsh(covariance) > _TIED_DEG**2).sum())
    weight = np.linalg.inv(covariance + (_TIED_DEG / 10) ** 2 * np.eye(4))
    parameter_covariance = np.linalg.inv(design.T @ weight @ design)
    deviation = angles - _RIGHT_ANGLE
    gain = parameter_covariance @ design.T @ weight
    estimate = gain @ deviation
    residuals = deviation - design @ estimate
    chi2 = float(residuals @ weight @ residuals)
    chi2_dof = max(rank - design.shape[1], 0)
    sd = np.sqrt(np.diag(parameter_covariance))
    return PanelFit(
        opening=Quantity(float(estimate[0]), float(sd[0]), "deg", dof),
        shear=Quantity(float(estimate[1]), float(sd[1]), "deg", dof) if shear else None,
        opening_shear_covariance=float(parameter_covariance[0, 1]) if shear else 0.0,
        weights=gain[0],
        residuals_deg=residuals,
        chi2=chi2,
        chi2_dof=chi2_dof,
        probability=float(chdtrc(chi2_dof, chi2)) if chi2_dof else 1.0,
        closure=Quantity(float(angles.sum() - 360), math.sqrt(max(float(covariance.sum()), 0.0)), "deg", dof),
    )


@dataclass(frozen=True, slots=True, eq=False)
class OrderWeights:
    """The four possible orders of a panel's cuts, weighed by how well each fits.

    Parameters
    ----------
    fits : tuple of 4 PanelFit
        Entry k takes corner k as the closing one.
    probability : (4,) array
        Of each, all four held equally likely beforehand.
    opening : Quantity
        The panel's opening averaged over the orders; its uncertainty includes that the order is not known.
    """

    fits: tuple[PanelFit, ...]
    probability: Floats
    opening: Quantity

    @property
    def best(self) -> int:
        """Index of the closing corner that fits best."""
        return int(np.argmax(self.probability))

    def settled(self, level: float = 0.99) -> bool:
        """Whether one order stands out by at least `level`; otherwise they cannot be told apart."""
        return bool(self.probability.max() >= level)


def weigh_orders(
    angles_deg: ArrayLike,
    covariance_deg2: ArrayLike,
    *,
    shear_u_deg: float = 0.0,
    dof: float = math.inf,
) -> OrderWeights:
    """Fit a panel whose first cut is not known, in each of the four possible orders.

    The sheet's affine term cannot be left free here. With one corner closing and the opposite one,
    ``(1, 1, 1, −3) = −(1, −3, 1, 1) + 2·(1, −1, 1, −1)``: the opposite corner, the opposite sign and
    a shear of twice the size fit exactly as well. Only what is known about the shear tells them apart.

    Parameters
    ----------
    angles_deg : (4,) array_like
        The corners one after another around the panel, from any, either way round (which corner closes
        is all that matters).
    covariance_deg2 : (4, 4) array_like
        Their covariance.
    dof
        As for `fit_panel`.
    shear_u_deg : float
        Standard uncertainty of the sheet's affine term s, as far as the covariance does not hold it already.
    """
    angles = np.asarray(angles_deg, float)
    alternate = np.array([1.0, -1.0, 1.0, -1.0])
    covariance = np.asarray(covariance_deg2, float) + shear_u_deg**2 * np.outer(alternate, alternate)
    fits = []
    for closing in range(4):
        order = [(closing + 1 + k) % 4 for k in range(4)]
        fits.append(fit_panel(angles[order], covariance[np.ix_(order, order)], shear=False, dof=dof))
    chi2 = np.array([fit.chi2 for fit in fits])
    probability = np.exp(-(chi2 - chi2.min()) / 2)
    probability /= probability.sum()
    values = np.array([fit.opening.value for fit in fits])
    us = np.array([fit.opening.u for fit in fits])
    mean = float(probability @ values)
    u = math.sqrt(float(probability @ (us**2 + (values - mean) ** 2)))
    return OrderWeights(tuple(fits), probability, Quantity(mean, u, "deg", dof))
