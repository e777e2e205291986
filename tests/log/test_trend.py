"""Control limits against the handbook, and what the drift test says and how often it is wrong."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image
from scipy import integrate, stats

from tests.log.conftest import START, make_draft, make_photo, make_reading, typed_draft
from tests.log.trend_rates import Habit, called, drifts_called, false_alarms, odd_told, steps_called, take
from visioncheck.log import changes, rivals
from visioncheck.log.trend import (
    D2,
    D3,
    SURE,
    Point,
    assess,
    assess_all,
    control_limits,
    individuals_limits,
    known_u,
    line_change,
    segments,
    trend_points,
)
from visioncheck.present.trend import format_trend, trend_json
from visioncheck.present.trend_chart import chart_alternative, chart_bytes, draw_chart
from visioncheck.quantity import Quantity


def make_points(values, u=0.002, adjusted=(), dof=50.0, step_days=7.0):
    return [
        Point(
            START + timedelta(days=step_days * n), Quantity(float(v), u, "deg", dof), "moved" if n in adjusted else ""
        )
        for n, v in enumerate(values)
    ]


def test_constants_of_the_range_of_two_by_integration():
    """d2 and d3 for n = 2, from the density of the difference of two normal values."""
    density = stats.norm(scale=math.sqrt(2)).pdf
    mean = 2 * integrate.quad(lambda r: r * density(r), 0, np.inf)[0]
    square = 2 * integrate.quad(lambda r: r * r * density(r), 0, np.inf)[0]
    assert pytest.approx(mean, abs=1e-9) == D2
    assert pytest.approx(math.sqrt(square - mean**2), abs=1e-9) == D3
    # as tabled: d2 1.128, d3 0.8525, D4 3.267 (NIST/SEMATECH e-Handbook, 6.3.2)
    assert round(D2, 3) == 1.128
    assert round(D3, 4) == 0.8525
    assert round(1 + 3 * D3 / D2, 3) == 3.267


def test_limits_of_the_handbook_example():
    """NIST/SEMATECH e-Handbook 6.3.2.2, flowrate of ten batches: data from memory, results as published."""
    flowrate = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    limits = individuals_limits(flowrate)
    assert limits.mean == pytest.approx(50.81)
    assert limits.range_mean == pytest.approx(1.8778, abs=5e-5)
    # the handbook rounds d2 to 1.128
    assert limits.upper == pytest.approx(55.8041, abs=0.002)
    assert limits.lower == pytest.approx(45.8159, abs=0.002)
    assert limits.range_upper == pytest.approx(3.267 * 1.8778, abs=1e-3)


def test_limits_need_five_readings():
    points = make_points([0.0, 0.001, 0.002, 0.001, 0.0])
    assert control_limits(points[:4]) is None
    assert control_limits(points).readings == 5


def test_readings_are_cut_at_adjustments():
    parts = segments(make_points([0.1, 0.1, 0.0, 0.0, 0.0, 0.02], adjusted=(2, 5)))
    assert [len(part) for part in parts] == [2, 3, 1]


def test_corrected_and_refused_entries_do_not_count(log, tmp_path):
    refused = {"schema": 1, "status": "refused", "reason": "blurred"}
    unsigned = {**make_reading(0.05), "status": "sign unknown"}
    old = log.attach(typed_draft(0.1, days=0))
    log.attach(typed_draft(0.01, days=0, corrects=old.id))
    log.attach(make_draft(days=1, reading=refused, adjusted="right end back"), make_photo(tmp_path))
    log.attach(typed_draft(days=2, reading=unsigned))
    log.attach(typed_draft(0.02, days=3))
    points = trend_points(log.entries())
    assert [point.error.value for point in points] == [0.01, 0.02]
    # what was adjusted before the refused photo counts from the next reading on
    assert [point.adjusted for point in points] == ["", "right end back"]


def test_a_clear_drift_is_told_with_its_size():
    generator = np.random.default_rng(5)
    values = np.concatenate([[0.1, 0.1], np.linspace(0, 0.03, 12)]) + generator.normal(0, 0.002, 14)
    trend = assess(make_points(values, adjusted=(2,)))
    assert trend.state == "drifted"
    assert len(trend.since) == 12
    assert abs(trend.change.value - 0.03) < trend.change.expanded()
    assert [move.kind for move in trend.moves] == ["drift"]
    text = format_trend(trend, "mm")[0]
    assert text.startswith("The fence has drifted by +0.0")
    assert "its right end has gone forward (over 99 % sure)" in text


def test_the_four_and_three_readings_near_zero_and_at_22_thousandths():
    """± 0.008° each, one a week: that the fence moved, which way, when, by how much ± and how surely."""
    points = make_points([0.001, -0.002, 0.003, 0.0, 0.022, 0.021, 0.023], u=0.004)
    trend = assess(points)
    assert trend.state == "moved"
    (move,) = trend.moves
    assert (move.first, move.last, move.start) == (points[3], points[4], points[4])
    # the difference of the two weighted means, with the u of that (JCGM 100, 5.1.2)
    assert move.size.value == pytest.approx(0.022 - 0.0005, abs=2e-4)
    assert move.size.u == pytest.approx(0.004 * math.sqrt(1 / 4 + 1 / 3), rel=0.15)
    assert move.probability > 0.99
    text = format_trend(trend, "mm")[0]
    assert "moved by +0.02" in text
    assert "between 22 March 2026 and 29 March 2026: its right end has gone forward (over 99 % sure)" in text
    found = trend_json(trend)["moves"][0]
    assert (found["kind"], found["between"][1]) == ("step", points[4].time.isoformat())
    mirrored = assess([replace(p, error=replace(p.error, value=-p.error.value)) for p in points])
    assert "its right end has gone back" in format_trend(mirrored, "mm")[0]


def test_a_step_waits_for_a_second_witness():
    steady = [0.0, 0.001, -0.001, 0.0005]
    one = assess(make_points([*steady, 0.02]))
    assert (one.state, one.moves, one.hint.point.error.value) == ("unsure", (), 0.02)
    assert "another reading will tell" in format_trend(one, "mm")[0]
    # the newest reading has no part in the limits before it is known what it is
    assert one.stretches[-1].level_deg[0] == pytest.approx(np.mean(steady))
    two = assess(make_points([*steady, 0.02, 0.021]))
    assert [move.kind for move in two.moves] == ["step"]
    back = assess(make_points([*steady, 0.02, 0.0, 0.001]))
    assert (back.state, back.moves, [odd.point.error.value for odd in back.odd]) == ("steady", (), [0.02])
    assert back.odd[0].size.value == pytest.approx(0.02, abs=0.001)
    assert any("an odd one" in line for line in format_trend(back, "mm"))


def test_a_step_after_the_first_reading_says_what_it_rests_on():
    trend = assess(make_points([0.0, 0.02, 0.021, 0.019]))
    assert trend.moves[0].alone
    assert "one reading alone stands before it" in format_trend(trend, "mm")[0]


def test_there_and_back_again_is_two_steps():
    """Each hides the other: no single step explains them, and together they look like scatter."""
    generator = np.random.default_rng(6)
    values = np.repeat([0.0, 0.015, 0.0], [7, 6, 7]) + generator.normal(0, 0.002, 20)
    points = make_points(values)
    trend = assess(points)
    assert [move.start for move in trend.moves] == [points[7], points[13]]
    assert [round(move.size.value / 0.015) for move in trend.moves] == [1, -1]
    assert abs(trend.change.value) < trend.change.expanded()
    assert "In all by" in format_trend(trend, "mm")[0]


def test_a_noted_adjustment_starts_anew():
    """The same step is no move where it is known to be an adjustment."""
    values = [0.0, 0.001, -0.001, 0.02, 0.021, 0.019]
    assert assess(make_points(values)).state == "moved"
    assert assess(make_points(values, adjusted=(3,))).state == "steady"
    assert [trend.state for trend in assess_all(make_points(values, adjusted=(3,)))] == ["steady", "steady"]


def test_the_change_of_a_steady_fence_is_the_weighted_line():
    """Against numpy's weighted polynomial fit."""
    days, values = np.array([0.0, 7, 14, 30, 31]), np.array([0.001, 0.004, 0.002, 0.011, 0.009])
    u = np.array([0.001, 0.004, 0.002, 0.003, 0.001])
    coefficients, covariance = np.polyfit(days, values, 1, w=1 / u, cov="unscaled")
    change = line_change(days, values, u)
    assert change.value == pytest.approx(coefficients[0] * days[-1])
    assert change.u == pytest.approx(math.sqrt(covariance[0, 0]) * days[-1])


