"""No piece is taken for a kind that it is not, and a kind that is named wrongly is found out: a small `tests.kinds`."""

from __future__ import annotations

import pytest

from tests.kinds import share, simulate


@pytest.fixture(scope="module")
def choices():
    return simulate(rigs=4, each=3, errors_deg=(0.0, 0.025, 0.04, 0.1))


def test_none_is_called_what_it_is_not(choices):
    assert len(choices) >= 150
    assert share(choices, "wrong") == 0


def test_an_offcut_far_out_is_known_and_one_like_a_panel_is_asked_about(choices):
    offcuts = [choice for choice in choices if choice.kind == "corner" and choice.with_rig]
    assert share([choice for choice in offcuts if choice.error_deg == 0.1], "asks") <= 25
    assert share([choice for choice in offcuts if choice.error_deg == 0], "asks") == 100


def test_the_right_kind_is_hardly_ever_refused_and_the_wrong_one_mostly(choices):
    # of 150 that are refused in 2 % of cases, 9 or more are once in 300 times (binomial)
    assert share(choices, "right refused") <= 100 * 9 / 150
    far = [choice for choice in choices if choice.error_deg == 0.1 and choice.with_rig]
    assert share(far, "wrong refused") + share(far, "wrong doubted") > 90
