"""A slot on pictures that software or the lens has softened or altered: held, or refused; all in the guide's table."""

from __future__ import annotations

import pytest

from tests.conftest import PHOTOS
from tests.hostile.processed import LINEAR, score
from visioncheck.camera.rig_file import load_rig

pytestmark = pytest.mark.photos


@pytest.mark.parametrize("how", ["shrunk to 1600", "blurred 1 px", "out of focus 3 px", LINEAR])
def test_a_slot_of_an_altered_picture_is_held_or_refused(how, rig_file, tmp_path):
    scores = score(PHOTOS / "kerf-2.jpg", load_rig(rig_file), tmp_path, how)
    assert scores
    assert all(each.refused or each.held for each in scores)
    assert bool(scores[0].refused) == (how == "out of focus 3 px")
