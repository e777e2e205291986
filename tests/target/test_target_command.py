"""The command that writes the PDFs, and the ready-made ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from visioncheck.cli import main
from visioncheck.printed.draw import draw_sheets, draw_tags
from visioncheck.printed.layout import PAPERS, target_layout

READY_MADE = Path(__file__).parents[2] / "calibration_targets"
SHEETS = [("a4", "light", 2), ("a4", "dark", 2), ("letter", "light", 2), ("letter", "dark", 2), ("a3", "light", 1)]
SHEETS += [("tabloid", "light", 1)]


@pytest.mark.parametrize(("paper", "field", "sheets"), SHEETS)
def test_ready_made_sheets_are_what_is_drawn_now(paper, field, sheets):
    assert (READY_MADE / f"{paper}-{field}.pdf").read_bytes() == draw_sheets(target_layout(paper), field, sheets)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_ready_made_tags_are_what_is_drawn_now(paper):
    assert (READY_MADE / f"tags-{paper}.pdf").read_bytes() == draw_tags(PAPERS[paper])


def test_no_other_ready_made_file_lies_about():
    names = {f"{paper}-{field}.pdf" for paper, field, _ in SHEETS} | {"tags-a4.pdf", "tags-letter.pdf"}
    assert {path.name for path in READY_MADE.iterdir()} == names


def test_writes_both_files_and_nothing_else(tmp_path):
    folder = tmp_path / "new" / "folder"
    assert main(["target", "--paper", "letter", "--field", "dark", "--sheets", "3", "-o", str(folder)]) == 0
    assert {path.name for path in folder.iterdir()} == {"letter-dark.pdf", "tags-letter.pdf"}
    assert (folder / "letter-dark.pdf").read_bytes() == draw_sheets(target_layout("letter"), "dark", 3)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--paper", "a5"], "'a5'"),
        (["--field", "grey"], "'grey'"),
        (["--sheets", "0"], "1 to 7"),
        (["--sheets", "8"], "1 to 7"),
        (["--sheets", "two"], "--sheets"),
    ],
)
def test_bad_options_get_one_sentence(tmp_path, capsys, options, said):
    assert main(["target", *options, "-o", str(tmp_path)]) == 2
    assert list(tmp_path.iterdir()) == []
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_a_folder_that_cannot_be_written_gets_one_sentence(tmp_path, capsys):
    in_the_way = tmp_path / "file"
    in_the_way.write_text("not a folder")
    assert main(["target", "-o", str(in_the_way)]) == 2
    error = capsys.readouterr().err
    assert str(in_the_way) in error
    assert error.count("\n") == 1
    assert in_the_way.read_text() == "not a folder"
