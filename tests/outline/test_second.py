"""What lies beside the work: a finger's end on it, or the other half of a cut along it."""

from __future__ import annotations

import numpy as np
import pytest

from visioncheck.outline.find import Outline
from visioncheck.outline.second import is_second_piece

WORK = Outline(np.array([[100.0, 100], [20, 100], [20, 20], [100, 20]]))


def bar(start, end, width):
    start, end = np.array(start, float), np.array(end, float)
    across = (end - start) / np.linalg.norm(end - start) * width / 2
    across = np.array([-across[1], across[0]])
    return Outline(np.array([start + across, start - across, end - across, end + across]))


@pytest.mark.parametrize(
    ("other", "second"),
    [
        (bar((90, 60), (210, 60), 20), False),  # a finger over an edge
        (bar((103, 60), (220, 90), 20), False),  # a jaw whose end stands at it, aslant
        (bar((112, 60), (232, 60), 20), True),  # a strip that lies apart
        (bar((110, 0), (110, 120), 19), True),  # the narrow half of a cut, beside it
        (bar((90, 60), (210, 60), 30), True),  # too broad
        (bar((90, 60), (145, 60), 25), False),  # too small to be meant
        (bar((112, 60), (232, 60), 8), False),  # a rule
    ],
)
def test_what_could_be_meant(other, second):
    assert is_second_piece([WORK, other]) is second