def test_the_level_and_its_u_are_the_weighted_mean():
    """Readings of unequal u that agree: mean weighted with 1/u² (JCGM 100, and any handbook), u = 1/√Σ(1/u²)."""
    values, u = [0.010, 0.014, 0.012, 0.011], np.array([0.002, 0.008, 0.004, 0.002])
    points = [replace(p, error=Quantity(p.error.value, s, "deg")) for p, s in zip(make_points(values), u, strict=True)]
    (stretch,) = assess(points).stretches
    # what scatter is still possible evens the weights a little, and widens the u
    assert stretch.level_deg[0] == pytest.approx(np.average(values, weights=1 / u**2), abs=1e-4)
    assert 1.0 <= stretch.level_u_deg[0] * math.sqrt(np.sum(1 / u**2)) < 1.3


def test_the_gain_of_a_step_against_the_whole_likelihood():
    """Marginal likelihoods from the covariance of all readings at once (scipy's multivariate normal)."""
    time, value = np.array([0.0, 1.0, 4.0, 5.0, 9.0]), np.array([0.3, -1.0, 2.0, 3.5, 1.0])
    u = np.array([1.0, 2.0, 0.5, 1.0, 1.5])
    row = rivals.Row.of(time, value, u, rivals.Scatter(np.array([0.0, 0.7]), np.zeros(2)))
    may_be = rivals._rivals(row)
    fit = rivals._fit(row, may_be)
    flat = 1e4  # a level that may be anything
    for t, scatter in enumerate((0.0, 0.7)):
        noise = np.diag(u**2 + scatter**2) + flat**2 * np.ones((5, 5))
        held = stats.multivariate_normal.logpdf(value, cov=noise)
        for m, (kind, at) in enumerate(zip(may_be.kind, may_be.at, strict=True)):
            term = rivals._term(row.time, rivals.KINDS[kind], int(at))
            whole = [
                stats.multivariate_normal.logpdf(value, cov=noise + s**2 * np.median(u) ** 2 * np.outer(term, term))
                for s in (5.0, 30.0, 200.0)
            ]
            gain = np.log(np.average(np.exp(np.array(whole) - held), weights=[0.8, 0.15, 0.05]))
            if np.isfinite(fit.log_gain[t, m]):
                assert fit.log_gain[t, m] == pytest.approx(gain, abs=1e-4)
    assert np.isfinite(fit.log_gain).sum() >= 2 * len(may_be.at) - 4


