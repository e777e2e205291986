"""What is told of a piece has a bearing on its kind, or is refused; what was told of another kind is forgotten."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from tests.conftest import PHOTOS
from visioncheck.batch.jobs import Known, manifest_jobs, require_used
from visioncheck.cli import main
from visioncheck.errors import InputError
from visioncheck.fence.signs import panel_sides
from visioncheck.measuring.options import PieceOptions, options_from_json, read_piece_options, require_kind
from visioncheck.present.naming import error_sentence

MITRE = PHOTOS.parent / "mitre-1.jpg"
TOLD = {
    "fence_edge": "top", "cuts": 5, "turned_half": "left", "nominal": "45", "cut_edge": "left", "cut": "fresh",
    "edges": "a,b", "slot": 2, "frame": 4,
}  # fmt: skip
COUNTS = {
    "corner": {"fence_edge", "nominal", "edges", "cut"},
    "panel": {"fence_edge", "cut"},
    "strip": {"fence_edge", "cuts", "nominal", "cut"},
    "slot": {"slot"},
    "gap": {"fence_edge", "turned_half", "cut", "frame"},
    "bevel": {"fence_edge", "turned_half", "cut_edge", "nominal"},
    "straight": {"fence_edge"},
}
"""By the handbook's topics cuts, slots, angles, bevel and straight, and DEVELOPERS.md's table of what is measured."""


@pytest.mark.parametrize("name", TOLD)
@pytest.mark.parametrize("kind", COUNTS)
def test_what_has_no_bearing_on_a_kind_is_refused(kind, name):
    if name in COUNTS[kind]:
        assert read_piece_options(piece=kind, **{name: TOLD[name]}).kind == kind
        return
    with pytest.raises(InputError) as refused:
        read_piece_options(piece=kind, **{name: TOLD[name]})
    option = f"--{name.replace('_', '-')}"
    assert error_sentence(refused.value) == f"{option} has no bearing on --piece {kind}; leave it out."


@pytest.mark.parametrize(
    ("told", "kind"),
    [({"cuts": 5}, "strip"), ({"slot": 1}, "slot"), ({"edges": "a,b"}, "corner"), ({"recut": "end for end"}, "corner"),
     ({"fence_edge": "top"}, None)],
)  # fmt: skip
def test_what_one_kind_alone_has_says_the_kind(told, kind):
    assert read_piece_options(**told).kind == kind


def test_two_halves_have_no_cut_edge_and_no_angle():
    for told in ({"cut_edge": "left"}, {"nominal": "80"}):
        with pytest.raises(InputError, match="has no bearing on two halves"):
            read_piece_options(piece="bevel", turned_half="left", **told)


def test_what_is_said_anew_of_another_kind_leaves_nothing_of_the_first():
    strip = PieceOptions(piece="strip", cuts=5, fence_edge="left", cut="same")
    assert PieceOptions(piece="corner").over(strip) == PieceOptions(piece="corner", fence_edge="left", cut="same")
    assert PieceOptions(piece="slot").over(strip) == PieceOptions(piece="slot")
    assert PieceOptions(fence_edge="right").over(strip).cuts == 5
    # what is said now is never dropped in silence
    with pytest.raises(InputError, match="turned_half has no bearing"):
        require_kind(PieceOptions(turned_half="left").over(strip))


def test_what_an_older_version_kept_without_effect_is_left_out():
    kept = {"told": {"piece": "panel", "cuts": 5, "fence_edge": "top"}}
    assert options_from_json(kept) == PieceOptions(piece="panel", fence_edge="top")


def test_each_field_is_of_some_kind():
    # of a frame's last joint, a gap of its own kind: `tests/fence/test_frame_by_photo.py`
    known = set.union({"piece", "thickness", "recut", "nominal_deg", "frame_cuts", "at_fence"}, *COUNTS.values())
    assert {field.name for field in fields(PieceOptions)} <= known


@pytest.mark.parametrize(
    ("rows", "told", "said"),
    [
        ("photo,piece\na.jpg,corner\n", {"cuts": 5}, "--cuts has no effect"),
        ("photo,piece\na.jpg,\nb.jpg,slot\n", {"turned_half": "left"}, "--turned-half has no effect"),
        ("photo,thickness\na.jpg,18mm\n", {"thickness": "19mm"}, "--thickness has no effect"),
        ("photo,piece\na.jpg,slot\n", {"nominal": "45"}, "--nominal has no effect"),
        ("photo,thickness\na.jpg,18mm\nb.jpg,\n", {"thickness": "19mm"}, ""),
        ("photo,piece\na.jpg,gap\nb.jpg,\n", {"turned_half": "left"}, ""),
    ],
)
def test_what_is_said_of_a_table_counts_for_some_row(tmp_path: Path, rows, told, said):
    table = tmp_path / "a.csv"
    table.write_text(rows)
    every = read_piece_options(**told)
    if not said:
        jobs, _ = manifest_jobs(table, Known({}, {}, {}), every, "")
        assert sum(job.told.said.items() >= every.said.items() for job in jobs) == 1
        return
    with pytest.raises(InputError) as refused:
        manifest_jobs(table, Known({}, {}, {}), every, "")
    assert error_sentence(refused.value).startswith(said)


@pytest.mark.parametrize(
    ("rows", "given", "said"),
    [
        ("photo,sled\na.jpg,Oak\n", "ash", "--sled ash.toml has no effect"),
        ("photo,sled\na.jpg,Oak\nb.jpg,\n", "ash", ""),
        ("photo,sled\na.jpg,Ash\n", "ash", ""),
        ("photo,rig\na.jpg,phone.json\n", "rig", "--rig has no effect"),
        ("photo,rig\na.jpg,phone.json\nb.jpg,\n", "rig", ""),
        ("photo,person\na.jpg,Ida\n", "person", "--person has no effect"),
        ("photo,person\na.jpg,Ida\nb.jpg,\n", "person", ""),
    ],
)
def test_what_is_given_for_all_photos_counts_for_some(tmp_path: Path, monkeypatch, rows, given, said):
    monkeypatch.setattr("visioncheck.batch.jobs.read_rig", lambda _: None)
    table = tmp_path / "a.csv"
    table.write_text(rows)
    sleds = dict.fromkeys(("Oak", "Ash"))
    person = "Jo" if given == "person" else ""
    jobs, _ = manifest_jobs(table, Known(sleds, {}, {}), PieceOptions(), person)
    asked = {Path("ash.toml"): frozenset({"Ash"})} if given == "ash" else {}
    rigs = [Path("phone.json")] if given == "rig" else []
    if not said:
        require_used(jobs, asked, rigs, person)
        return
    with pytest.raises(InputError) as refused:
        require_used(jobs, asked, rigs, person)
    assert error_sentence(refused.value).startswith(said)


def test_no_strip_comes_of_cuts_that_close_no_panel(capsys):
    """It ended in a traceback."""
    assert main(["measure", str(MITRE), "--nominal", "45", "--fence-edge", "bottom", "--cuts", "5"]) == 2
    assert "no cuts at 45° close a panel" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("corner", "sides"), [(60, 3), (90, 4), (108, 5), (120, 6), (45, None), (88, None), (180, None), (0, None)]
)
def test_only_the_corners_of_regular_polygons_close(corner, sides):
    """Interior angles of regular polygons: 180° − 360°/n."""
    assert panel_sides(corner) == sides
