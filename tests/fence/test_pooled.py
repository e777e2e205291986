"""Readings of one sled pooled: the estimate of the scatter against published examples, and how often the ± holds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from visioncheck.fence.decision import Verdict, decide
from visioncheck.fence.pooled import Seen, pool
from visioncheck.fence.scatter import Cuts, Scatter, paule_mandel
from visioncheck.quantity import Quantity, coverage_factor


def cuts(values, us):
    return Cuts(np.array(values, float), np.diag(np.square(np.array(us, float))))


def seen(value, u=0.002, piece=None, dof=math.inf, **alike):
    return Seen(Quantity(value, u, "deg", dof), piece or f"piece {value}", alike, f"reading {value}")


def weighted(state, tau):
    weight = 1 / (np.diag(state.covariance) + tau**2)
    return float(weight @ state.value / weight.sum()), float(1 / np.sqrt(weight.sum()))


def test_two_laboratories_of_paule_and_mandel():
    """The second example of R. C. Paule and J. Mandel, J. Res. NBS 87 (1982) 377: two laboratories, 6 and 2 readings.

    For two, the defining equation has the closed form τ² = ((x1 − x2)² − u1² − u2²) / 2.
    """
    u1, u2 = 0.154 / math.sqrt(6), 0.25 / math.sqrt(2)
    tau = paule_mandel([cuts([201.533, 216.55], [u1, u2])])
    assert tau == pytest.approx(math.sqrt(((216.55 - 201.533) ** 2 - u1**2 - u2**2) / 2), rel=1e-9)


def test_heat_of_vaporization_of_cadmium():
    """Data of the same paper: five laboratories; the weighted squares become 4, as the method defines it."""
    state = cuts([27.044, 26.022, 26.340, 26.787, 26.796], np.sqrt(np.array([3, 76, 464, 3, 14]) * 1e-3))
    tau = paule_mandel([state])
    mean, _ = weighted(state, tau)
    assert float(((state.value - mean) ** 2 / (np.diag(state.covariance) + tau**2)).sum()) == pytest.approx(4)
    assert tau > 0


def test_thirteen_trials_published_with_several_estimators():
    """Thirteen vaccine trials (Colditz et al., 1994), the usual example of estimators of a scatter between studies.

    W. Viechtbauer, *Conducting meta-analyses in R*, 2010, has the log risk ratios; his tables (from memory) give
    0.3181 for the variance by Paule and Mandel, and −0.7150 ± 0.1809 for the mean.
    """
    treated = np.array([4, 6, 3, 62, 33, 180, 8, 505, 29, 17, 186, 5, 27])
    of_treated = treated + np.array([119, 300, 228, 13536, 5036, 1361, 2537, 87886, 7470, 1699, 50448, 2493, 16886])
    control = np.array([11, 29, 11, 248, 47, 372, 10, 499, 45, 65, 141, 3, 29])
    of_control = control + np.array([128, 274, 209, 12619, 5761, 1079, 619, 87892, 7232, 1600, 27197, 2338, 17825])
    ratio = np.log(treated / of_treated / (control / of_control))
    u = np.sqrt(1 / treated - 1 / of_treated + 1 / control - 1 / of_control)
    state = cuts(ratio, u)
    tau = paule_mandel([state])
    assert tau**2 == pytest.approx(0.3181, abs=5e-5)
    assert weighted(state, tau) == pytest.approx((-0.7150, 0.1809), abs=5e-5)
    readings = [seen(value, each, str(k)) for k, (value, each) in enumerate(zip(ratio, u, strict=True))]
    found = pool(readings, Scatter(0.5))
    # of thirteen, the average over all scatters is near to Hartung and Knapp: t with 12 degrees of freedom
    assert found.error.value == pytest.approx(-0.7150, abs=0.01)
    assert found.error.expanded() == pytest.approx(2.179 * 0.1809, rel=0.05)
    assert found.scatter_deg == pytest.approx(tau)


def test_no_scatter_where_readings_agree():
    assert paule_mandel([cuts([1.0, 1.1, 0.95], [0.5, 0.5, 0.5])]) == 0
    assert paule_mandel([cuts([1.0], [0.1])]) == 0
    assert paule_mandel([]) == 0


def test_what_all_have_alike_is_no_scatter_and_does_not_average_away():
    apart = [seen(value, 0.005) for value in (0.020, 0.024, 0.019, 0.022)]
    alike = [seen(value, 0.005, survey=0.004) for value in (0.020, 0.024, 0.019, 0.022)]
    free, tied = pool(apart), pool(alike)
    assert free.scatter_deg == tied.scatter_deg == 0
    assert free.common_u_deg == 0
    assert tied.common_u_deg == pytest.approx(0.004)
    assert tied.error.expanded() > 1.96 * 0.004 > free.error.expanded()
    assert tied.error.value == pytest.approx(free.error.value)


def test_photos_of_one_piece_are_one_piece():
    """Three photos of each of two pieces: more photos, no more cuts."""
    each = [seen(value, 0.006, piece) for piece, value in (("a", 0.020), ("b", 0.030)) for _ in range(3)]
    found = pool(each)
    assert (found.pieces, found.readings) == (2, 6)
    fresh = pool([seen(reading.error.value, 0.006, f"{k}") for k, reading in enumerate(each)])
    assert fresh.pieces == 6
    assert found.error.expanded() > fresh.error.expanded()
    # what belongs to the piece itself, such as its hollows, is alike in its photos
    own = pool([seen(0.02, 0.006, "a", edges=0.0059) for _ in range(9)])
    assert own.error.u > 0.0059


def test_what_readings_have_alike_is_part_of_their_own_uncertainty():
    """Covariance of two readings by JCGM 100:2008, 5.2: whole variances, and shared parts with their signs."""
    found = pool([seen(0.02, 0.005, survey=0.004), seen(0.03, 0.006, survey=-0.003, lens=0.001)])
    assert found.cuts.covariance == pytest.approx(np.array([[25e-6, -12e-6], [-12e-6, 36e-6]]), rel=1e-9)
    # a reading of few degrees of freedom counts by its ±: 12.706 u for one
    assert pool([seen(0.02, 0.005, dof=1)]).cuts.covariance[0, 0] == pytest.approx(
        (0.005 * 12.706 / 1.960) ** 2, rel=1e-3
    )


def test_of_one_piece_the_sharper_photo_counts_for_more():
    """The weighted mean of unequal readings (JCGM 100:2008, or any handbook): weights 1/u²."""
    found = pool([seen(0.020, 0.003, "a"), seen(0.026, 0.006, "a")])
    assert found.cuts.value[0] == pytest.approx((4 * 0.020 + 0.026) / 5)
    assert found.cuts.covariance[0, 0] == pytest.approx(1 / (1 / 0.003**2 + 1 / 0.006**2))


def test_both_intervals_are_those_of_the_mixture_over_scatters():
    """By Monte Carlo: a scatter drawn by its weight, then the mean's own normal about the mean for that scatter."""
    found = pool([seen(value, 0.003, str(value)) for value in (0.010, 0.024, 0.031)])
    known = Scatter()
    rng = np.random.default_rng(5)
    tau = rng.choice(known.grid_deg, 400_000, p=known.weight(found.cuts))
    # equal uncertainties: equal weights, whatever the scatter
    draws = 0.065 / 3 + rng.standard_normal(len(tau)) * np.sqrt((0.003**2 + tau**2) / 3)
    off = np.abs(draws - found.error.value)
    assert found.error.expanded() == pytest.approx(np.quantile(off, 0.95), rel=0.01)
    assert found.error.u * coverage_factor(found.error.dof, 0.6827) == pytest.approx(np.quantile(off, 0.6827), rel=0.2)
    assert found.error.dof < 12


