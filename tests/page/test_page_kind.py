"""A photo whose kind of piece is open: the page asks with buttons, says nothing of the fence, and goes on when told."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import pytest
from phone import PHOTOS, SLED_KEY
from test_page_adjusting import MOVING, attach_typed, finished, words

from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, read_sled
from visioncheck.page.stock import short_key
from visioncheck.sled.write import default_answers, sled_text

pytestmark = pytest.mark.photos


@pytest.fixture
def saw(serve, rig_file):
    """A phone at the saw, and what goes with each photo."""
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "rig1.json")
    phone = page.phone()
    phone.get(f"/sled/{SLED_KEY}")
    return phone, {"rig": short_key("rig1.json")}


def offered(answer, name="piece"):
    return set(re.findall(rf'type="radio" name="{name}" value="(\w+)"', answer.text))


def test_a_panel_is_asked_for_and_then_read(saw):
    phone, rig = saw
    photo = (PHOTOS / "panel-2.jpg").read_bytes()
    asked = finished(phone, phone.send(f"/sled/{SLED_KEY}/photo", photo, rig)).header("location")
    shown = phone.get(asked)
    assert "What kind of piece is this?" in words(shown)
    assert offered(shown) == {"panel", "corner"}
    assert not offered(shown, "fence_edge")  # the tag tells
    assert not MOVING.search(words(shown))
    assert not re.search("Inside|Outside", words(shown))
    # what the corners do not bear out is refused, without the command's options
    no = finished(phone, phone.post(f"{asked}/tell", {"piece": "corner"}))
    assert "looks like a panel cut all round" in words(no)
    assert "--" not in words(no)
    # where the trouble is, as long as the answer is kept
    drawn = phone.get(re.search(r'src="(/job/\w+/picture)"', no.text)[1])
    assert drawn.status == 200
    assert drawn.header("content-type") == "image/jpeg"
    assert drawn.body[:2] == b"\xff\xd8"
    told = finished(phone, phone.post(f"{asked}/tell", {"piece": "panel"})).header("location")
    assert MOVING.search(words(phone.get(told)))


def test_two_halves_are_asked_about_as_such(saw):
    phone, rig = saw
    photo = (PHOTOS / "gap-1.jpg").read_bytes()
    said = rig | {"fence_edge": "bottom", "thickness": "19.2mm"}
    shown = phone.get(finished(phone, phone.send(f"/sled/{SLED_KEY}/photo", photo, said)).header("location"))
    assert offered(shown) == {"gap", "slot"}
    assert "A straight line runs into the piece" in words(shown)
    assert not MOVING.search(words(shown))


def test_the_last_joint_of_a_frame_is_asked_for_its_edge_and_then_read(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "rig1.json")
    mitred = replace(default_answers("mm"), name="Mitre sled", mitre="45deg", forward="left")
    (page.settings.sleds / "mitre.toml").write_text(sled_text(mitred))
    phone = page.phone()
    key = short_key("Mitre sled")
    form = phone.get(f"/sled/{key}")
    assert 'name="frame"' in form.text
    said = {"rig": short_key("rig1.json"), "thickness": "18mm", "frame": "4"}
    photo = (PHOTOS.parent / "frame-1.jpg").read_bytes()
    asked = finished(phone, phone.send(f"/sled/{key}/photo", photo, said)).header("location")
    shown = phone.get(asked)
    assert "Which edge of the pieces, as they lie in the frame, was on the fence?" in words(shown)
    assert offered(shown, "at_fence") == {"outer", "inner"}
    assert not MOVING.search(words(shown))
    told = finished(phone, phone.post(f"{asked}/tell", {"at_fence": "outer"})).header("location")
    answer = words(phone.get(told))
    assert MOVING.search(answer)
    assert "at the outside of the frame" in answer
    assert "4 sides with 8 mitre cuts" in answer


def test_all_that_a_strip_lacks_is_asked_at_once_also_of_a_reading_that_is_not_the_newest(serve):
    page = serve()
    sled = read_sled(page.settings.sleds / "alder-lane.toml")
    outcome = measure_piece(MeasureRequest(PHOTOS / "strip-1.jpg", None, sled, None, PieceOptions(piece="strip")))
    with Log.open(page.settings.log) as log:
        entry = attach_outcome(log, outcome)
    newer = attach_typed(page, 0.02)
    phone = page.phone()
    shown = phone.get(f"/reading/{entry.id}")
    assert "How many successive cuts made this strip, and which end was at the fence?" in words(shown)
    assert offered(shown, "fence_edge") == {"left", "right"}
    assert "not the newest reading of the sled" in words(shown)
    assert f'href="/reading/{newer}"' in shown.text
    asked = phone.post(f"/reading/{entry.id}/tell", {"cuts": "5", "fence_edge": "left"})
    read = phone.get(finished(phone, asked).header("location"))
    assert "?" not in words(read).partition("Piece")[0]
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(finished(phone, asked).header("location").rpartition("/")[2])
    assert new.fence_error is not None
    assert not offered(phone.get(f"/reading/{entry.id}"), "fence_edge")  # another stands in for it: nothing is asked


def test_a_pair_that_is_mended_stays_a_pair(serve):
    page = serve()
    text = (page.settings.sleds / "alder-lane.toml").read_text()
    (page.settings.sleds / "other.toml").write_text(text.replace("Alder Lane", "Birch Yard"))
    sled = read_sled(page.settings.sleds / "alder-lane.toml")
    pair = (PHOTOS / "corner-31-turn0.jpg", PHOTOS / "corner-31-turn90.jpg")
    with Log.open(page.settings.log) as log:
        wrong = attach_outcome(log, measure_piece(MeasureRequest(*pair, sled, None, PieceOptions(piece="corner"))))
    phone = page.phone()
    shown = phone.get(f"/reading/{wrong.id}")
    assert "The same photos are read again" in words(shown)
    asked = phone.post(f"/reading/{wrong.id}/tell", {"sled": short_key("Birch Yard")})
    mended = finished(phone, asked).header("location").rpartition("/")[2]
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(mended)
    assert (new.sled, new.corrects) == ("Birch Yard", wrong.id)
    assert new.photos == wrong.photos
    assert new.reading["turned"]["turn_deg"] == pytest.approx(wrong.reading["turned"]["turn_deg"])
    assert new.fence_error.u == pytest.approx(wrong.fence_error.u)
