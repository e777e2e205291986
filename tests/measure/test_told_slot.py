"""Which of several slots is meant: told by command, table, page and log, and refused where it cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest

from visioncheck.batch.jobs import Known, manifest_jobs
from visioncheck.errors import InputError
from visioncheck.measuring.options import PieceOptions, options_from_json, read_piece_options
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views.photo import check_told
from visioncheck.present.naming import error_sentence


@pytest.mark.parametrize("said", [2, "2", " 2 "])
def test_a_slots_number_says_that_it_is_a_slot_and_is_kept(said):
    told = read_piece_options(slot=said)
    assert (told.piece, told.slot) == ("slot", 2)
    assert options_from_json({"told": told.as_json()}) == told


@pytest.mark.parametrize("said", [0, -1, "two", "1.5", 100, True, ""])
def test_what_is_no_number_of_a_slot(said):
    with pytest.raises(InputError) as refused:
        read_piece_options(slot=said)
    assert "is no number of a slot; count from 1" in error_sentence(refused.value)


@pytest.mark.parametrize("piece", ["corner", "gap", "bevel"])
def test_only_slots_are_numbered(piece):
    with pytest.raises(InputError) as refused:
        read_piece_options(piece=piece, slot=1)
    assert error_sentence(refused.value) == f"--slot has no bearing on --piece {piece}; leave it out."


def test_a_tables_row_says_it_for_itself(tmp_path: Path):
    (tmp_path / "a.csv").write_text("photo,piece,slot\none.jpg,,3\ntwo.jpg,corner,\nthree.jpg,slot,\n")
    every = read_piece_options(slot="2")
    jobs, _ = manifest_jobs(tmp_path / "a.csv", Known({}, {}, {}), every, "")
    assert [(job.told.piece, job.told.slot) for job in jobs] == [("slot", 3), ("corner", None), ("slot", 2)]
    jobs, _ = manifest_jobs(tmp_path / "a.csv", Known({}, {}, {}), PieceOptions(), "")
    assert [job.told.slot for job in jobs] == [3, None, None]


def test_the_page_takes_it_and_says_what_is_wrong_with_it():
    assert check_told({"slot": "2"}, "mm")["slot"] == "2"
    with pytest.raises(RefusedForm) as refused:
        check_told({"slot": "0"}, "mm")
    assert "is no number of a slot" in str(refused.value)
