"""Readings of before an adjustment order no move; a photo of before is refused or asked about."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from PIL import Image

from tests.log.conftest import START, make_draft, make_photo, make_reading, typed_draft
from visioncheck.cli import main
from visioncheck.commands.together import as_it_stands
from visioncheck.correction.correct import correct
from visioncheck.errors import UserError
from visioncheck.log.adjusting import Moment, TakenBefore
from visioncheck.log.photos import read_photo
from visioncheck.log.standing import find_standing, pending_adjustment
from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import Outcome
from visioncheck.measuring.request import MeasureRequest, SledFile
from visioncheck.present.correction import describe
from visioncheck.quantity import Quantity
from visioncheck.results.advice import correction_json
from visioncheck.sled.file import parse_sled

LONG = """name = "Long sled"
units = "mm"
tolerance = "0.3mm/m"
[fence]
side = "rear"
pivot = "left"
length = "720mm"
adjuster_distance = "610mm"
[adjuster]
kind = "screw"
pitch = "1mm"
clockwise = "forward"
"""
REFUSED = {"schema": 1, "status": "refused", "reason": "no piece", "flags": []}


def standing(log, entry):
    return find_standing(log.get(entry.id), log.entries(sled=entry.sled))


def outcome(folder, name, taken=None, value=0.1):
    """A photo of one colour, taken when its EXIF says, and a reading of it."""
    path = folder / name
    exif = Image.Exif()
    if taken is not None:
        exif.get_ifd(0x8769)[36867] = f"{taken:%Y:%m:%d %H:%M:%S}"
        exif.get_ifd(0x8769)[36881] = "+00:00"
    Image.new("RGB", (16, 16), (hash(name) % 255, 3, 4)).save(path, exif=exif)
    reading = make_reading(value) | {"photo": name, "photo_sha256": read_photo(path).sha256}
    return Outcome(MeasureRequest(path, sled_file=SledFile(parse_sled(LONG, ""), LONG)), reading)


def test_where_an_entry_stands(log):
    first = log.attach(typed_draft(days=0))
    assert standing(log, first).counts
    second = log.attach(typed_draft(days=1))
    assert standing(log, first).state == "older"
    assert standing(log, first).newer == second.id
    # what is noted with a refused photo was done before it, whatever it shows
    log.attach(typed_draft(days=2, reading=REFUSED, adjusted="half a turn"))
    assert (standing(log, second).state, standing(log, second).adjusted) == ("adjusted", "half a turn")
    assert pending_adjustment(list(log.entries())) == "half a turn"
    third = log.attach(typed_draft(days=3, adjusted="a quarter back"))
    assert standing(log, third).counts
    assert standing(log, first).adjusted == "half a turn; a quarter back"
    assert pending_adjustment(list(log.entries())) == ""
    mended = log.attach(typed_draft(days=3, corrects=third.id, adjusted="a quarter back"))
    assert (standing(log, third).state, standing(log, third).newer) == ("corrected", mended.id)
    # an old reading that comes to the log late stands where its time puts it
    late = log.attach(typed_draft(days=0.5))
    assert standing(log, late).state == "adjusted"
    assert standing(log, mended).counts


def test_the_same_photo_cannot_show_what_a_move_did(log, tmp_path):
    photo = outcome(tmp_path, "a.jpg")
    before = attach_outcome(log, photo, now=Moment())
    with pytest.raises(UserError, match="very photo is in the log already"):
        attach_outcome(log, photo, adjusted="half a turn", now=Moment(before))
    with pytest.raises(UserError, match="very photo"):
        attach_outcome(log, photo, adjusted="half a turn", now=Moment(is_sure=True))
    assert [entry.id for entry in log.entries()] == [before.id]
    # noted, and done a second time after a kill: the same entry
    fresh = outcome(tmp_path, "b.jpg")
    after = attach_outcome(log, fresh, adjusted="half a turn", now=Moment(before))
    assert attach_outcome(log, fresh, adjusted="half a turn", now=Moment(before)) == after
    # and the same words for the next move do not let it pass again
    with pytest.raises(UserError, match="very photo"):
        attach_outcome(log, fresh, adjusted="half a turn", now=Moment(after))


def test_a_photo_that_was_the_second_of_a_pair_is_known_too(log, tmp_path):
    pair = outcome(tmp_path, "a.jpg")
    second = outcome(tmp_path, "b.jpg")
    both = replace(pair.request, turned=second.request.photo)
    before = attach_outcome(log, replace(pair, request=both))
    with pytest.raises(UserError, match="very photo"):
        attach_outcome(log, second, adjusted="half a turn", now=Moment(before))


def test_a_photo_taken_before_is_asked_about(log, tmp_path):
    now = datetime.now(UTC).replace(microsecond=0)
    before = attach_outcome(log, outcome(tmp_path, "a.jpg", now - timedelta(hours=1)))
    # taken after the first photo, but before its answer was there
    early = outcome(tmp_path, "b.jpg", now - timedelta(minutes=30))
    for moment in (Moment(), Moment(before)):
        with pytest.raises(TakenBefore, match="taken_after") as asked:
            attach_outcome(log, early, adjusted="half a turn", now=moment)
        assert "--" not in asked.value.question
    assert len(list(log.entries())) == 1
    sure = attach_outcome(log, early, adjusted="half a turn", now=Moment(before, is_sure=True))
    assert standing(log, before).state == "adjusted"
    assert standing(log, sure).counts
    # a clock that says before the first photo must not put the adjustment before it
    wrong = outcome(tmp_path, "c.jpg", now - timedelta(days=9))
    late = attach_outcome(log, wrong, adjusted="a quarter", now=Moment(sure, is_sure=True))
    assert late.time > sure.time
    assert standing(log, sure).state == "adjusted"


def test_what_is_not_asked(log, tmp_path):
    old = START
    attach_outcome(log, outcome(tmp_path, "a.jpg", old))
    # of before, and nothing noted with it: a reading like any other, though not the newest
    early = attach_outcome(log, outcome(tmp_path, "b.jpg", old - timedelta(days=1)), now=Moment())
    assert standing(log, early).state == "older"
    # taken after all is said, or by a clock that is not there
    later = datetime.now(UTC) + timedelta(minutes=1)
    attach_outcome(log, outcome(tmp_path, "c.jpg", later), adjusted="half a turn", now=Moment())
    attach_outcome(log, outcome(tmp_path, "d.jpg"), adjusted="half a turn", now=Moment())
    # a record of old, with a time of its own
    given = old + timedelta(days=1)
    entry = attach_outcome(log, outcome(tmp_path, "e.jpg", old), adjusted="x", time=given, now=Moment())
    assert entry.time == given


def test_commands_say_that_an_old_reading_orders_nothing(log_folder, capsys):
    with Log.open(log_folder, create=True) as log:
        old = log.attach(typed_draft(days=0, sled_text=LONG))
        log.attach(typed_draft(days=1, reading=REFUSED, adjusted="half a turn", sled_text=LONG))
    assert main(["log", "show", str(log_folder), old.id[:8]]) == 0
    assert "adjusted (half a turn): this reading orders no move any more" in capsys.readouterr().out
    assert main(["log", "show", str(log_folder), old.id[:8], "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["standing"]["state"] == "adjusted"
    assert main(["log", "trend", str(log_folder)]) == 0
    assert "Adjusted since (half a turn), and not measured after that" in capsys.readouterr().out
    assert main(["log", "trend", str(log_folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["Long sled"]["adjusted_since"] == "half a turn"


def moving(value=0.1):
    """What a reading says that orders a move."""
    found = correct(Quantity(value, 0.002, "deg"), parse_sled(LONG, ""))
    assert found.moves
    return {"correction": correction_json(found)}


def test_no_old_reading_carries_its_order_to_move_out_of_the_log(log_folder, tmp_path, capsys):
    photo = outcome(tmp_path, "a.jpg", START)
    seen = SimpleNamespace(photo=read_photo(photo.request.photo))
    measured = replace(photo, reading=photo.reading | moving(), measured=seen)
    with Log.open(log_folder, create=True) as log:
        old = attach_outcome(log, measured)
        assert as_it_stands(log, measured) is measured
        log.attach(typed_draft(days=1, sled_text=LONG, adjusted="half a turn", reading=make_reading() | moving()))
        now = as_it_stands(log, measured)
    assert now.correction is None
    assert now.reading["correction"].keys() == {"advice", "verdict", "probability_inside"}
    assert "adjusted since" in now.instead
    assert main(["log", "show", str(log_folder), old.id[:8], "--json"]) == 0
    said = json.loads(capsys.readouterr().out)["reading"]["correction"]
    assert not {"end", "way", "move_mm", "turns"} & said.keys()
    lines = describe(Quantity(0.1, 0.002, "deg"), parse_sled(LONG, ""), instead=now.instead)
    assert [line.label for line in lines] == ["Fence", "Verdict", "Do"]


def test_attach_asks_like_measure(log_folder, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = outcome(tmp_path, "offcut.jpg", START)
    (tmp_path / "long.toml").write_text(LONG)
    (tmp_path / "reading.json").write_text(json.dumps(found.reading))
    with Log.open(log_folder, create=True) as log:
        log.attach(make_draft(days=1, sled_text=LONG), make_photo(tmp_path, name="other.jpg"))
    line = ["log", "attach", str(log_folder), "offcut.jpg", "--reading", "reading.json", "--sled", "long.toml"]
    assert main([*line, "--adjusted", "half a turn"]) == 2
    said = capsys.readouterr().err
    assert "really taken after the change" in said
    assert "Traceback" not in said
    assert main([*line, "--adjusted", "half a turn", "--taken-after"]) == 0
    assert main([*line, "--adjusted", "another"]) == 2
    assert "very photo" in capsys.readouterr().err
    with Log.open(log_folder, readonly=True) as log:
        assert [entry.adjusted for entry in log.entries()] == ["", "half a turn"]