# Annual flow of the Nile at Aswan, 1871 to 1970, 10⁸ m³ (G. W. Cobb, The problem of the Nile: conditional solution to
# a changepoint problem, Biometrika 65, 1978; the series as R's data set `Nile` gives it)
NILE = """
    1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100
    1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456
    824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897
    822 1010 771 676 649 846 812 742 801 1040 860 874 848 890 744 749 838 1050 918 986 797 923 975
    815 1020 906 901 1170 912 746 919 718 714 740
"""


@pytest.mark.parametrize("u", [125.0, 60.0])
def test_the_dam_at_aswan(u):
    """Cobb's conclusion: the flow fell between 1898 and 1899 (28 years before), by some 248 (from 1098 to 850).

    With u = 125, the standard deviation that he and others give, and with half of it, the rest being scatter.
    """
    years, flow = np.arange(1871.0, 1971.0), np.array(NILE.split(), dtype=float)
    u_all = np.full(100, u)
    found = changes.find_changes(years, flow, u_all, rivals.Scatter.before_readings(u_all), sure=SURE)
    steps = [change for change in found.found if change.kind == "step"]
    assert [years[change.at] for change in steps] == [1899]
    assert steps[0].size == pytest.approx(-248, abs=10)
    assert 0.9 * 125 < math.hypot(u, found.scatter.rms) < 1.15 * 125
    # 1913, the lowest year of the record, is the one that does not fit
    assert {years[change.at] for change in found.found if change.kind == "odd"} <= {1913}


