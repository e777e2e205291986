"""`visioncheck batch` on real photos: into a real log, from real processes, interrupted and killed for real."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.conftest import PHOTOS
from visioncheck.batch import run
from visioncheck.cli import main
from visioncheck.log.check import check
from visioncheck.log.store import Log

ROOT = Path(__file__).parents[2]
SLEDS = ROOT / "fixtures" / "sleds"
LONGEST_S = 120
pytestmark = pytest.mark.photos


@pytest.fixture(autouse=True)
def _place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def put(name, source="corner-2", tail=b""):
    """Copy a photo; bytes after a JPEG's end change its hash and nothing else."""
    path = Path(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((PHOTOS / f"{source}.jpg").read_bytes() + tail)
    return path


def entries(folder="log"):
    with Log.open(Path(folder), readonly=True) as log:
        assert list(check(log)) == []
        return list(log.entries())


def batch(capsys, *options):
    capsys.readouterr()
    code = main(["batch", *map(str, options), "--log", "log", "--json"])
    said = capsys.readouterr()
    found = {each["file"]: each for each in map(json.loads, said.out.splitlines())}
    return code, {name: each["state"] for name, each in found.items()}, found, said.err


def test_a_folder_of_several_sleds_measured_once(capsys, rig_file, monkeypatch):
    put("in/alder-lane/a.jpg", "corner-2")
    put("in/b.jpg", "corner-1")
    put("in/copy of b.jpg", "corner-1")
    put("in/alder-lane/bare.jpg", "survey-1")
    Path("in/broken.jpg").write_bytes((PHOTOS / "corner-1.jpg").read_bytes()[:200_000])
    shutil.copytree(SLEDS, "sleds")
    assert main(["log", "tag", "log", "222", "Quince Yard"]) == 0
    options = ("in", "--sled", "sleds", "--rig", rig_file, "--person", "Ida")

    code, states, found, said = batch(capsys, *options, "-o", "out/all.csv", "-o", "out/all.jsonl")
    assert code == 1
    assert states == {
        "alder-lane/a.jpg": "measured",
        "alder-lane/bare.jpg": "refused",
        "b.jpg": "measured",
        "broken.jpg": "refused",
        "copy of b.jpg": "same photo",
    }
    assert "broken.jpg: the JPEG is cut short" in said
    assert "bare.jpg: no workpiece with straight edges" in said
    assert "5 photos: 2 measured" in said
    kept = {entry.file_name: entry for entry in entries()}
    assert {name: entry.sled for name, entry in kept.items()} == {"a.jpg": "Alder Lane", "b.jpg": "Quince Yard"}
    assert kept["a.jpg"].fence_error_deg == pytest.approx(0.085, abs=0.02)
    assert kept["b.jpg"].person == "Ida"
    assert found["b.jpg"]["entry"] == kept["b.jpg"].id
    with Path("out/all.csv").open(newline="") as file:
        rows = {row["file"]: row for row in csv.DictReader(file)}
    assert float(rows["b.jpg"]["fence_error_deg"]) == kept["b.jpg"].fence_error_deg
    assert "no-piece" in rows["alder-lane/bare.jpg"]["flags"]
    assert [json.loads(line) for line in Path("out/all.jsonl").read_text().splitlines()] == list(found.values())

    # again: nothing to do, and no process is started for it
    with monkeypatch.context() as patch:
        patch.setattr(run, "_pool", None)
        code, states, _, said = batch(capsys, *options)
    assert code == 1
    assert list(states.values()) == ["as before", "refused", "as before", "refused", "same photo"]
    assert "no workpiece with straight edges" in said
    assert {entry.file_name: entry for entry in entries()} == kept

    # one sled's file changed: its photos alone, each as a correction of what stood
    sled = Path("sleds/quince-yard.toml")
    sled.write_text(sled.read_text() + "\n# the fence was planed\n")
    Path("in/alder-lane/bare.jpg").unlink()
    Path("in/broken.jpg").unlink()
    code, states, _, _ = batch(capsys, *options)
    assert code == 0
    assert states == {
        "alder-lane/a.jpg": "as before",
        "b.jpg": "measured",
        "copy of b.jpg": "same photo",
    }
    newest = max(entries(), key=lambda entry: entry.written)
    assert (newest.corrects, newest.person) == (kept["b.jpg"].id, "Ida")


def test_a_withdrawn_reading_stays_withdrawn(capsys, rig_file):
    put("in/a.jpg")
    options = ("in", "--sled", SLEDS / "alder-lane.toml", "--rig", rig_file)
    assert batch(capsys, *options)[0] == 0
    (entry,) = entries()
    assert main(["log", "attach", "log", "--corrects", entry.id, "--withdraw", "wrong board"]) == 0
    code, states, _, said = batch(capsys, *options, "--cuts", "5")
    assert (code, states) == (0, {"a.jpg": "withdrawn"})
    assert "wrong board" in said


def test_two_photos_of_one_piece_are_one_reading(capsys, rig_file):
    put("in/first.jpg", "corner-31-turn0")
    put("in/second.jpg", "corner-31-turn90")
    Path("list.csv").write_text("photo,turned\nin/first.jpg,in/second.jpg\n")
    options = ("--sled", SLEDS / "alder-lane.toml", "--rig", rig_file)
    code, states, _, _ = batch(capsys, "list.csv", *options)
    assert (code, states) == (0, {"in/first.jpg": "measured"})
    (entry,) = entries()
    assert len(entry.photos) == 2
    # the folder they lie in, without the manifest: the pair stands, and its second photo does not count again
    code, states, _, _ = batch(capsys, "in", *options)
    assert (code, states) == (0, {"first.jpg": "as before", "second.jpg": "same photo"})
    assert entries() == [entry]


def test_one_photo_said_to_be_two_pieces_is_refused(capsys):
    put("in/alder-lane/a.jpg")
    put("in/quince-yard/a.jpg")
    code, states, _, said = batch(capsys, "in", "--sled", SLEDS)
    assert (code, set(states.values())) == (1, {"refused"})
    assert "one and the same photo" in said
    assert entries() == []


def start(*options):
    """Run it as its own program, in a process group of its own as a terminal gives it."""
    program = [sys.executable, "-c", "from visioncheck.start import run; run()", "batch", *map(str, options)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        program, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, start_new_session=True
    )


def wait_for_an_entry(program):
    end = time.monotonic() + LONGEST_S
    while time.monotonic() < end and program.poll() is None:
        if Path("log/log.sqlite").exists():
            with Log.open(Path("log"), readonly=True) as log:
                if next(log.entries(), None):
                    return
        time.sleep(0.05)
    raise AssertionError(program.communicate(timeout=LONGEST_S))


def require_no_process_of(program):
    """The program is gone, and soon all that it started."""
    end = time.monotonic() + LONGEST_S
    while time.monotonic() < end:
        try:
            os.killpg(program.pid, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    pytest.fail("a worker outlived the batch")


@pytest.fixture
def four_photos(rig_file):
    for number in range(4):
        put(f"in/{number}.jpg", tail=bytes([number]))
    return ("in", "--log", "log", "--sled", SLEDS / "alder-lane.toml", "--rig", rig_file, "--workers", 1)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_asked_to_stop_it_keeps_what_is_done(four_photos, number):
    """Ctrl-C reaches the whole group, SIGTERM the one process that it is sent to."""
    program = start(*four_photos, "-o", "all.csv")
    wait_for_an_entry(program)
    if number == signal.SIGINT:
        os.killpg(program.pid, number)
    else:
        program.send_signal(number)
    out, said = program.communicate(timeout=LONGEST_S)
    assert program.returncode == 128 + number
    require_no_process_of(program)
    assert "Traceback" not in said
    kept = entries()
    assert 1 <= len(kept) < 4
    assert f"4 photos: {len(kept)} measured, {4 - len(kept)} not yet" in said
    assert out.count("measured") == len(kept)
    assert len(Path("all.csv").read_text().splitlines()) == 1 + len(kept)


def test_killed_it_leaves_the_log_whole_and_no_process(four_photos):
    program = start(*four_photos)
    wait_for_an_entry(program)
    program.kill()
    program.communicate(timeout=LONGEST_S)
    require_no_process_of(program)
    assert len(entries()) >= 1


def test_a_cluster_measures_the_same(capsys, monkeypatch, rig_file):
    from distributed import LocalCluster

    put("in/a.jpg")
    Path("in/broken.jpg").write_bytes((PHOTOS / "corner-1.jpg").read_bytes()[:200_000])
    Path("list.csv").write_text("photo,note\nin/a.jpg,dry\nin/broken.jpg,\nin/gone.jpg,\n")
    options = ("list.csv", "--sled", SLEDS / "alder-lane.toml", "--rig", rig_file)
    Path("elsewhere").mkdir()
    monkeypatch.chdir("elsewhere")  # its workers stand in another folder than we
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        monkeypatch.chdir("..")
        code, states, _, said = batch(capsys, *options, "--cluster", cluster.scheduler_address)
    assert code == 1
    assert states == {"in/a.jpg": "measured", "in/broken.jpg": "refused", "in/gone.jpg": "refused"}
    assert "in/gone.jpg: cannot be read" in said or "gone.jpg" in said
    (entry,) = entries()
    assert (entry.note, entry.sled) == ("dry", "Alder Lane")
    assert entry.fence_error_deg == pytest.approx(0.085, abs=0.02)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["nowhere"], "no such folder"),
        (["empty"], "holds no photos"),
        (["sled.txt"], "neither a folder nor a .csv manifest"),
        (["in", "-o", "all.xlsx"], ".csv or .jsonl"),
        (["in", "-o", "empty.csv"], "Cannot write"),
        (["in", "--rig", "empty"], "no .json file"),
        (["in", "--rig", "none.json"], "none.json"),
        (["in", "--sled", "sled.txt"], "sled.txt"),
        (["in", "--piece", "disc"], "--piece"),
        (["in", "--cluster", "nonsense://x", "--sled", str(SLEDS)], "no scheduler answers"),
    ],
)
def test_what_is_wrong_is_one_sentence(capsys, options, said):
    Path("empty").mkdir()
    Path("empty.csv").mkdir()
    Path("sled.txt").write_text("?")
    put("in/a.jpg")
    assert main(["batch", *options, "--log", "log"]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not Path("log/log.sqlite").exists() or entries() == []


def test_gaps_and_strips_in_a_manifest_come_out_as_single_photos_do(capsys, rig_file):
    """Told by columns; a front fence turns what a strip's end or a gap says, as for one photo."""
    front = (SLEDS / "alder-lane.toml").read_text().replace('side = "rear"', 'side = "front"', 1)
    Path("front.toml").write_text(front.replace("Alder Lane", "Front Lane"))
    shutil.copy(SLEDS / "alder-lane.toml", "rear.toml")
    rows = ["photo,sled,piece,thickness,fence_edge,cuts,turned_half"]
    kinds = {"gap": "gap-1,gap,19.2mm,bottom,,right", "strip": "strip-1,strip,12.3mm,left,5,"}
    for name, row in kinds.items():
        source, *said = row.split(",")
        for n, sled in enumerate(("rear", "front")):
            put(f"{name}-{sled}.jpg", source, tail=bytes([n]))
            rows.append(",".join([f"{name}-{sled}.jpg", f"{sled}.toml", *said]))
    Path("list.csv").write_text("\n".join(rows) + "\n")
    code, _, found, _ = batch(capsys, "list.csv", "--rig", rig_file)
    assert code == 0
    e = {
        name: found[f"{name}.jpg"]["fence_error_deg"]["value"]
        for name in ("gap-rear", "gap-front", "strip-rear", "strip-front")
    }
    assert e["gap-front"] == pytest.approx(-e["gap-rear"], abs=1e-9)
    assert e["strip-front"] == pytest.approx(-e["strip-rear"], abs=1e-9)
    assert found["gap-rear.jpg"]["told"]["turned_half"] == "right"
    for name, options in {
        "gap": ["--turned-half", "right", "--fence-edge", "bottom"],
        "strip": ["--cuts", "5", "--fence-edge", "left"],
    }.items():
        told = ["--piece", name, *options, "--thickness", "19.2mm" if name == "gap" else "12.3mm"]
        for sled in ("rear", "front"):
            capsys.readouterr()
            assert (
                main(
                    ["measure", f"{name}-{sled}.jpg", "--rig", str(rig_file), "--sled", f"{sled}.toml", *told, "--json"]
                )
                == 0
            )
            assert json.loads(capsys.readouterr().out)["fence_error_deg"]["value"] == pytest.approx(e[f"{name}-{sled}"])


def test_a_photo_whose_kind_is_open_is_listed_as_a_question_until_the_table_tells(capsys, rig_file):
    put("in/panel.jpg", "panel-2")
    options = ("--sled", SLEDS / "alder-lane.toml", "--rig", rig_file)
    _, _, found, said = batch(capsys, "in", *options)
    asked = found["in/panel.jpg"] if "in/panel.jpg" in found else found["panel.jpg"]
    assert asked["open_kinds"] == ["panel", "corner"]
    assert "fence_error_deg" not in asked
    assert "correction" not in asked
    assert "1 of them with a question" in said
    assert "say --piece panel" in said
    Path("list.csv").write_text("photo,piece\nin/panel.jpg,panel\n")
    _, _, found, _ = batch(capsys, "list.csv", *options)
    (told,) = found.values()
    assert told["piece"] == "panel"
    assert told["fence_error_deg"]["value"] == pytest.approx(0.093, abs=0.01)


def test_a_frame_in_a_manifest_comes_out_as_its_photo_does(capsys, rig_file):
    shutil.copy(PHOTOS.parent / "frame-1.jpg", "frame.jpg")
    told = ["--defaults", "--mitre", "45deg", "--forward", "left", "--name", "Mitre sled"]
    assert main(["sled", "mitre.toml", *told]) == 0
    Path("list.csv").write_text("photo,thickness,frame,at_fence\nframe.jpg,18mm,4,outer\n")
    code, _, found, _ = batch(capsys, "list.csv", "--rig", rig_file, "--sled", "mitre.toml")
    assert code == 0
    options = ["--rig", str(rig_file), "--sled", "mitre.toml", "--thickness", "18mm", "--frame", "4"]
    assert main(["measure", "frame.jpg", *options, "--at-fence", "outer", "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert found["frame.jpg"]["fence_error_deg"] == alone["fence_error_deg"]
    assert alone["correction"]["move_mm"]["value"] > 0