def test_one_piece_keeps_its_own_interval_until_the_sled_has_taught_its_scatter():
    alone = seen(0.021, 0.004, dof=12)
    assert pool([alone]).error == alone.error
    taught = Scatter().after(cuts([0.0, 0.02, -0.015, 0.01], [0.003] * 4))
    assert pool([alone], taught).error.expanded() > 1.5 * alone.error.expanded()


def test_scatter_is_learnt_from_earlier_states_each_with_its_own_mean():
    """A sled that was moved in between: the move is no scatter."""
    first, second = cuts([0.100, 0.104, 0.096], [0.001] * 3), cuts([0.002, -0.003, 0.004], [0.001] * 3)
    together = paule_mandel([first, second])
    assert 0.002 < together < 0.006
    known = Scatter().after(first).after(second)
    now = pool([seen(0.010, 0.001, "x"), seen(0.011, 0.001, "y")], known)
    assert now.error.u > 0.0025 / math.sqrt(2)
    assert now.scatter_deg == pytest.approx(paule_mandel([first, second, now.cuts]))


def test_an_odd_piece_is_named_and_left_out_only_where_the_others_are_many():
    good = [0.020, 0.022, 0.019, 0.021, 0.0205]
    found = pool([seen(value) for value in (*good, 0.075)])
    assert [piece.names for piece in found.odd] == [("reading 0.075",)]
    assert found.odd[0].off_by.value == pytest.approx(0.0545, abs=0.001)
    assert found.pieces == 5
    assert abs(found.error.value - 0.0205) < 0.001
    assert pool([seen(value) for value in good]).odd == ()
    # of two nobody can say which is odd: the scatter takes both
    two = pool([seen(0.020), seen(0.075)])
    assert two.odd == ()
    assert two.error.expanded() > 0.05


