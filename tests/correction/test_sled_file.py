"""Sled files: what is written reads back; every wrong key is named in one sentence."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.sled.file import load_sled, parse_sled
from visioncheck.sled.model import Screw, Shims
from visioncheck.sled.write import default_answers, sled_text

INCH = sled_text(default_answers("in"))


@pytest.mark.parametrize("units", ["in", "mm"])
@pytest.mark.parametrize("kind", ["shims", "screw"])
def test_defaults_read_back(tmp_path, capsys, units, kind):
    path = tmp_path / "new.toml"
    assert main(["sled", str(path), "--defaults", "--units", units, "--kind", kind, "--name", 'Große "Sau" \\ 2']) == 0
    sled = load_sled(path)
    assert sled.name == 'Große "Sau" \\ 2'
    assert sled.units == units
    assert isinstance(sled.adjuster, Shims if kind == "shims" else Screw)
    assert sled.adjuster_distance_mm == (609.6 if units == "in" else 600)
    assert math.tan(math.radians(sled.tolerance_deg)) == pytest.approx(0.005 / 12 if units == "in" else 3e-4)
    assert "left end stays, right end moves" in capsys.readouterr().out
    assert [p.name for p in tmp_path.iterdir()] == ["new.toml"]


def test_never_written_over(tmp_path, capsys):
    path = tmp_path / "mine.toml"
    path.write_text("precious")
    assert main(["sled", str(path), "--defaults"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert path.read_text() == "precious"


def test_wrong_answers_leave_no_file(tmp_path, capsys):
    assert main(["sled", str(tmp_path / "new.toml"), "--defaults", "--pivot", "middle"]) == 2
    assert "fence.pivot" in capsys.readouterr().err
    assert main(["sled", str(tmp_path / "no" / "folder" / "new.toml"), "--defaults"]) == 2
    assert "Cannot write" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_asking(tmp_path, monkeypatch):
    asked = []

    def prompt(question, default):
        asked.append(question)
        return {"Inches or millimetres: in or mm": "in", "What do you call this sled": "Oak"}.get(question, default)

    monkeypatch.setattr("typer.prompt", prompt)
    path = tmp_path / "oak.toml"
    assert main(["sled", str(path), "--kind", "screw"]) == 0
    sled = load_sled(path)
    assert (sled.name, sled.units, sled.adjuster) == ("Oak", "in", Screw(1.27, "forward"))
    assert len(asked) == 12  # all but the kind, and no leaves
    assert not any("Leaves" in question for question in asked)


def test_a_slip_is_asked_again(tmp_path, monkeypatch, capsys):
    said = iter(["inch", "in", "Oak", "loose", "0.003in/ft"])
    monkeypatch.setattr("typer.prompt", lambda _, default: next(said, default))
    path = tmp_path / "oak.toml"
    assert main(["sled", str(path)]) == 0
    assert load_sled(path).tolerance_deg == pytest.approx(math.degrees(0.003 / 12), rel=1e-6)
    out = capsys.readouterr().out
    assert "units is 'inch'" in out
    assert "tolerance is wrong" in out


def test_a_wrong_option_ends_before_asking(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("typer.prompt", lambda question, **_: pytest.fail(question))
    assert main(["sled", str(tmp_path / "x.toml"), "--units", "inch"]) == 2
    assert "units is 'inch'" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('pivot = "left"', 'pivto = "left"', "did you mean pivot?"),
        ('pivot = "left"', 'pivot = "middle"', "fence.pivot is 'middle'; write 'left' or 'right'"),
        ('pivot = "left"', "", "fence.pivot is missing"),
        ('pivot = "left"', "pivot = left", "line 12"),
        ('side = "rear"', 'side = "back"', "fence.side"),
        ('units = "in"', 'units = "inch"', "units is 'inch'"),
        ('tolerance = "0.005in/ft"', "tolerance = 0.005", "tolerance is missing or has no unit"),
        ('tolerance = "0.005in/ft"', 'tolerance = "5in/ft"', "tolerance is"),
        ('tolerance = "0.005in/ft"', 'tolerance = "0in/ft"', "tolerance is"),
        ('length = "30in"', 'length = "30 furlongs"', "fence.length is wrong"),
        ('length = "30in"', "length = true", "fence.length is no length"),
        ('length = "30in"', "length = inf", "fence.length"),
        ('length = "30in"', "length = -30", "fence.length"),
        ('adjuster_distance = "24in"', 'adjuster_distance = "24mm"', "between 50 and 5000"),
        ('kind = "shims"', 'kind = "hammer"', "adjuster.kind"),
        ('kind = "shims"', 'kind = "screw"', "adjuster.leaves does not belong"),
        ('"0.0015in", ', '"thin", ', "adjuster.leaves[1] is wrong"),
        ('"0.0015in", ', "0, ", "adjuster.leaves[1]"),
        ('"0.0015in", ', "{}, ", "adjuster.leaves[1]"),
        ('kerf = "1/8in"', 'kerf = "8in"', "blade.kerf"),
        ('name = "Crosscut sled"', 'name = ""', "name"),
        ('name = "Crosscut sled"', "name = 1", "name"),
        ("[piece]", "[pieces]", "did you mean piece?"),
        ("[fence]", "[[fence]]", "fence must be a table"),
    ],
)
def test_each_slip_is_named(old, new, says):
    assert old in INCH
    with pytest.raises(UserError) as caught:
        parse_sled(INCH.replace(old, new, 1), "my.toml")
    assert "my.toml" in str(caught.value)
    assert says in str(caught.value)


def test_bare_numbers_take_the_sleds_units():
    sled = parse_sled(INCH.replace('length = "30in"', "length = 30.5"), "my.toml")
    assert sled.fence_length_mm == pytest.approx(774.7)


@pytest.mark.parametrize("damage", ["missing", "folder", "binary", "huge"])
def test_files_that_are_no_sled(tmp_path, damage):
    path = tmp_path / "x.toml"
    if damage == "folder":
        path.mkdir()
    elif damage == "binary":
        path.write_bytes(bytes(range(256)))
    elif damage == "huge":
        path.write_text("#" * 200_000)
    with pytest.raises(UserError) as caught:
        load_sled(path)
    assert str(path) in str(caught.value)


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_damaged_files_never_crash(data):
    text = INCH
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        to = data.draw(st.integers(at, min(len(text), at + 20)))
        text = text[:at] + data.draw(st.text(max_size=8)) + text[to:]
    try:
        sled = parse_sled(text, "x.toml")
    except UserError:
        return
    assert 50 <= sled.adjuster_distance_mm <= 5000
    assert 0 < sled.tolerance_deg <= 2


def test_deep_nesting():
    with pytest.raises(UserError):
        parse_sled("leaves = " + "[" * 20_000, "x.toml")
