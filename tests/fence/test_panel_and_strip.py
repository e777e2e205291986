"""Uncertainty, closure, chi-square and the order of the cuts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from visioncheck.fence.signs import LastStrip, fence_error, strip_multiples
from visioncheck.fence.squareness import fit_panel, taper_from_widths, weigh_orders
from visioncheck.quantity import Quantity
from visioncheck.saw import Saw

E = np.array([1.0, 1.0, 1.0, -3.0])
S = np.array([1.0, -1.0, 1.0, -1.0])


def from_four_lines(u_deg, rng=None):
    """Covariance (and draws) of four corners between four lines: each line's angle enters two corners."""
    tie = np.eye(4) - np.roll(np.eye(4), 1, axis=1)
    covariance = u_deg**2 * tie @ tie.T
    return covariance if rng is None else (covariance, tie @ rng.normal(0, u_deg, 4))


def test_strip_uncertainty_of_the_handbook_case():
    # derived: u(w) = 0.02 mm each, independent, L = 400 mm, four times e: u(e) = 1.8e-5 rad = 0.0010°
    taper = taper_from_widths([25.0, 25.0], 0.02**2 * np.eye(2), Quantity(400, 0.5, "mm"))
    assert fence_error(LastStrip(taper, "fence", 5), Saw()).u == pytest.approx(0.0010, abs=2e-5)


def test_shared_error_of_the_callipers_cancels():
    shared = 0.05**2 * np.ones((2, 2)) + 0.01**2 * np.eye(2)
    taper = taper_from_widths([25.1, 25.0], shared, Quantity(400, 0, "mm"))
    assert taper.u == pytest.approx(math.degrees(0.01 * math.sqrt(2) / 400), rel=1e-5)


def test_typed_example():
    # 1.0235 and 1.0210 in, 23 in apart: (1.0235 − 1.0210)/(4·23) rad
    taper = taper_from_widths([25.9969, 25.9334], np.zeros((2, 2)), Quantity(584.2, 0, "mm"))
    error = fence_error(LastStrip(taper, "rear", 5), Saw())
    assert math.radians(error.value) == pytest.approx(0.0025 / 92, rel=1e-6)
    assert fence_error(LastStrip(taper, "rear", 5), Saw(piece="right")).value == -error.value


@pytest.mark.parametrize(("cuts", "nominal"), [(1, 90), (0, 90), (5, 100), (3, 180), (4, 0)])
def test_no_such_strip(cuts, nominal):
    with pytest.raises(ValueError):
        strip_multiples(cuts, nominal)


@pytest.mark.parametrize("shear", [False, True])
def test_error_and_shear_are_told_apart(shear):
    s = 0.05 if shear else 0.0
    fit = fit_panel(90 + 0.02 * E + s * S, 1e-6 * np.eye(4), shear=shear)
    assert fit.opening.value == pytest.approx(0.02, abs=1e-7)
    assert fit.chi2 < 1e-9
    assert fit.chi2_dof == (2 if shear else 3)
    if shear:
        assert fit.shear.value == pytest.approx(0.05, abs=1e-7)
    # without the term the sheet's shear would pass for fence error and spoil the fit
    blind = fit_panel(90 + 0.02 * E + 0.05 * S, 1e-6 * np.eye(4), shear=False)
    assert blind.opening.value == pytest.approx(0.02 + 0.05 * 4 / 12, abs=1e-6)
    assert blind.probability < 1e-10


def test_independent_corners_give_the_textbook_uncertainty():
    # without shear: u(e) = u/√12
    assert fit_panel(np.full(4, 90.0), 0.012**2 * np.eye(4), shear=False).opening.u == pytest.approx(
        0.012 / math.sqrt(12), rel=1e-4
    )


@pytest.mark.parametrize("shear", [False, True])
@pytest.mark.parametrize("tied", [False, True])
def test_estimate_uncertainty_and_chi_square_hold_in_simulation(shear, tied):
    rng = np.random.default_rng(12)
    covariance = from_four_lines(0.003) if tied else 0.004**2 * np.eye(4)
    pulls, chi2, dof = [], [], 0
    for _ in range(2000):
        noise = from_four_lines(0.003, rng)[1] if tied else rng.normal(0, 0.004, 4)
        fit = fit_panel(90 + 0.01 * E + (0.02 if shear else 0) * S + noise, covariance, shear=shear)
        pulls.append((fit.opening.value - 0.01) / fit.opening.u)
        chi2.append(fit.chi2)
        dof = fit.chi2_dof
    assert np.std(pulls) == pytest.approx(1, abs=0.05)
    assert np.mean(pulls) == pytest.approx(0, abs=0.07)
    assert dof == 4 - tied - 1 - shear
    assert np.mean(chi2) == pytest.approx(dof, abs=0.12)


def test_closure():
    fit = fit_panel([90.1, 90, 90, 90], 0.02**2 * np.eye(4))
    assert fit.closure.value == pytest.approx(0.1)
    assert fit.closure.u == pytest.approx(0.04)
    tied = fit_panel(90 + 0.01 * E, from_four_lines(0.003))
    assert tied.closure.u == pytest.approx(0, abs=1e-9)


def test_a_piece_that_moved_shows_in_chi_square():
    angles = 90 + 0.02 * E + np.array([0, 0.05, -0.05, 0])
    assert fit_panel(angles, from_four_lines(0.003)).probability < 0.001


@pytest.mark.parametrize("closing", range(4))
def test_order_is_found_when_the_error_is_large(closing):
    angles = np.roll(90 + 0.03 * E, closing - 3) + 0.004 * S
    orders = weigh_orders(angles, from_four_lines(0.002), shear_u_deg=0.005)
    assert orders.best == closing
    assert orders.settled()
    assert orders.opening.value == pytest.approx(0.03, abs=4e-3)


def test_order_stays_open_when_the_error_is_small():
    orders = weigh_orders(90 + 0.001 * E, from_four_lines(0.002))
    assert not orders.settled()
    values = [fit.opening.value for fit in orders.fits]
    assert min(values) < orders.opening.value < max(values)
    assert orders.opening.u > orders.fits[0].opening.u


def test_opposite_orders_cannot_be_told_apart_when_the_sheets_shear_is_unknown():
    opposite = np.roll(E, 2)
    assert np.array_equal(E, -opposite + 2 * S)
    orders = weigh_orders(90 + 0.03 * E, from_four_lines(0.002), shear_u_deg=10.0)
    assert orders.probability == pytest.approx([0, 0.5, 0, 0.5], abs=0.01)
    assert not orders.settled()
    assert orders.fits[1].opening.value == pytest.approx(-orders.fits[3].opening.value, rel=1e-3)
    assert orders.opening.u > 0.029


def test_settled_order_is_right_in_simulation():
    rng = np.random.default_rng(2)
    covariance = from_four_lines(0.003)
    wrong = settled = 0
    for _ in range(1500):
        e = rng.normal(0, 0.01)
        orders = weigh_orders(90 + e * E + from_four_lines(0.003, rng)[1], covariance)
        if orders.settled():
            settled += 1
            wrong += orders.best != 3
    assert settled > 300
    assert wrong / settled < 0.02
