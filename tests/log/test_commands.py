"""``visioncheck log …`` as a user types it."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from PIL import Image

from tests.log.conftest import make_photo, make_reading
from tests.log.large import make_large_log
from visioncheck.cli import main
from visioncheck.log.schema import FILE_NAME
from visioncheck.log.store import Log


@pytest.fixture
def place(tmp_path, monkeypatch, capsys):
    """Work in a folder with a sled file, a photo and its reading."""
    monkeypatch.chdir(tmp_path)
    assert main(["sled", "long.toml", "--defaults", "--units", "mm", "--name", "Long sled"]) == 0
    make_photo(tmp_path)
    (tmp_path / "reading.json").write_text(json.dumps(make_reading()))
    capsys.readouterr()
    return tmp_path


def run(capsys, line, *more):
    code = main(["log", *line.split(), *more])
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return code, captured.out, captured.err


ATTACH = "attach LOG offcut.jpg --reading reading.json --sled long.toml"


def entries(place):
    with Log.open(place / "LOG", readonly=True) as log:
        return list(log.entries())


def test_attach_list_show(place, capsys):
    code, out, _ = run(capsys, ATTACH + " --time 2026-03-01T14:30", "--person", "Ida", "--note", "one\ntwo")
    assert code == 0
    (entry,) = entries(place)
    assert entry.id[:8] in out
    assert (entry.sled, entry.kind, entry.file_name, entry.person) == ("Long sled", "photo", "offcut.jpg", "Ida")
    _, out, _ = run(capsys, "list LOG")
    assert out.splitlines()[1] == f"{entry.id[:8]}  2026-03-01 14:30  +0.012° ± 0.004°        Long sled, Ida, one two"
    _, out, _ = run(capsys, f"show LOG {entry.id[:8]}")
    assert "the right end is too far forward" in out
    _, out, _ = run(capsys, f"show LOG {entry.id[:8]} --json")
    shown = json.loads(out)
    assert shown["reading"] == make_reading()
    assert shown["sled_file"] == (place / "long.toml").read_text()


def test_a_reading_made_without_a_sled_is_not_taken_for_a_sled_of_other_sides(place, capsys):
    assert main(["reckon", "--angle", "90.1", "--json"]) == 0
    out = capsys.readouterr().out
    assert json.loads(out)["assumed"] == {"fence": "rear", "piece_side": "left"}
    (place / "typed.json").write_text(out)
    front = (place / "long.toml").read_text().replace('side = "rear"', 'side = "front"', 1)
    (place / "front.toml").write_text(front)
    code, _, err = run(capsys, "attach LOG --reading typed.json --sled front.toml")
    assert code == 2
    assert "without a sled, with the fence at the rear, and Long sled has it front" in err
    assert run(capsys, "attach LOG --reading typed.json --sled long.toml")[0] == 0


def test_a_typed_reading_goes_in_as_reckoned(place, capsys):
    line = "reckon --rear 26.1mm --front 26mm --length 580mm --sled long.toml --json"
    assert main(line.split()) == 0
    (place / "typed.json").write_text(capsys.readouterr().out)
    assert run(capsys, "attach LOG --reading typed.json --sled long.toml")[0] == 0
    (entry,) = entries(place)
    assert entry.kind == "typed"
    assert entry.fence_error_deg == pytest.approx(0.00247, abs=1e-5)


def test_an_unsigned_reading_is_kept_but_not_charted(place, capsys):
    assert main(["reckon", "--taper", "0.1deg", "--sled", "long.toml", "--json"]) == 0
    (place / "typed.json").write_text(capsys.readouterr().out)
    assert run(capsys, "attach LOG --reading typed.json --sled long.toml")[0] == 0
    assert entries(place)[0].fence_error is None
    assert "No reading" in run(capsys, "trend LOG")[1]


def test_out_of_several_readings_the_photos_own_is_taken(place, capsys):
    other = {**make_reading(0.5), "photo": "b.jpg"}
    (place / "reading.json").write_text(json.dumps([other, {**make_reading(), "photo": "folder/offcut.jpg"}]))
    assert run(capsys, ATTACH)[0] == 0
    assert entries(place)[0].fence_error_deg == 0.012


def test_the_photos_own_time_is_used(place, capsys):
    image = Image.new("RGB", (8, 8))
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = "2026:02:03 10:20:30"
    exif.get_ifd(0x8769)[36881] = "+02:00"
    image.save(place / "offcut.jpg", exif=exif)
    assert run(capsys, ATTACH)[0] == 0
    assert entries(place)[0].time.isoformat() == "2026-02-03T08:20:30+00:00"


def test_a_correction_takes_over_what_is_not_said_anew(place, capsys):
    run(capsys, ATTACH, "--person", "Ida", "--adjusted", "right end back")
    (old,) = entries(place)
    assert run(capsys, f"attach LOG --corrects {old.id[:6]} --person Bo")[0] == 0
    new = entries(place)[1]
    assert (new.corrects, new.person, new.adjusted) == (old.id, "Bo", "right end back")
    assert (new.photo_sha256, new.reading, new.time) == (old.photo_sha256, old.reading, old.time)
    out = run(capsys, "list LOG")[1]
    assert f"CORRECTED by {new.id[:8]}" in out
    code, _, err = run(capsys, f"attach LOG --corrects {old.id[:6]} --person Cy")
    assert code == 2
    assert "corrected by" in err


def test_a_reading_can_be_withdrawn(place, capsys):
    run(capsys, ATTACH)
    (old,) = entries(place)
    assert run(capsys, f"attach LOG --corrects {old.id}", "--withdraw", "wrong board")[0] == 0
    assert "withdrawn: wrong board" in run(capsys, f"show LOG {entries(place)[1].id}")[1]
    assert "No reading" in run(capsys, "trend LOG")[1]


def test_a_sled_that_the_log_has_is_known_by_name(place, capsys):
    run(capsys, ATTACH)
    assert run(capsys, "attach LOG offcut.jpg --reading reading.json", "--sled", "Long sled")[0] == 0
    assert len({entry.sled_sha256 for entry in entries(place)}) == 1


def test_trend_and_charts(place, capsys):
    for day in range(1, 8):
        make_photo(place)  # a photo counts once
        (place / "reading.json").write_text(json.dumps(make_reading(0.004 * day)))
        run(capsys, f"{ATTACH} --time 2026-03-0{day}")
    code, out, _ = run(capsys, "trend LOG -o chart.svg")
    assert code == 0
    assert "Long sled: The fence has drifted by +0.02" in out
    assert "mm/m" in out
    assert (place / "chart.svg").read_text().lstrip().startswith("<?xml")
    run(capsys, "trend LOG -o chart.png")
    assert (place / "chart.png").read_bytes().startswith(b"\x89PNG")
    found = json.loads(run(capsys, "trend LOG --json")[1])
    assert found["Long sled"]["state"] == "drifted"


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_export_and_import(place, capsys, ending):
    run(capsys, ATTACH)
    run(capsys, "tag LOG 7", "Long sled")
    assert run(capsys, f"export LOG -o all.{ending}")[0] == 0
    assert run(capsys, f"import NEW all.{ending} --photos LOG/photos") == (0, "Added 1 entries to the log NEW.\n", "")
    with Log.open(place / "NEW") as new:
        assert list(new.entries()) == entries(place)
    assert run(capsys, "tag NEW")[1] == "   7  Long sled\n"
    code, out, _ = run(capsys, "check NEW")
    assert (code, out.replace("NEW", "LOG")) == run(capsys, "check LOG")[:2]
    assert "is whole, 2 records, the last " in out


def test_check_names_damage_and_cleans_leftovers(place, capsys):
    run(capsys, ATTACH)
    photo = next((place / "LOG/photos").rglob("*.jpg"))
    stray = photo.with_name(".part-1")
    stray.write_bytes(b"x")
    code, out, _ = run(capsys, "check LOG")
    assert code == 1
    assert str(stray.relative_to(place)) in out
    assert run(capsys, "check LOG --clean")[0] == 0
    assert not stray.exists()
    photo.write_bytes(b"rot")
    code, out, _ = run(capsys, "check LOG --clean")
    assert code == 1
    assert "is damaged" in out
    assert photo.exists()


BAD = [
    ("list nowhere", "not a calibration log"),
    ("list LOG --since soon", "is no time"),
    ("list LOG --sled Nobody", "has no sled"),
    ("list LOG --last 0", "--last"),
    ("show LOG 00000000", "has no entry"),
    ("show LOG x", "is no entry id"),
    ("attach LOG", "Give a photo"),
    ("attach LOG offcut.jpg --sled long.toml", "not a picture"),
    ("attach LOG offcut.jpg", "--sled SLED.toml"),
    ("attach LOG offcut.jpg --reading other.json --sled long.toml", "for the sled Short sled, not Long sled"),
    ("attach LOG offcut.jpg --reading rigged.json --sled long.toml --rig long.toml", "another rig file"),
    ("attach LOG offcut.jpg --reading elsewhere.json --sled long.toml", "another photo than"),
    ("attach LOG offcut.jpg --reading none.json --sled long.toml", "No reading file none.json"),
    ("attach LOG offcut.jpg --reading offcut.jpg --sled long.toml", "not a text file"),
    ("attach LOG offcut.jpg --reading long.toml --sled long.toml", "is not JSON"),
    ("attach LOG offcut.jpg --reading reading.json", "--sled SLED.toml"),
    ("attach LOG offcut.jpg --reading reading.json --sled none.toml", "neither a file nor a sled"),
    ("attach LOG offcut.jpg --reading reading.json --sled reading.json", "not valid TOML"),
    ("attach LOG none.jpg --reading reading.json --sled long.toml", "give that photo"),
    ("attach LOG --reading reading.json --sled long.toml", "give that photo"),
    ("attach LOG offcut.jpg --reading typed.json --sled long.toml", "is a typed reading"),
    ("attach LOG offcut.jpg --reading numbers.json --sled long.toml", "is no reading"),
    ("attach LOG offcut.jpg --reading none-of-it.json --sled long.toml", "0 readings"),
    ("attach LOG offcut.jpg --reading old.json --sled long.toml", "schema"),
    ("attach LOG offcut.jpg --reading reading.json --sled long.toml --rig none.json", "rig file"),
    ("attach LOG offcut.jpg --reading reading.json --sled long.toml --time noon", "is no time"),
    ("attach LOG --withdraw why", "--corrects"),
    ("attach LOG --corrects 00000000", "has no entry"),
    ("trend LOG -o chart.gif", ".png or .svg"),
    ("trend LOG --sled Nobody", "has no sled"),
    ("trend LOG -o offcut.jpg/chart.png", "Cannot write"),
    ("tag LOG 7", "name"),
    ("tag LOG x y", "TAG"),
    ("export LOG -o all.txt", ".json or .csv"),
    ("import LOG reading.json", "list of records"),
    ("import LOG none.json", "No export file none.json"),
    ("import LOG long.toml", ".json or .csv"),
]


@pytest.mark.parametrize(("line", "match"), BAD)
def test_bad_input_gets_one_sentence(place, capsys, line, match):
    run(capsys, ATTACH)
    before = entries(place)
    (place / "typed.json").write_text(json.dumps({k: v for k, v in make_reading().items() if k != "photo"}))
    (place / "numbers.json").write_text("[1, 2]")
    (place / "none-of-it.json").write_text("[]")
    (place / "old.json").write_text(json.dumps({**make_reading(), "schema": 0}))
    for name, named in (("other", "sled"), ("rigged", "rig_sha256"), ("elsewhere", "photo_sha256")):
        (place / f"{name}.json").write_text(json.dumps({**make_reading(), named: "Short sled"}))
    code, _, err = run(capsys, line)
    assert code == 2
    assert match in err
    assert err.count("\n") == 1
    assert entries(place) == before


def test_a_failed_first_attach_leaves_no_log_of_entries(place, capsys):
    (place / "offcut.jpg").write_text("no picture at all")
    code, _, err = run(capsys, ATTACH)
    assert code == 2
    assert "not a JPEG" in err
    assert entries(place) == []
    assert (place / "LOG" / FILE_NAME).exists()


def test_ten_thousand_entries_are_listed_line_by_line(tmp_path, capsys):
    """A few queries however long the log is; timing is the benchmark's."""
    make_large_log(tmp_path / "big", entries=2000)
    with Log.open(tmp_path / "big", readonly=True) as log:
        statements = []
        log.connection.set_trace_callback(statements.append)
        assert sum(1 for _ in log.entries()) == 2000
        assert len(statements) == 1
    code, out, _ = run(capsys, f"list {tmp_path / 'big'}")
    assert code == 0
    entries, sleds = out.split("\n\n")
    assert len(entries.splitlines()) == 2001
    assert all(line.startswith("Sled ") for line in sleds.splitlines())


@pytest.mark.usefixtures("place")
def test_listing_loads_no_numerics(capsys):
    """A third of a second of imports, more than the listing itself takes; only how the sleds stand now needs them."""
    run(capsys, ATTACH)
    assert "\n\nLong sled: " in run(capsys, "list LOG")[1]
    line = "['log', 'list', 'LOG', '--last', '9']"
    code = f"import sys; from visioncheck.cli import main; main({line}); print(sorted(sys.modules))"
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert "+0.012°" in said
    assert "'sqlite3'" in said
    assert "'numpy'" not in said
    assert "'scipy'" not in said


def test_a_reading_that_says_no_interval_is_listed_with_one(place, capsys):
    reading = make_reading(dof=4.0)
    del reading["fence_error_deg"]["expanded"]
    (place / "reading.json").write_text(json.dumps(reading))
    run(capsys, ATTACH)
    # Student's t for 4 degrees of freedom is 2.776 (JCGM 100:2008, table G.2)
    assert "+0.012° ± 0.006°" in run(capsys, "list LOG")[1]
