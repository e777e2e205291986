"""One photo is one reading: given twice, under whatever name, it would make the ± too small."""

from __future__ import annotations

import shutil

import pytest

import visioncheck
from tests.conftest import PHOTOS
from visioncheck.cli import main

CORNER = PHOTOS / "corner-2.jpg"


@pytest.mark.parametrize("how", [(), ("--turned",), ("--recut", "end for end"), ("--cut", "fresh")])
def test_measure_refuses_a_copy_under_another_name(how, tmp_path, capsys):
    copy = tmp_path / "copy.jpg"
    shutil.copy(CORNER, copy)
    assert main(["measure", str(CORNER), str(copy), *how]) == 2
    said = capsys.readouterr()
    assert "is given twice, as" in said.err
    assert "a photo counts once" in said.err
    assert "Fence" not in said.out


@pytest.mark.photos
def test_pooled_from_python_it_is_refused():
    found = visioncheck.measure(CORNER, fence_edge="top")
    with pytest.raises(visioncheck.InputError, match=r"holds the photo corner-2.jpg twice"):
        visioncheck.pool([found, found])


@pytest.mark.photos
def test_a_pair_from_python_likewise():
    with pytest.raises(visioncheck.UserError, match="is given twice"):
        visioncheck.measure((CORNER, CORNER), recut="end for end")
