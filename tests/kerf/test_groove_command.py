"""The command: one groove typed, a plan, its drawing, and refusals that leave nothing behind."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from visioncheck.cli import main
from visioncheck.kerf.passes import lay_out
from visioncheck.kerf.read_plan import load_plan
from visioncheck.present.groove_drawing import draw_layout
from visioncheck.present.grooves import format_setting

PLAN = Path(__file__).parents[2] / "fixtures" / "plans" / "bookcase-side.toml"
ONE = [
    "--at",
    "3in",
    "--width",
    "3/4in",
    "--board",
    "12in",
    "--kerf",
    "3/4in",
    "--zero-kerf",
    "1/8in",
    "--fence",
    "right",
    "--flange",
    "left",
]


def test_one_groove_typed_is_five_eighths_off(capsys):
    # common practice, no source: a 3/4 in stack on a scale zeroed for 1/8 in
    assert main(["groove", *ONE]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "3.625 in (3 5/8 in)" in out
    assert "reads 0.625 in more" in out


def test_json_has_every_pass(capsys):
    assert main(["groove", str(PLAN), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    layout = lay_out(load_plan(PLAN))
    assert found["schema"] == 1
    for one, cut in zip(found["grooves"], layout.cuts, strict=True):
        assert [p["setting_mm"] for p in one["passes"]] == [p.setting_mm for p in cut.passes]
        assert one["width_mm"]["value"] == pytest.approx(0.733 * 25.4)
        assert one["width_mm"]["expanded"] == pytest.approx(0.002 * 25.4)
    assert len(found["warnings"]) == 1


def test_the_drawing_is_to_scale(tmp_path, capsys):
    assert main(["groove", str(PLAN), "-o", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"bookcase-side.svg", "bookcase-side.png"}
    layout = lay_out(load_plan(PLAN))
    svg, png = draw_layout(layout)
    assert (tmp_path / "out" / "bookcase-side.svg").read_bytes() == svg
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    # a row of the board: wood broken by three grooves, the fence on the right
    wood = np.abs(picture.astype(int) - (0xB8, 0xD6, 0xE8)).max(2) < 8
    row = wood[int(np.argmax(wood.sum(1) > 0.6 * wood.shape[1])) + 20]
    places = np.flatnonzero(row)
    board_px = places[-1] - places[0]
    gaps = [(places[k], places[k + 1]) for k in np.flatnonzero(np.diff(places) > 10)]
    per_px = layout.plan.board_mm / board_px
    # seen by the operator with the fence on the right: the groove farthest from the fence is leftmost
    expected = [(30 - cut.far_mm / 25.4, 30 - cut.near_mm / 25.4) for cut in reversed(layout.cuts)]
    got = [tuple((np.array(gap) - places[0]) * per_px / 25.4) for gap in gaps]
    assert np.array(got) == pytest.approx(np.array(expected), abs=0.12)
    text = svg.decode()
    for cut in layout.cuts:
        for one in cut.passes:
            assert format_setting(one.setting_mm, "in") in text


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (25.4 * 3.625, "3.625 in (3 5/8 in)"),
        (25.4 * (3.625 + 0.002), "3.627 in (3 5/8 in + 2.0 thou)"),
        (25.4 * (1 / 64 - 0.003), "0.013 in (1/64 in − 3.0 thou)"),
        (0.0, "0.000 in (0 in)"),
    ],
)
def test_settings_in_decimals_and_sixty_fourths(mm, said):
    assert format_setting(mm, "in") == said


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "--at"),
        (["--at", "3in"], "--width"),
        ([str(PLAN), "--at", "3in"], "--at does not go with a plan"),
        (["gone.toml"], "No plan file gone.toml"),
        ([*ONE, "--at", "3"], "no unit"),
        ([*ONE, "--kerf", "1in"], "narrower"),
        ([*ONE, "--at", "11.5in"], "leaves the board"),
        ([*ONE, "--fence", "rear"], "saw.fence"),
        ([*ONE[:6], *ONE[8:], "--overlap", "1mm"], "--overlap belongs to --kerf"),
    ],
)
def test_what_cannot_be_gets_one_sentence(tmp_path, capsys, options, said):
    assert main(["groove", *options, "-o", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_folder_in_the_way_gets_one_sentence(tmp_path, capsys):
    (tmp_path / "out").write_text("a file")
    assert main(["groove", *ONE, "-o", str(tmp_path / "out")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"", b"x" * 200_000, b"[" * 50_000])
def test_files_that_are_no_plan(tmp_path, capsys, content):
    path = tmp_path / "plan.toml"
    path.write_bytes(content)
    assert main(["groove", str(path)]) == 2
    error = capsys.readouterr().err
    assert str(path) in error
    assert error.count("\n") == 1
