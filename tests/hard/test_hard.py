"""Some of the hard pictures in a run; `python -m tests.hard.score` scores them all."""

from __future__ import annotations

import pytest

from tests.hard.pictures import scenes
from tests.hard.score import errors_of, read
from visioncheck.camera.rig_file import load_rig

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