def test_past_scatter_widens_what_is_said_now_and_a_past_step_does_not():
    generator = np.random.default_rng(12)
    now = [0.0, 0.001, 0.009, 0.010]
    calm = np.concatenate([np.repeat([0.0, 0.05], 6) + generator.normal(0, 0.002, 12), now])
    wild = np.concatenate([generator.normal(0, 0.010, 12), now])
    after_calm, after_wild = (assess(make_points(values, adjusted=(12,))) for values in (calm, wild))
    assert after_calm.state == "moved"
    assert after_wild.state == "steady"
    assert after_wild.stretches[0].level_u_deg[0] > 2 * after_calm.stretches[0].level_u_deg[0]


@pytest.mark.parametrize("scatter", [1.0, 2.0, 3.0])
@pytest.mark.parametrize(("readings", "adjusted"), [(8, ()), (20, ()), (24, (20,))])
def test_readings_that_scatter_more_than_stated_are_seldom_taken_for_a_move(scatter, readings, adjusted):
    """At one look, where at least eight readings show how far they scatter: up to three times their ±."""
    generator = np.random.default_rng(8)
    rows = generator.normal(0.01, 0.002 * scatter, (40, readings))
    assert sum(called(assess(make_points(row, adjusted=adjusted))) for row in rows) <= 7


@pytest.mark.parametrize("before", [1, 2, 4, 10])
def test_a_step_of_five_uncertainties_is_called_within_three_readings(before):
    """Wanted: 90 %; from 100 simulated ones at least 84 % must show (a share of 90 % does so in 97 of 100 cases)."""
    assert steps_called(21, 100, before, Habit()) >= 0.84


def test_a_drift_of_five_uncertainties_over_ten_readings_is_called():
    found, named = drifts_called(22, 100, Habit())
    assert found >= 0.86
    assert named >= 0.75


@pytest.mark.parametrize("habit", [Habit(), Habit(dof=4, unequal=True, irregular=True)], ids=["usual", "unusual"])
def test_a_fence_that_stays_gives_few_false_alarms(habit):
    """Wanted: 5 % in 24 readings with a look after each; 40 rows with at most 5 (a share of 5 % does so in 98 %)."""
    assert false_alarms(23, 40, habit) <= 0.125


def test_one_odd_reading_is_told_as_that():
    told, moved = odd_told(24, 100, Habit())
    assert told >= 0.9
    assert moved <= 0.06


def test_steps_are_within_their_interval():
    """The change of 5 u lies within the 95 % interval that is stated for it, though its place is found as well."""
    generator = np.random.default_rng(25)
    sizes = [assess(take(generator, np.repeat([0.0, 8.0], [5, 6]), Habit())).change for _ in range(100)]
    assert sum(abs(size.value - 8 * 0.004) < size.expanded() for size in sizes) >= 89


def test_few_degrees_of_freedom_count_as_a_larger_u():
    """The 99 % factors of Student's t, 4.604 for 4 and 2.576 for many (JCGM 100, table G.2)."""
    assert known_u(Quantity(0.0, 0.002, "deg", 4)) == pytest.approx(0.002 * 4.604 / 2.576, rel=1e-3)
    assert known_u(Quantity(0.0, 0.002, "deg")) == pytest.approx(0.002)


def test_few_readings_claim_little():
    assert assess([]).state == "none"
    assert assess(make_points([0.1])).state == "single"
    assert assess(make_points([0.0, 0.5])).state == "unsure"
    assert assess(make_points([0.0, 0.001])).state == "steady"
    # repeats at one time can show no change over time
    same = assess(make_points([0.0, 0.004, 0.008], step_days=0))
    assert (same.state, same.change.value) == ("steady", 0.0)


