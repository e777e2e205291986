"""After a move: the same photo is refused, one of before is asked about, and old readings order nothing any more."""

from __future__ import annotations

import html
import re
import shutil
import time

import pytest
from phone import PHOTOS, SLED_KEY, until

from visioncheck.fence.typed import compute_typed
from visioncheck.log.entry import EntryDraft
from visioncheck.log.store import Log
from visioncheck.measuring.request import read_sled
from visioncheck.page.stock import short_key
from visioncheck.results.as_json import typed_json

MOVING = re.compile(r"\b(LEFT|RIGHT) end (FORWARD|BACK)")


def words(answer):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def looked_at(phone, path):
    time.sleep(0.2)  # the page lets nobody ask without a pause
    return phone.get(path)


def finished(phone, answer):
    assert answer.status == 303, words(answer)
    job = answer.header("location")
    until(lambda: "data-job" not in looked_at(phone, job).text)
    return phone.get(job)


def attach_typed(page, degrees, adjusted=""):
    file = read_sled(page.settings.sleds / "alder-lane.toml")
    reading = typed_json(compute_typed({"angle": str(90 + degrees), "u": "0.004deg"}, file.sled), file.sled)
    with Log.open(page.settings.log) as log:
        draft = EntryDraft("Alder Lane", reading, kind="typed", sled_text=file.text, adjusted=adjusted)
        return log.attach(draft).id


def test_a_reading_of_before_an_adjustment_orders_no_move(serve):
    page = serve()
    phone = page.phone()
    old = attach_typed(page, 0.09)
    assert MOVING.search(words(phone.get(f"/reading/{old}")))
    new = attach_typed(page, 0.001, adjusted="1 turn")
    said = words(phone.get(f"/reading/{old}"))
    assert not MOVING.search(said)
    assert "Outside" not in said
    assert "The sled was adjusted since this reading" in said
    assert "Changed since 1 turn" in said
    assert f'href="/reading/{new}"' in phone.get(f"/reading/{old}").text
    assert "I moved it" not in said
    assert "expect" not in said
    assert "Inside the tolerance" in words(phone.get(f"/reading/{new}"))


def test_an_older_reading_points_to_the_newest(serve):
    page = serve()
    phone = page.phone()
    old = attach_typed(page, 0.09)
    new = attach_typed(page, 0.08)
    shown = phone.get(f"/reading/{old}")
    assert not MOVING.search(words(shown))
    assert "expect" not in words(shown)
    assert f'href="/reading/{new}"' in shown.text
    assert MOVING.search(words(phone.get(f"/reading/{new}")))


@pytest.mark.photos
def test_the_way_of_a_photo_after_a_move(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "rig1.json")
    phone = page.phone()
    rig = {"rig": short_key("rig1.json")}
    phone.get(f"/sled/{SLED_KEY}")
    same = (PHOTOS / "corner-2.jpg").read_bytes()
    first = finished(phone, phone.send(f"/sled/{SLED_KEY}/photo", same, rig)).header("location")
    said = words(phone.get(first))
    assert MOVING.search(said)
    # the move's ± stands in the large line, beside it
    assert re.search(r'class="by">[\d.]+ ± [\d.]+ mm', phone.get(first).text)
    assert phone.get(first.replace("reading", "picture")).status == 200

    form = phone.get(f"/sled/{SLED_KEY}?after={first.rsplit('/', 1)[1]}")
    hidden = dict(re.findall(r'type="hidden" name="(after)" value="(\w+)"', form.text))
    assert hidden
    moved = rig | hidden | {"adjusted": "1 turn"}
    again = finished(phone, phone.send(f"/sled/{SLED_KEY}/photo", same, moved))
    assert "This very photo is in the log already" in words(again)
    assert "--" not in words(again)

    # another photo of before: its time tells, and the user is asked
    other = (PHOTOS / "panel-2.jpg").read_bytes()
    asked = phone.send(f"/sled/{SLED_KEY}/photo", other, moved | {"piece": "panel"}).header("location")
    until(lambda: "Before or after?" in words(looked_at(phone, asked)))
    assert "2026-05-03" in words(phone.get(asked))
    assert phone.post(f"{asked}/when", {"taken": "maybe"}).status == 400
    second = finished(phone, phone.post(f"{asked}/when", {"taken": "after"})).header("location")
    assert MOVING.search(words(phone.get(second)))
    # what came first orders nothing now, in words or in its picture
    assert not MOVING.search(words(phone.get(first)))
    assert "arrow at its" not in phone.get(first).text
    picture = phone.get(first.replace("reading", "picture"))
    assert picture.status == 200
    assert page.settings.places.picture(first.rsplit("/", 1)[1], counts=False).read_bytes() == picture.body


@pytest.mark.photos
def test_a_photo_of_before_can_be_kept_as_that(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "rig1.json")
    phone = page.phone()
    phone.get(f"/sled/{SLED_KEY}")
    attach_typed(page, 0.09)
    new = attach_typed(page, 0.001, adjusted="1 turn")
    moved = {"rig": short_key("rig1.json"), "adjusted": "half a turn"}
    asked = phone.send(f"/sled/{SLED_KEY}/photo", (PHOTOS / "corner-2.jpg").read_bytes(), moved).header("location")
    until(lambda: "Before or after?" in words(looked_at(phone, asked)))
    kept = finished(phone, phone.post(f"{asked}/when", {"taken": "before"})).header("location")
    assert not MOVING.search(words(phone.get(kept)))
    with Log.open(page.settings.log, readonly=True) as log:
        assert log.get(kept.rsplit("/", 1)[1]).adjusted == ""
    assert "Inside the tolerance" in words(phone.get(f"/reading/{new}"))
