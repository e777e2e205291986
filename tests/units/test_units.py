from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from visioncheck import units
from visioncheck.errors import UserError


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("18mm", 18.0),
        ("18 mm", 18.0),
        ("1.8cm", 18.0),
        (".25m", 250.0),
        ("3/4in", 19.05),
        ("1 3/32 in", float(Fraction(35, 32) * Fraction(254, 10))),
        ("1-3/32in", float(Fraction(35, 32) * Fraction(254, 10))),
        ('12 7/32"', float(Fraction(391, 32) * Fraction(254, 10))),
        ("12 7/32″", float(Fraction(391, 32) * Fraction(254, 10))),
        ("2ft", 609.6),
        ("2'", 609.6),
        ("2ft 3 1/2in", 698.5),
        ("2' 3 1/2\"", 698.5),
        ("4thou", 0.1016),
        ("-0.5mm", -0.5),
        ("1.0235IN", 25.9969),
    ],
)
def test_lengths_are_exact(text, mm):
    assert units.parse_length(text) == mm


@given(st.floats(min_value=1e-3, max_value=1e5))
def test_lengths_as_a_program_prints_them_read_back(mm):
    assert units.parse_length(f"{mm!r}mm") == pytest.approx(mm, rel=1e-12)


def test_bare_number_takes_the_default_unit():
    assert units.parse_length("3/4", "in") == 19.05
    assert units.parse_length("18", "mm") == 18.0


@pytest.mark.parametrize(
    "text",
    ["", " ", "18", "nan mm", "inf in", "1e5mm", "mm", "3/0in", "1,5mm", "18 furlong", "3in 4in", "4in 2ft", "1 2mm",
     "1/2/3in", "18mmm", "1..5mm", "--3mm", "9" * 5000 + "mm", "2ft 3", "0x1mm", "3/4 3/4in"],
)  # fmt: skip
def test_nonsense_is_refused_in_a_sentence(text):
    with pytest.raises(UserError):
        units.parse_length(text)


@given(st.text(max_size=30))
def test_any_text_gives_a_finite_length_or_a_user_error(text):
    try:
        value = units.parse_length(text, "mm")
    except UserError:
        return
    assert math.isfinite(value)


@given(st.integers(0, 500), st.sampled_from([2, 4, 8, 16, 32, 64]), st.data())
def test_written_fractions_read_back(whole, denominator, data):
    top = data.draw(st.integers(0, denominator - 1))
    mm = float(whole + Fraction(top, denominator)) * units.MM_PER_IN
    assert units.parse_length(units.format_length(mm, "in", 64)) == pytest.approx(mm, abs=1e-9)


def test_slopes():
    assert units.parse_slope("0.005in/ft") == pytest.approx(0.005 / 12, rel=1e-12)
    with pytest.raises(UserError, match="'12in/ft' is as steep as one in one"):
        units.parse_slope("12in/ft")
    assert units.parse_slope("1/64 in/ft") == pytest.approx(1 / 768, rel=1e-12)
    assert units.parse_slope("0.3mm/m") == pytest.approx(3e-4, rel=1e-12)
    assert units.parse_slope("0.5mm/100mm") == pytest.approx(5e-3, rel=1e-12)
    assert units.parse_slope("0.01deg") == pytest.approx(1.745e-4, rel=1e-3)


@pytest.mark.parametrize("text", ["", "0.005", "0.005in", "5in/0mm", "nan/ft", "/ft", "3m/m", "60deg", "1/2", "in/ft"])
def test_slopes_refused(text):
    with pytest.raises(UserError):
        units.parse_slope(text)


# Derived and verified numerically; the printed digits of a table of conversions.
@pytest.mark.parametrize(
    ("slope", "deg", "mm_per_m", "in_per_ft"),
    [
        ("0.001in/ft", 0.004775, 0.08333, 0.001),
        ("0.005in/ft", 0.02387, 0.41667, 0.005),
        ("1/64in/ft", 0.0746, 1.302, 0.015625),
        ("0.1mm/m", 0.00573, 0.1, 0.0012),
        ("1mm/m", 0.0573, 1.0, 0.012),
        ("0.01deg", 0.01, 0.1745, 0.00209),
        ("0.1deg", 0.1, 1.745, 0.02094),
        ("1deg", 1.0, 17.455, 0.20946),
    ],
)
def test_conversions(slope, deg, mm_per_m, in_per_ft):
    angle_deg = units.deg_from_slope(units.parse_slope(slope))
    assert angle_deg == pytest.approx(deg, rel=1e-3)
    assert units.mm_per_m_from_deg(angle_deg) == pytest.approx(mm_per_m, rel=1e-3)
    assert units.in_per_ft_from_deg(angle_deg) == pytest.approx(in_per_ft, rel=3e-3)


def test_a_thou_per_foot_in_seconds_of_arc():
    assert units.deg_from_slope(units.parse_slope("1thou/ft")) * 3600 == pytest.approx(17.19, abs=0.005)


def test_words():
    assert units.format_length(26.0, "in") == "1.024 in"
    assert units.format_length(26.0, "mm") == "26.00 mm"
    assert units.format_length(310.35625, "in", 32) == "12 7/32 in"
    assert units.format_length(-0.0001, "in", 64) == "0 in"
    assert units.format_small(0.0635, "in") == "2.5 thou"
    assert units.format_small(-0.0000001, "mm") == "0.000 mm"
    ways = units.format_error(0.1, 609.6, "in")
    assert str(ways) == "+0.100° = +0.0209 in/ft = +1.75 mm/m = 41.9 thou over 24 in"
