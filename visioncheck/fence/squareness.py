"""From what was read on a test cut to the fence error: one mathematics for photos and callipers.

The fence error e is the angle by which the fence is turned counter-clockwise, seen from above, from its nominal
angle to the blade: ``e > 0`` when its right end is too far forward. Seen from above, x runs to the operator's
right and y forward, the way the sled is pushed.

Signs. A fence turned by e points along the angle e (right) and 180° + e (left); the blade's cut along 90° (forward)
and −90°. The work stands in front of a rear fence and behind a front fence. The corner between fence edge and
fresh cut is therefore::

    rear fence,  piece left of the blade    (180 + e) − 90 = 90 + e
    rear fence,  piece right of the blade    90 − e        = 90 − e
    front fence, piece left of the blade     270 − (180 + e) = 90 − e
    front fence, piece right of the blade    e − (−90)     = 90 + e

All of them are proved in the tests by cutting polygons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from visioncheck.quantity import Quantity

Floats = NDArray[np.float64]
PieceSide = Literal["left", "right"]
FenceSide = Literal["rear", "front"]

_RIGHT_ANGLE = 90.0
# below this an angle's standard uncertainty (degrees) means "exactly tied", as four lines of one photo are by closure
_TIED_DEG = 1e-5


def corner_sign(piece: PieceSide, fence: FenceSide) -> int:
    """+1 where the corner between fence edge and fresh cut opens with e, −1 where it closes."""
    return 1 if (piece == "left") == (fence == "rear") else -1


def corner_error(
    angle: Quantity, piece: PieceSide, fence: FenceSide = "rear", nominal_deg: float = _RIGHT_ANGLE
) -> Quantity:
    """Fence error from one cut.

    Parameters
    ----------
    angle : Quantity
        Interior angle (deg) between the edge that lay on the fence and the fresh cut.
    piece : {"left", "right"}
        Side of the blade that the piece came from.
    fence : {"rear", "front"}
        Rear: on the operator's side of the work.
    nominal_deg : float
        The angle that the cut should have made.
    """
    return replace(angle, value=corner_sign(piece, fence) * (angle.value - nominal_deg))


def strip_multiple(cuts: int, nominal_deg: float = _RIGHT_ANGLE) -> int:
    """How many times e the strip taken by the last of `cuts` successive cuts carries.

    Every cut is made with the fresh edge of the one before on the fence, so each adds e to the direction of
    its edge, and the last differs from the first by ``(cuts − 1) e``. Once round the panel the first edge
    is gone: the strip then lies between this cut and the one a full round earlier, and its multiple
    stays at the number of sides (4 e for a right-angled panel from the fifth cut on).
    Before that the strip's outer side is no cut of this fence, and must be true to the first cut.

    Raises
    ------
    ValueError
        With fewer than 2 cuts, or when the nominal angle belongs to no closed panel.
    """
    sides = 360.0 / (180.0 - nominal_deg) if nominal_deg < 180 else math.nan
    if cuts < 2:
        raise ValueError("a strip carries the fence error from the second cut on")
    if not (sides > 2.5 and abs(sides - round(sides)) < 1e-6):
        raise ValueError(f"no panel closes with corners of {nominal_deg:g}°")
    return min(cuts - 1, round(sides))


def strip_error_from_taper(taper: Quantity, cuts: int, panel: PieceSide, nominal_deg: float = _RIGHT_ANGLE) -> Quantity:
    """Fence error from the taper angle of the strip taken by the last of several successive cuts.

    Parameters
    ----------
    taper : Quantity
        Angle (deg) between the strip's long sides; positive where its REAR end (nearest the operator
        when it was cut) is the wider.
    cuts : int
        Number of successive cuts, at least 2.
    panel : {"left", "right"}
        Side of the blade that the panel was on; the strip falls off on the other.
    nominal_deg : float
        Nominal angle of every corner.

    Notes
    -----
    The fence's side does not enter. Mirroring the saw front to back turns e into −e and also swaps
    the strip's rear and front ends.
    """
    factor = (1 if panel == "left" else -1) / strip_multiple(cuts, nominal_deg)
    return taper.scaled(factor, "deg")


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


def turned_over_error(
    wedge: Quantity,
    turned: PieceSide,
    opens_at: Literal["straightedge", "far end"],
    fence: FenceSide = "rear",
) -> Quantity:
    """Fence error from one cut through a parallel board, one half turned over and the fresh edges butted.

    Both halves stand against one straight edge, the half that was not turned with its fence edge. The
    wedge between the fresh edges is twice the error.

    Parameters
    ----------
    wedge : Quantity
        Angle of the gap (deg), not negative.
    turned : {"left", "right"}
        Which half was turned over.
    opens_at : {"straightedge", "far end"}
        Where the gap is open.
    fence : {"rear", "front"}
        Side of the fence when it was cut.

    Notes
    -----
    Rear fence, right half turned: the left half meets the straight edge at 90 + e, and so does the right half
    with what was its far corner, 180 − (90 − e). For e > 0 they touch at the far end and gape at the
    straight edge. Turning the left half instead, or a front fence, mirrors that.
    """
    sign = corner_sign(turned, fence) * (-1 if opens_at == "straightedge" else 1)
    return wedge.scaled(sign / 2, "deg")


@dataclass(frozen=True, slots=True, eq=False)
class PanelFit:
    """Least squares of a four-cut panel's corners.

    Parameters
    ----------
    error : Quantity
        Fence error, deg.
    shear : Quantity or None
        What an affine error of the sheet (or of the instrument) adds to the corners alternately, deg.
    error_shear_covariance : float
        Covariance of the two, deg².
    weights : (4,) array
        How the error follows from the four corners.
    residuals_deg : (4,) array
        Reading less fit, in the order of the corners cut.
    chi2 : float
        Weighted sum of squared residuals.
    chi2_dof : int
        Independent readings less parameters.
    probability : float
        Chance of so large a `chi2` when the panel is what it should be; small: an edge is not straight, the
        piece moved between cuts, or the order of the cuts is wrong.
    closure : Quantity
        Sum of the corners less 360°, deg.
    """

    error: Quantity
    shear: Quantity | None
    error_shear_covariance: float
    weights: Floats
    residuals_deg: Floats
    chi2: float
    chi2_dof: int
    probability: float
    closure: Quantity


def fit_panel(
    angles_deg: ArrayLike,
    covariance_deg2: ArrayLike,
    panel: PieceSide = "left",
    fence: FenceSide = "rear",
    *,
    shear: bool = True,
    dof: float = math.inf,
) -> PanelFit:
    """Fence error from the four corners of a panel cut all round, by generalised least squares.

    Model: ``90 + e·(1, 1, 1, −3) + s·(1, −1, 1, −1)``. The closing corner takes −3 e because the four sum to
    360°; an affine error of the sheet opens and closes neighbouring corners in turn, so one photo
    separates the two.

    Parameters
    ----------
    angles_deg : (4,) array_like
        Corners in the order cut: first and second cut, second and third, third and fourth, closing corner.
    covariance_deg2 : (4, 4) array_like
        Their covariance. Singular where the four come from four lines and so close exactly.
    panel, fence : str
        As for `corner_error`.
    shear : bool
        Fit the affine term s as well.
    dof : float
        Degrees of freedom of the covariance.
    """
    from scipy.special import chdtrc  # lazy: kept off the path of --help

    angles, covariance = np.asarray(angles_deg, float), np.asarray(covariance_deg2, float)
    sign = corner_sign(panel, fence)
    columns = [sign * np.array([1.0, 1.0, 1.0, -3.0])]
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
        error=Quantity(float(estimate[0]), float(sd[0]), "deg", dof),
        shear=Quantity(float(estimate[1]), float(sd[1]), "deg", dof) if shear else None,
        error_shear_covariance=float(parameter_covariance[0, 1]) if shear else 0.0,
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
    error : Quantity
        Error averaged over the orders; its uncertainty includes that the order is not known.
    """

    fits: tuple[PanelFit, ...]
    probability: Floats
    error: Quantity

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
    panel: PieceSide = "left",
    fence: FenceSide = "rear",
    *,
    shear_u_deg: float = 0.0,
    dof: float = math.inf,
) -> OrderWeights:
    """Fit a panel whose first cut is not known, in each of the four possible orders.

    The sheet's affine term cannot be left free here. With one corner closing and the opposite one,
    ``(1, 1, 1, −3) = −(1, −3, 1, 1) + 2·(1, −1, 1, −1)``: the opposite corner, the opposite sign of e and
    a shear of 2 e fit exactly as well. Only what is known about the shear tells them apart.

    Parameters
    ----------
    angles_deg : (4,) array_like
        The corners one after another around the panel, from any, either way round (which corner closes
        is all that matters).
    covariance_deg2 : (4, 4) array_like
        Their covariance.
    panel, fence, dof
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
        fits.append(fit_panel(angles[order], covariance[np.ix_(order, order)], panel, fence, shear=False, dof=dof))
    chi2 = np.array([fit.chi2 for fit in fits])
    probability = np.exp(-(chi2 - chi2.min()) / 2)
    probability /= probability.sum()
    values = np.array([fit.error.value for fit in fits])
    us = np.array([fit.error.u for fit in fits])
    mean = float(probability @ values)
    u = math.sqrt(float(probability @ (us**2 + (values - mean) ** 2)))
    return OrderWeights(tuple(fits), probability, Quantity(mean, u, "deg", dof))
