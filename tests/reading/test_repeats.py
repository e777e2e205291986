"""How surely the stations' repeating is known, in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from visioncheck.fitting import roughness


def test_one_model_of_the_noise_leaves_as_many_degrees_of_freedom_as_terms(monkeypatch):
    """A variance estimated from n normal terms about zero has n degrees of freedom (JCGM 100, G.3.2).

    Mean and variance of 1/χ² give it back: n = 4 + 2 mean²/variance, as E = n s²/(n − 2) and the second
    moment is E² (n − 2)/(n − 4) (A. Zellner, An Introduction to Bayesian Inference in Econometrics, 1971).
    """
    white = np.ones((2, roughness.DEGREES + 1))
    monkeypatch.setattr(roughness, "_noise_models", lambda _: white)
    along = np.linspace(0, 100, 400)
    influence = np.random.default_rng(41).normal(size=400)
    (found,) = roughness.stations_in_one_patch(along, influence, (1,), 1e-3)
    terms = roughness.DEGREES + 1 - roughness.FIRST_FREE
    assert found.dof == pytest.approx(terms)
    # Student's t with these has the variance of the mean
    assert found.scale * found.dof / (found.dof - 2) == pytest.approx(found.mean)
