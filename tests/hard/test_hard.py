"""Some of the hard pictures in a run; `python -m tests.hard.score` scores them all."""

from __future__ import annotations

import pytest

from tests.hard.pictures import drawn_by_lot, scenes
from tests.hard.score import errors_of, read
from tests.hard.strips import read_strip, strip_by_lot, width_errors_mm
from visioncheck.camera.rig_file import load_rig
from visioncheck.errors import Refusal
from visioncheck.present.questions import question_sentence

pytestmark = pytest.mark.photos

CHOSEN = {
    "pencil-side-birch": ("against", "middle"),
    "clamp-oak": ("over", "middle"),
    "pencil-across-piece": ("over", None),
    "painted-grey": None,
    "shadow-left-mdf": None,
    "black-block-oak": ("against", "middle"),
    "grey-clamp-red": ("over", "middle"),
    "dark-field-birch-pencil": ("against", "middle"),
}
"""Of what lies at an edge how it lies and where, in the picture."""


@pytest.mark.parametrize("name", CHOSEN)
def test_a_hard_picture_is_measured_and_the_clutter_named(name, rig_file, tmp_path):
    scene = scenes()[name]()
    reading = read(scene, load_rig(rig_file), tmp_path)
    for error, stated in errors_of(reading, scene):
        assert abs(error) <= stated
    expected = CHOSEN[name]
    assert ("covered-edge" in reading.flags) == (expected is not None)
    if expected is None:
        assert reading.covers == ()
        return
    assert expected[0] in {cover.lies for cover in reading.covers}
    if expected[1]:
        assert [cover.near for cover in reading.covers] == [expected[1]]


def test_a_finger_with_its_end_on_the_work_is_no_second_piece(rig_file, tmp_path):
    scene = drawn_by_lot(7106)
    reading = read(scene, load_rig(rig_file), tmp_path)
    assert "covered-edge" in reading.flags
    for error, stated in errors_of(reading, scene):
        assert abs(error) <= stated


def test_clamps_of_the_works_own_tint_are_asked_about(rig_file, tmp_path):
    """Their flanks look like the work's; which edges are meant is left to the user, who sees them by their letters."""
    reading = read(drawn_by_lot(9004), load_rig(rig_file), tmp_path)
    assert reading.question.code == "edges"
    assert reading.question.fields["passed"]
    assert reading.fence_edge is None
    assert question_sentence(reading.question).startswith("The outline reaches past edges")


@pytest.mark.parametrize("seed", [9531, 9337])
def test_a_stick_beside_the_work_is_not_taken_for_its_side(seed, rig_file, tmp_path):
    """It lay at three degrees along two thirds of a side, or at thirty, and its flank was read as the side."""
    with pytest.raises(Refusal) as refused:
        read(drawn_by_lot(seed), load_rig(rig_file), tmp_path)
    assert (refused.value.code, refused.value.case) == ("covered-edge", "corner")


def test_a_clamps_side_end_to_end_with_the_works_is_not_read(rig_file, tmp_path):
    """It was read as one edge, 0.56° out with ± 0.14°."""
    scene = drawn_by_lot(9315)
    reading = read(scene, load_rig(rig_file), tmp_path)
    assert "a" not in reading.names
    assert all(abs(error) <= 2 * stated for error, stated in errors_of(reading, scene))


def test_a_side_beside_shade_and_a_finger_is_the_works_own(rig_file, tmp_path):
    """A finger and a soft shadow left stations some millimetres about a line that was 5° out with ± 1.4°."""
    scene = drawn_by_lot(9423)
    assert all(abs(error) <= stated for error, stated in errors_of(read(scene, load_rig(rig_file), tmp_path), scene))


@pytest.mark.parametrize("seed", [3, 29])
def test_a_narrow_shadow_does_not_make_a_strip_wider(seed, rig_file, tmp_path):
    """Their widths were out by seven times the ±: the shadow's border, or the bottom arris, was read as the edge."""
    scene = strip_by_lot(seed)
    reading = read_strip(scene, load_rig(rig_file), tmp_path)
    assert all(abs(error) <= 1.2 * stated for error, stated in width_errors_mm(reading, scene))
