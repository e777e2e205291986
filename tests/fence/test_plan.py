"""What further pieces would say: pooled as the readings themselves are, and decided as a correction is."""

from __future__ import annotations

import numpy as np
import pytest

from visioncheck.fence.plan import _decides, _pooled
from visioncheck.fence.pooled import Seen, pool
from visioncheck.quantity import Quantity


@pytest.mark.parametrize("seed", range(5))
def test_draws_are_pooled_as_readings_are(seed):
    random = np.random.default_rng(seed)
    u = random.uniform(0.004, 0.02, 5)
    value = random.normal(0.03, 0.02, 5)
    readings = [Seen(Quantity(float(value[k]), float(u[k]), "deg"), str(k)) for k in range(len(value))]
    found = pool(readings)
    assert found.pieces == 5
    middle, half = _pooled(np.stack([value, value]), u, 0.0, found)
    assert middle == pytest.approx(found.error.value, abs=1e-9)
    assert half == pytest.approx(found.error.expanded(), rel=1e-6)


def test_what_is_shared_does_not_average_away():
    """JCGM 100, 5.2: n readings of u alike in c have the mean's u √(u²/n + c²)."""
    u = np.full(4, 0.01)
    readings = [Seen(Quantity(0.02, 0.01, "deg"), str(k)) for k in range(4)]
    found = pool(readings)
    alone = _pooled(np.full((1, 4), 0.02), u, 0.0, found)[1]
    shared = _pooled(np.full((1, 4), 0.02), u, 0.03, found)[1]
    assert float(np.hypot(alone[0] / 1.96, 0.03)) == pytest.approx(shared[0] / 1.96, rel=0.02)


@pytest.mark.parametrize(
    ("middle", "half", "decided"),
    [
        (0.0, 0.099, True),  # the whole interval inside
        (0.0, 0.101, False),
        (0.05, 0.059, True),  # one end counts: 1.645 u to the tolerance
        (0.05, 0.061, False),
        (1.0, 0.59, True),  # a move makes it squarer with 95 %: 2 × 1.645 u from nought
        (1.0, 0.60, False),
        (-1.0, 0.59, True),
    ],
)
def test_decided_as_a_correction_is(middle, half, decided):
    """JCGM 106, 8.3: within with 95 %; 1.645 and 1.960 from the tables of the normal distribution."""
    assert _decides(np.array([middle]), np.array([half]), 0.1).tolist() == [decided]
