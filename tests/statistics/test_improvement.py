"""Whether a move improves things, and whether a better reading would decide: formulas against brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest

from visioncheck.fence.decision import combined, decide, improvement_probability
from visioncheck.fence.next_step import Basis, deciding_probability, next_step
from visioncheck.quantity import Quantity

DRAWS = 400_000


def truths(error: Quantity, rng: np.random.Generator) -> np.ndarray:
    spread = rng.standard_normal(DRAWS) if math.isinf(error.dof) else rng.standard_t(error.dof, DRAWS)
    return error.value + error.u * spread


@pytest.mark.parametrize("dof", [math.inf, 5.0])
@pytest.mark.parametrize(
    ("needed", "u", "made", "u_made"),
    [(1.0, 0.5, 1.0, 0.0), (1.0, 0.5, 0.7, 0.05), (1.0, 0.3, 1.8, 0.1), (0.2, 0.5, 0.25, 0.02), (2.0, 1.0, 0.5, 0.1)],
)
def test_chance_of_a_smaller_error_by_moving_many_fences(needed, u, made, u_made, dof):
    rng = np.random.default_rng(1)
    error = Quantity(needed, u, "mm", dof)
    e = truths(error, rng)
    d = made + u_made * rng.standard_normal(DRAWS)
    share = float(np.mean(np.abs(e - d) < np.abs(e)))
    assert improvement_probability(error, made, u_made) == pytest.approx(share, abs=0.003)


def test_chance_of_a_smaller_error_is_a_one_sided_conformance():
    """JCGM 106:2012, examples of 7.3.3 (from memory, recomputed): 1.4 u and 2.29 u from a single limit."""
    assert improvement_probability(Quantity(0.14, 0.05, "V"), 0.14) == pytest.approx(0.9192, abs=5e-5)
    assert improvement_probability(Quantity(2 * 19.7, 8.6, "kPa"), 2 * 19.7) == pytest.approx(0.9890, abs=5e-5)


def test_no_move_improves_nothing():
    assert improvement_probability(Quantity(1.0, 0.1, "mm"), 0.0) == 0.0


@pytest.mark.parametrize("value", [0.0, 0.01, 0.018, 0.022, 0.05])
@pytest.mark.parametrize("u_better", [0.002, 0.004, 0.01])
def test_chance_of_deciding_by_reading_many_fences_again(value, u_better):
    rng = np.random.default_rng(2)
    tolerance, error = 0.0172, Quantity(value, 0.015, "deg")
    # a better reading is of the same fence: truth spread about it, and it spread about the present one
    better = value + math.sqrt(error.u**2 - u_better**2) * rng.standard_normal(4000)
    decided = 0
    for each in better:
        reading = Quantity(abs(float(each)), u_better, "deg")
        inside = decide(reading, tolerance).probability_inside >= 0.95
        decided += inside or improvement_probability(reading, reading.value) >= 0.95
    assert deciding_probability(error, u_better, tolerance) == pytest.approx(decided / 4000, abs=0.025)


def test_a_plus_minus_of_two_fifths_of_the_tolerance_decides_whatever_is_read():
    # T − 1.645 u = 3.29 u at u = T / 4.935
    assert deciding_probability(Quantity(0.0172, 0.1, "deg"), 0.0172 / 4.94, 0.0172) == 1.0
    assert deciding_probability(Quantity(0.0135, 0.004, "deg"), 0.0172 / 4.7, 0.0172) < 1.0


def test_effective_degrees_of_freedom():
    """JCGM 100:2008, G.4.1: u⁴/ν of the parts; two equal parts, one of them known, make ν four times as large."""
    assert combined(0.0, Quantity(0.0, 3.0, "mm", 6.0), 3.0).dof == pytest.approx(24.0)
    assert combined(0.0, Quantity(0.0, 3.0, "mm", 6.0), 4.0).u == pytest.approx(5.0)


@pytest.mark.parametrize("u", [0.002, 0.02, 0.2])
@pytest.mark.parametrize("value", [0.0, 0.01, 0.03, 0.3])
@pytest.mark.parametrize("kind", ["corner", "panel", "strip", ""])
@pytest.mark.parametrize("surveyed", [True, False])
def test_the_next_step_leaves_less_and_the_cheapest_that_probably_decides_is_named(u, value, kind, surveyed):
    shares = {"print survey": 0.9, "edge": 0.1}
    basis = Basis(kind, is_photo=True, is_surveyed=surveyed, shares=shares)
    step = next_step(Quantity(value, u, "deg"), 0.0172, basis)
    if step is None:
        return
    assert step.u_deg < u
    assert 0 <= step.probability_decides <= 1
    assert not (surveyed and step.code in {"survey", "quarter turn"})
    if step.code == "quarter turn":
        assert kind == "corner"
    if step.code == "strip":
        assert kind != "strip"
