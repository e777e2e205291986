"""Vector products, against numpy's."""

import numpy as np
import pytest

from visioncheck.geometry import cross


@pytest.mark.parametrize(("a_shape", "b_shape"), [((3,), (3,)), ((3,), (7, 3)), ((5, 7, 3), (7, 3))])
def test_the_vector_product_is_numpys(a_shape, b_shape):
    rng = np.random.default_rng(5)
    a, b = rng.normal(0, 1, a_shape), rng.normal(0, 1, b_shape)
    assert cross(a, b) == pytest.approx(np.cross(a, b), abs=1e-15)
