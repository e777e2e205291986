"""Which photos, whose, and with which rig: folders, manifests, tags and phones."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from tests.report.hand_made import SLED, photo
from visioncheck.batch.choose import choose_rig, choose_sled
from visioncheck.batch.jobs import BatchPhoto, Known, folder_jobs, manifest_jobs, read_rigs, read_sleds
from visioncheck.camera.lens import Lens
from visioncheck.camera.rig import Rig, save_rig
from visioncheck.camera.steadiness import supposed
from visioncheck.cli import main
from visioncheck.errors import Refusal, UserError
from visioncheck.measuring.detect import Detection
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import RigFile, SledFile
from visioncheck.photo.load import Exif
from visioncheck.points.model import TargetPoints
from visioncheck.present.naming import error_sentence

NOTHING = PieceOptions()
SLEDS = {name: SledFile(replace(SLED, name=name), name) for name in ("Alder Lane", "Long sled")}
KNOWN = Known(SLEDS, {7: "Long sled", 8: "Alder Lane"}, {})


@pytest.fixture(autouse=True)
def _place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def touch(*names):
    for name in names:
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")


def make_rig(**changes):
    lens = Lens(400, 300, np.array([300.0, 200, 150, 0, 0, 0, 0, 0]), np.zeros((2, 0)), (0.0, 0.0, 0.0))
    points = np.zeros((8, 3))
    points[:, 0] = np.arange(8)
    fields = {
        "lens": lens,
        "paper": "a4",
        "field": "light",
        "sheet": np.zeros(8, int),
        "index": np.arange(8),
        "points_mm": points,
        "covariance": np.eye(32),
        "scale_u_rel": 0.001,
        "ruled_mm": None,
        "residual_px": 0.03,
        "photos": 8,
        "make": "Larch",
        "model": "Larch 2",
        "focal_mm": None,
        "date": "2026-03-01",
        "steadiness": supposed(400, 300),
    }
    return Rig(**{**fields, **changes})


def seen(sheets=(0,), paper="a4", field="light", **exif):
    none = np.zeros((0, 2))
    points = TargetPoints(paper, field, np.array(sheets), np.zeros(len(sheets), int), none, none, none, none, 1.0)
    return Detection(replace(photo(), exif=Exif(**{"make": "Larch", "model": "Larch 2", **exif})), points)


# ---------------------------------------------------------------- folders


def test_a_folder_is_searched_and_sub_folders_name_sleds():
    touch("p/b.JPG", "p/alder-lane/a.heic", "p/alder-lane/second day/c.png", "p/elsewhere/d.jpeg")
    touch("p/notes.txt", "p/.trash/e.jpg", "p/log/photos/ab/f.jpg")
    jobs = folder_jobs(Path("p"), KNOWN, NOTHING, "Ida", leave_out=Path("p/log"))
    assert {job.label: job.sled for job in jobs} == {
        "b.JPG": None,
        "alder-lane/a.heic": "Alder Lane",
        "alder-lane/second day/c.png": "Alder Lane",
        "elsewhere/d.jpeg": None,
    }
    assert {job.person for job in jobs} == {"Ida"}
    assert all(job.path.is_file() for job in jobs)


def test_a_folder_without_photos():
    touch("p/notes.txt")
    with pytest.raises(UserError, match="no photos"):
        folder_jobs(Path("p"), KNOWN, NOTHING, "", leave_out=Path("log"))


# ---------------------------------------------------------------- manifests


def manifest(text, told=NOTHING):
    Path("m").mkdir(exist_ok=True)
    Path("m/list.csv").write_bytes(text.encode())
    return manifest_jobs(Path("m/list.csv"), KNOWN, told, "Ida")


def test_a_manifest_says_all_there_is_to_say():
    head = "photo,sled,thickness,piece,fence_edge,cuts,person,note,adjusted,time"
    row = 'in/a.jpg,alder-lane,3/4in,strip,left,5,Bo,"dry, old",3/8 turn,2026-03-01T10:00+01:00'
    (full, bare), _ = manifest(f"{head}\n{row}\n\nb.jpg,,,,,,,,,\n", PieceOptions(cuts=9))
    assert full.path == Path("m/in/a.jpg").absolute()
    assert (full.sled, full.told.piece, full.told.fence_edge, full.told.cuts) == ("Alder Lane", "strip", "left", 5)
    assert full.told.thickness.value == pytest.approx(19.05)
    assert (full.person, full.note, full.adjusted) == ("Bo", "dry, old", "3/8 turn")
    assert full.time == datetime(2026, 3, 1, 9, tzinfo=UTC)
    assert bare == BatchPhoto(Path("m/b.jpg").absolute(), "b.jpg", PieceOptions(cuts=9), person="Ida")


@pytest.mark.parametrize("mark", [";", "\t"])
def test_a_manifest_as_spreadsheets_write_it(mark):
    (job,), _ = manifest(f"\ufeffPhoto{mark}Note\r\na.jpg{mark}one, two\r\n".replace("Note", "note "))
    assert (job.label, job.note) == ("a.jpg", "one, two")


def test_a_manifest_may_name_sled_and_rig_files_beside_it():
    Path("m").mkdir()
    assert main(["sled", "m/new.toml", "--defaults", "--units", "mm", "--name", "New sled"]) == 0
    save_rig(make_rig(), Path("m/phone.json"))
    jobs, known = manifest("photo,sled,rig\na.jpg,new.toml,phone.json\nb.jpg,New sled,phone.json\n")
    assert {job.sled for job in jobs} == {"New sled"}
    assert {job.rig for job in jobs} == {"m/phone.json"}
    assert set(known.sleds) == {"Alder Lane", "Long sled", "New sled"}
    assert known.rigs["m/phone.json"].rig.model == "Larch 2"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "column photo"),
        ("picture\na.jpg\n", "unknown column 'picture'"),
        ("photo,fence-edge\na.jpg,left\n", "did you mean fence_edge"),
        ("photo,photo\na.jpg,b.jpg\n", "each column once"),
        ("photo\n", "lists no photos"),
        ("photo\na.jpg,b\n", "line 2: more values"),
        ("photo,note\n,lost\n", "line 2: the column photo is empty"),
        ("photo,cuts\na.jpg,one\n", "line 2: cuts 'one'"),
        ("photo,cuts\na.jpg,1\n", "line 2: cuts '1'"),
        ("photo,thickness\na.jpg,18\n", "line 2: thickness"),
        ("photo,piece\na.jpg,disc\n", "line 2: piece"),
        ("photo,time\na.jpg,noon\n", "line 2: time 'noon'"),
        ("photo,sled\na.jpg,Unknown\n", "neither a sled file nor a sled known here (Alder Lane, Long sled)"),
        ("photo,rig\na.jpg,none.json\n", "line 2: m/none.json: the rig file cannot be read"),
        ('photo,note\na.jpg,"never closed\n', "not usable as CSV"),
    ],
)
def test_a_wrong_manifest_is_said_before_the_work(text, said):
    with pytest.raises(UserError) as caught:
        manifest(text)
    assert said in str(caught.value)
    assert str(caught.value).startswith("m/list.csv")


# ---------------------------------------------------------------- sleds and rigs


def test_files_and_folders_of_sleds_and_rigs():
    Path("sleds").mkdir()
    for name in ("one", "two"):
        assert main(["sled", f"sleds/{name}.toml", "--defaults", "--units", "mm", "--name", f"Sled {name}"]) == 0
    save_rig(make_rig(), Path("rigs/a.json"))
    assert set(read_sleds([Path("sleds")])) == {"Sled one", "Sled two"}
    assert set(read_rigs([Path("rigs"), Path("rigs/a.json")])) == {"rigs/a.json"}
    Path("more").mkdir()
    with pytest.raises(UserError, match=r"holds no \.json"):
        read_rigs([Path("more")])
    Path("more/again.toml").write_bytes(Path("sleds/one.toml").read_bytes())
    with pytest.raises(UserError, match="second sled file of the name 'Sled one'"):
        read_sleds([Path("sleds"), Path("more")])


def job(**changes):
    return BatchPhoto(Path("a.jpg"), "a.jpg", NOTHING, **changes)


@pytest.mark.parametrize(
    ("said", "tags", "only", "sled"),
    [
        ("Alder Lane", [], None, "Alder Lane"),
        (None, [7], None, "Long sled"),
        (None, [99, 7], None, "Long sled"),
        ("Long sled", [7, 99], None, "Long sled"),
        (None, [], "Alder Lane", "Alder Lane"),
        (None, [7], "Alder Lane", "Long sled"),
    ],
)
def test_whose_piece_it_is(said, tags, only, sled):
    assert choose_sled(job(sled=said), tags, replace(KNOWN, only=only)) == sled


@pytest.mark.parametrize(
    ("said", "tags", "reason"),
    [
        (None, [], "shows no piece tag"),
        (None, [99], "its tag 99 is in no line"),
        (None, [7, 8], "tag 7 is Long sled's, tag 8 is Alder Lane's"),
        ("Alder Lane", [7], "tag 7 is Long sled's, it is said to be Alder Lane's"),
        (None, [5], "belongs to Lost sled"),
    ],
)
def test_whose_piece_it_is_cannot_be_told(said, tags, reason):
    known = replace(KNOWN, tags={**KNOWN.tags, 5: "Lost sled"})
    with pytest.raises(UserError, match=reason):
        choose_sled(job(sled=said), tags, known)


RIGS = {
    "plain": RigFile(make_rig(), ""),
    "dark": RigFile(make_rig(field="dark"), ""),
    "letter": RigFile(make_rig(paper="letter"), ""),
    "other phone": RigFile(make_rig(model="Larch 3", paper="a3"), ""),
    "other size": RigFile(replace(make_rig(), lens=replace(make_rig().lens, width=401), paper="tabloid"), ""),
}


@pytest.mark.parametrize(
    ("detection", "rig"),
    [
        (seen(), "plain"),
        (seen(field="dark"), "dark"),
        (seen(paper="letter"), "letter"),
        (seen(paper="letter", make=None, model=None), "letter"),
        (seen(paper="a3", model="Larch 3"), "other phone"),
    ],
)
def test_the_rig_of_this_phone_and_sheet(detection, rig):
    assert choose_rig(job(), detection, replace(KNOWN, rigs=RIGS)) == rig


@pytest.mark.parametrize("detection", [seen(paper="a3"), seen(paper="tabloid"), seen(sheets=(0, 1)), seen(make="Elm")])
def test_no_rig_of_this_phone_and_sheet(detection):
    with pytest.raises(Refusal, match="none given") as refused:
        choose_rig(job(), detection, replace(KNOWN, rigs=RIGS))
    assert re.search(r"Larch 2 \(400 x 300 px\) on a light .* no rig is given", error_sentence(refused.value))


def test_two_prints_of_one_layout_are_not_guessed_between():
    known = replace(KNOWN, rigs={**RIGS, "second print": RIGS["plain"]})
    with pytest.raises(Refusal, match="plain and second print"):
        choose_rig(job(), seen(), known)
    assert choose_rig(job(rig="second print"), seen(), known) == "second print"


def test_without_any_rig_the_sheet_is_taken_as_drawn():
    assert choose_rig(job(), seen(), KNOWN) is None