def taught(tau):
    """A sled whose scatter forty earlier cuts have settled: at normal quantiles."""
    ranks = (np.arange(40) + 0.5) / 40
    return Scatter().after(cuts(stats.norm.ppf(ranks, scale=max(tau, 1e-9)), [1e-5] * 40))


@pytest.mark.parametrize("tau", [0.0, 0.006])
def test_how_odd_a_piece_is(tau):
    """One of six: off the mean of five, by √(6/5) of a piece's own; the chance of the farthest of six (Bonferroni)."""
    values = [0.020, 0.022, 0.018, 0.021, 0.019, 0.020 + 4.2 * math.hypot(0.002, tau)]
    found = pool([seen(value, 0.0045, survey=0.00403) for value in values], taught(tau))
    u = math.sqrt(0.0045**2 - 0.00403**2 + tau**2) * math.sqrt(6 / 5)
    assert found.odd[0].off_by.u == pytest.approx(u, rel=0.05)
    assert found.odd[0].chance == pytest.approx(6 * 2 * stats.norm.sf((values[-1] - 0.020) / u), rel=0.6)


def test_of_four_no_two_are_odd():
    assert len(pool([seen(value, 1e-4) for value in (0.0200, 0.0201, 0.300, 0.900)], taught(0.0)).odd) == 1


def test_what_not_all_have_alike_averages_away():
    found = pool([seen(0.020, 0.005, survey=0.004), seen(0.022, 0.005, survey=0.004), seen(0.021, 0.005, lens=0.003)])
    assert found.common_u_deg == 0


def test_photos_of_one_piece_that_contradict_each_other_are_named():
    found = pool([seen(0.020, 0.002, "a"), seen(0.040, 0.002, "a")])
    assert found.at_odds == (("reading 0.02", "reading 0.04"),)
    assert pool([seen(0.020, 0.002, "a"), seen(0.022, 0.002, "a")]).at_odds == ()


@pytest.mark.parametrize("tau", [0.0, 0.002, 0.006])
@pytest.mark.parametrize("count", [2, 3, 6])
def test_the_interval_holds_the_truth(count, tau):
    """Simulated: pieces of u = 0.003°, half of its variance alike in all, with a scatter from nothing to twice u."""
    generator = np.random.default_rng(7)
    runs, held, u = 60, 0, 0.003
    for _ in range(runs):
        common = generator.normal(0, u / math.sqrt(2))
        values = common + generator.normal(0, math.hypot(u / math.sqrt(2), tau), count)
        readings = [seen(float(v), u, str(k), survey=u / math.sqrt(2)) for k, v in enumerate(values)]
        error = pool(readings).error
        held += abs(error.value) <= error.expanded()
    assert held >= 0.85 * runs  # 95 % stated; a count of 60 scatters by 3 %


def test_pooling_decides_what_one_reading_cannot():
    """JCGM 106:2012, 8.3.3: inside when the whole ± lies within the limits; tolerance 0.017°, pieces ± 0.016°."""
    readings = [seen(value, 0.008, str(k)) for k, value in enumerate((0.004, -0.002, 0.006, 0.001, 0.003))]
    assert decide(readings[2].error, 0.017).verdict is Verdict.CANNOT_TELL
    assert decide(pool(readings).error, 0.017).verdict is Verdict.INSIDE


def test_nothing_to_pool():
    with pytest.raises(ValueError, match="no reading"):
        pool([])
