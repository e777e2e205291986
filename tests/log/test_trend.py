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
from visioncheck.log.chart import chart_alternative, chart_bytes, draw_chart
from visioncheck.log.trend import (
    D2,
    D3,
    Point,
    _past_scatter,
    assess,
    individuals_limits,
    limits_of,
    points_of,
    segments,
)
from visioncheck.log.words import trend_json, trend_words
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
    assert limits_of(points[:4]) is None
    assert limits_of(points).readings == 5


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
    points = points_of(log.entries())
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
    assert trend.jump is None
    text = trend_words(trend, "mm")[0]
    assert text.startswith("The fence has drifted by +0.03")
    assert "since the last adjustment on 15 March 2026: its right end has gone forward" in text


def test_the_line_is_the_weighted_one():
    """Change and uncertainty against numpy's weighted polynomial fit."""
    points = make_points([0.001, 0.004, 0.002, 0.011, 0.009])
    u = [0.001, 0.004, 0.002, 0.003, 0.001]
    points = [Point(p.time, Quantity(p.error.value, s, "deg")) for p, s in zip(points, u, strict=True)]
    days = np.array([(p.time - START).days for p in points], float)
    values = [p.error.value for p in points]
    coefficients, covariance = np.polyfit(days, values, 1, w=1 / np.array(u), cov="unscaled")
    chi_square = float(np.sum(((np.polyval(coefficients, days) - values) / u) ** 2))
    change = assess(points).change
    assert change.value == pytest.approx(coefficients[0] * days[-1])
    scale = math.sqrt(max(1, chi_square / 3))
    assert change.u == pytest.approx(scale * math.sqrt(covariance[0, 0]) * days[-1])


def test_a_jump_is_told_as_a_jump():
    """A line through a step would overstate it by half: the step itself is given."""
    generator = np.random.default_rng(6)
    values = generator.normal(0, 0.002, 18)
    values[12:] += 0.03
    points = make_points(values)
    trend = assess(points)
    assert trend.jump == points[12]
    assert trend.state == "drifted"
    assert abs(trend.change.value - 0.03) < trend.change.expanded()
    assert "between 17 May 2026 and 24 May 2026" in trend_words(trend, "in")[0]


def test_one_odd_reading_is_not_a_drift():
    generator = np.random.default_rng(7)
    values = generator.normal(0, 0.002, 16)
    values[11] += 0.02
    last = assess(make_points(values[:12]))
    assert (last.state, last.jump.error.value) == ("unsure", values[11])
    assert "another reading will tell" in trend_words(last, "mm")[0]
    later = assess(make_points(values))
    assert later.state == "steady"
    assert "does not fit" in trend_words(later, "mm")[0]


@pytest.mark.parametrize("scatter", [1.0, 2.0, 3.0])
@pytest.mark.parametrize(("readings", "adjusted"), [(5, ()), (8, ()), (20, ()), (24, (20,))])
def test_noise_is_seldom_taken_for_a_drift(scatter, readings, adjusted):
    """Readings that scatter up to three times their stated uncertainty; a false alarm in at most 3 %."""
    generator = np.random.default_rng(8)
    states = [
        assess(make_points(generator.normal(0.01, 0.002 * scatter, readings), adjusted=adjusted)).state
        for _ in range(400)
    ]
    assert states.count("drifted") <= 12
    assert states.count("steady") >= 350


def test_a_drift_of_five_uncertainties_is_seldom_missed():
    generator = np.random.default_rng(9)
    drift = np.linspace(0, 0.01, 10)
    found = sum(assess(make_points(drift + generator.normal(0, 0.002, 10))).state == "drifted" for _ in range(200))
    assert found >= 180


def test_an_earlier_drift_does_not_hide_a_later_one():
    """A drift that began half way bends its line; that is no scatter, so it must not widen what is said later."""
    generator = np.random.default_rng(12)
    early = np.concatenate([np.zeros(6), np.linspace(0, 0.08, 8)])
    late = np.linspace(0, 0.012, 8)
    values = np.concatenate([early, late]) + generator.normal(0, 0.002, 22)
    trend = assess(make_points(values, adjusted=(14,)))
    assert trend.state == "drifted"
    assert trend.change.expanded() < 0.010


def test_past_scatter_is_right_on_average():
    """Mean square 1 for readings that scatter as stated, and a variance of 2/ν as χ²/ν has, for even and odd steps."""
    generator = np.random.default_rng(13)
    for days in (np.arange(12.0), np.array([0.0, 1, 5, 6, 20, 21, 22, 40, 41, 60, 61, 62])):
        found = []
        for _ in range(3000):
            points = make_points(generator.normal(0, 0.002, 12))
            points = [replace(p, time=START + timedelta(days=d)) for p, d in zip(points, days, strict=True)]
            found.append(_past_scatter(points))
        squares, dofs = np.array(found).T
        assert np.mean(squares) == pytest.approx(1.0, abs=0.05)
        assert np.var(squares) == pytest.approx(2 / dofs[0], rel=0.25)


def test_few_readings_claim_little():
    assert assess([]).state == "none"
    assert assess(make_points([0.1])).state == "single"
    assert assess(make_points([0.0, 0.5])).state == "unsure"
    assert assess(make_points([0.0, 0.001])).state == "steady"
    # repeats at one time can show no change over time
    same = assess(make_points([0.0, 0.01, 0.02], step_days=0))
    assert (same.state, same.change.value) == ("steady", 0.0)


def test_words_and_json_for_every_state():
    generator = np.random.default_rng(10)
    for values, state in [
        ([], "none"),
        ([0.01], "single"),
        (generator.normal(0, 0.002, 9), "steady"),
        ([0.0, 0.1], "unsure"),
        (np.linspace(0, 0.1, 9), "drifted"),
    ]:
        trend = assess(make_points(values))
        assert trend.state == trend_json(trend)["state"] == state
        assert all(line.endswith((".", ".)")) for line in trend_words(trend, "in"))
    assert trend_json(trend)["change_deg"]["value"] == pytest.approx(0.1)


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
    assert labels == {"tolerance", "reading ± 95 %", "control limits", "mean", "does not fit", "adjusted"}
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