def test_words_and_json_for_every_state():
    generator = np.random.default_rng(10)
    for values, state in [
        ([], "none"),
        ([0.01], "single"),
        (generator.normal(0, 0.002, 9), "steady"),
        ([0.0, 0.1], "unsure"),
        ([0.0, 0.0, 0.0, 0.1, 0.1], "moved"),
        (np.linspace(0, 0.1, 9), "drifted"),
    ]:
        trend = assess(make_points(values))
        assert trend.state == trend_json(trend)["state"] == state
        assert all(line.endswith((".", ".)")) for line in format_trend(trend, "in"))
    assert trend_json(trend)["change_deg"]["value"] == pytest.approx(0.1, abs=1e-4)


def test_no_control_limits_through_a_drift():
    values = np.concatenate([np.zeros(6), np.linspace(0, 0.03, 8)])
    trend = assess(make_points(values + np.random.default_rng(14).normal(0, 0.002, 14)))
    level, drift = trend.stretches
    assert (level.drifting, drift.drifting) == (False, True)
    assert (level.limits is None, drift.limits, trend.limits) == (False, None, None)
    upper, _ = draw_chart(trend.since, "Long sled", 0.024, "mm").axes
    dashed = [
        lines
        for lines in upper.collections
        if "dashed" in str(lines.get_linestyle()) or lines.get_label() == "control limits"
    ]
    ends = max(segment[:, 0].max() for lines in dashed for segment in lines.get_segments())
    from matplotlib.dates import date2num

    assert ends <= date2num(level.points[-1].time)


CASES = {
    "none": [],
    "one": [0.012],
    "two at one time": [0.012, 0.013],
    "many": list(np.random.default_rng(11).normal(0.004, 0.004, 300)),
}


@pytest.mark.parametrize("case", CASES)
def test_charts_of_every_length(case, tmp_path):
    step = 0.0 if "one time" in case else 3.0
    points = make_points(CASES[case], adjusted=(100, 200), step_days=step)
    name = "Säge <&> $x^2$ 台"
    figure = draw_chart(points, name, 0.024, "in")
    png = tmp_path / "chart.png"
    png.write_bytes(chart_bytes(figure, ".png"))
    with Image.open(png) as image:
        assert image.size == (1200, 810)
        assert len(image.convert("RGB").getcolors(10**7)) > 20
    svg = chart_bytes(draw_chart(points, name, 0.024, "in"), ".svg").decode()
    texts = ["".join(element.itertext()) for element in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]  # noqa: S314
    assert f"{name}: fence error over time" in texts
    assert "in/ft" in texts
    assert chart_bytes(draw_chart(points, name, 0.024, "in"), ".svg").decode() == svg
    assert name in chart_alternative(points, name, "in")


def test_the_chart_shows_what_it_is_given():
    points = make_points([0.05, 0.05, 0.0, 0.001, 0.002, 0.001, 0.0, 0.03], adjusted=(2,))
    figure = draw_chart(points, "Long sled", 0.024, "mm")
    upper, lower = figure.axes
    labels = {text.get_text() for text in upper.get_legend().get_texts()}
    assert labels == {"tolerance", "reading ± 95 %", "control limits", "mean ± 95 %", "does not fit", "adjusted"}
    assert [text.get_text() for text in upper.texts] == ["1"]
    assert "1: adjusted before 15 March 2026: moved" in figure.get_supxlabel()
    dots = next(line for line in upper.lines if line.get_marker() == "o" and len(line.get_xdata()) == 8)
    assert list(dots.get_ydata()) == [point.error.value for point in points]
    (bars,) = [c for c in upper.containers if c.has_yerr]
    tops = [segment[1, 1] for segment in bars.lines[2][0].get_segments()]
    assert tops == pytest.approx([point.error.value + point.error.expanded() for point in points])
    # no range is drawn across the adjustment
    ranges = [list(line.get_ydata()) for line in lower.lines if line.get_marker() == "."]
    assert ranges[0] == pytest.approx([0.0])
    assert ranges[1] == pytest.approx([0.001, 0.001, 0.001, 0.001, 0.03])
