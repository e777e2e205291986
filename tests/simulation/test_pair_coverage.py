"""Pairs of photos with the piece turned in between: a small run of `python -m tests.pairs`."""

from __future__ import annotations

import pytest

from tests.pairs import simulate, table


@pytest.fixture(scope="module")
def rows():
    scores, _ = simulate(prints=5, each=6)
    return {row.what: row for row in table(scores)}


def test_without_a_survey_the_pair_is_many_times_truer_than_a_photo(rows):
    assert rows["pair, no rig"].rms_error < 0.15 * rows["one photo, no rig"].rms_error
    assert rows["pair, no rig"].rms_error < 0.025


@pytest.mark.parametrize("label", ["no rig", "rig"])
def test_the_pairs_interval_holds_and_is_not_vacuous(rows, label):
    row = rows[f"pair, {label}"]
    # of 30 that hold at 90 %, 23 or fewer do once in 40 times (binomial)
    assert row.held > 23 / 30
    assert row.ratio <= 3.6
