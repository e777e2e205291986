"""No output over an input, no option without an effect, no number that means another: refused in one sentence."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.log.conftest import make_photo
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.files import refuse_idle, refuse_overwriting
from visioncheck.sled.file import load_sled
from visioncheck.sled.model import Screw


@pytest.fixture
def place(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["sled", "long.toml", "--defaults", "--name", "Long sled"]) == 0
    for name in ("a.jpg", "b.jpg"):
        make_photo(tmp_path, name=name)
    shutil.copyfile("a.jpg", "a.png")
    shutil.copyfile("b.jpg", "b.png")
    shutil.copyfile("b.jpg", "x-budget.png")
    (tmp_path / "list.csv").write_text("photo\na.jpg\n")
    (tmp_path / "table.csv").write_text("piece,person,value\nA,,0.1\n")
    (tmp_path / "link.csv").hardlink_to(tmp_path / "list.csv")
    capsys.readouterr()
    return tmp_path


OVER = [
    "batch list.csv --log LOG -o list.csv",
    "batch list.csv --log LOG -o ./link.csv",
    "batch list.csv --log LOG -o out.csv -o out.csv",
    "survey a.jpg b.jpg -o b.jpg",
    "survey a.png b.png -o rig.json --picture b.png",
    "measure a.png --picture a.png",
    "measure a.png b.png --turned --picture b.png",
    "measure x-budget.png --budget --picture x.png",
]
IDLE = [
    ("study --readings table.csv --rig rig.json", "--rig has no effect"),
    ("study --readings table.csv --cuts 5 --piece strip", "--piece and --cuts have no effect"),
    ("measure a.jpg --piece corner --cuts 5", "--cuts has no bearing on --piece corner"),
    ("measure a.jpg --piece strip --turned-half left", "--turned-half has no bearing on --piece strip"),
    ("batch list.csv --log LOG --cluster tcp://x:1 --workers 2", "--workers has no effect"),
    ("measure a.jpg --time 2026-03-01", "--time go into a log"),
    ("measure a.jpg b.jpg --sled long.toml --log LOG --time 2026-03-01", "--time is of one photo"),
    ("measure a.jpg --sled long.toml --log LOG --time soon", "is no time"),
    ("log attach LOG a.jpg --taken-after", "--taken-after is about --adjusted"),
    ("log attach LOG --corrects 0000 --withdraw why --rig rig.json", "--withdraw goes with"),
    ("log attach LOG --corrects 0000 --withdraw why a.jpg", "--withdraw goes with"),
    ("log attach LOG --reading r.json --rig rig.json", "has no effect on a typed reading"),
    ("sled new.toml --defaults --kind shims --pitch 1mm", "--pitch has no effect"),
    ("sled new.toml --defaults --kind screw --leaves 0.1mm", "--leaves has no effect"),
    ("sled new.toml --defaults --leaves 0.1mm --pitch 1mm", "--kind shims or screw"),
]


@pytest.mark.parametrize("line", OVER)
def test_an_output_never_goes_over_an_input(place, capsys, line):
    before = {path.name: path.read_bytes() for path in place.iterdir()}
    assert main(line.split()) == 2
    err = capsys.readouterr().err
    assert "would be written over it" in err
    assert err.count("\n") == 1
    assert {path.name: path.read_bytes() for path in place.iterdir()} == before


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize(("line", "said"), IDLE)
def test_an_option_without_effect_is_refused(capsys, line, said):
    assert main(line.split()) == 2
    assert said in capsys.readouterr().err


@pytest.mark.usefixtures("place")
def test_a_pitch_makes_a_sled_with_a_screw():
    assert main(["sled", "new.toml", "--defaults", "--pitch", "1.25mm"]) == 0
    adjuster = load_sled(Path("new.toml")).adjuster
    assert isinstance(adjuster, Screw)
    assert adjuster.pitch_mm == pytest.approx(1.25)


@pytest.mark.parametrize("between", [",", ";"])
def test_a_decimal_comma_is_no_second_column(place, capsys, between):
    """The same study with points, with commas between semicolons, and with commas that would cut numbers in two."""
    values = [0.011, 0.013, 0.021, 0.024]
    rows = [f"{piece}{between}{value}" for piece, value in zip("AABB", values, strict=True)]
    (place / "points.csv").write_text("\n".join([f"piece{between}value", *rows]))
    assert main(["study", "--readings", "points.csv", "--json"]) == 0
    expected = capsys.readouterr().out
    text = (place / "points.csv").read_text().replace(".", ",")
    (place / "commas.csv").write_text(text)
    if between == ";":
        assert main(["study", "--readings", "commas.csv", "--json"]) == 0
        assert capsys.readouterr().out == expected
    else:
        assert main(["study", "--readings", "commas.csv", "--json"]) == 2
        assert "decimals with a point" in capsys.readouterr().err


def test_the_helpers_say_nothing_where_nothing_is_wrong(tmp_path):
    refuse_overwriting({"--output": tmp_path / "a", "--picture": None}, [tmp_path / "b", None])
    refuse_idle({"--rig": None, "--turned": False}, "here")
    with pytest.raises(UserError, match="--turned has no effect here"):
        refuse_idle({"--rig": None, "--turned": True}, "here")
