from __future__ import annotations

import hashlib
import sqlite3
import tracemalloc
from datetime import timedelta

import pytest

from tests.log.conftest import RIG_TEXT, SLED_TEXT, START, make_draft, make_photo, make_reading, old_log, typed_draft
from tests.log.large import make_large_log
from visioncheck.errors import UserError
from visioncheck.log import schema
from visioncheck.log.check import check
from visioncheck.log.store import Log


def test_an_entry_comes_back_as_it_went_in(log, tmp_path):
    photo = make_photo(tmp_path)
    data = photo.read_bytes()
    entry = log.attach(make_draft(note="after the move", adjusted="right end 0.2 mm back"), photo)
    photo.unlink()
    kept = log.get(entry.id[:6])
    assert kept == entry
    assert kept.reading == make_reading()
    assert kept.time == START
    assert (kept.person, kept.note, kept.adjusted) == ("Ida", "after the move", "right end 0.2 mm back")
    assert log.document(kept.rig_sha256) == RIG_TEXT
    assert log.document(kept.sled_sha256) == SLED_TEXT
    assert kept.photo_sha256 == hashlib.sha256(data).hexdigest()
    path = log.photo_path(kept)
    assert path == log.folder / "photos" / kept.photo_sha256[:2] / f"{kept.photo_sha256}.jpg"
    assert path.read_bytes() == data
    assert kept.fence_error.value == pytest.approx(0.012)
    assert list(check(log)) == []


def test_one_photo_is_kept_once_and_each_text_once(log, tmp_path):
    photo = make_photo(tmp_path)
    old = log.attach(make_draft(), photo)
    log.attach(make_draft(days=1, corrects=old.id), photo)
    assert len(list(log.photos.files())) == 1
    assert log.connection.execute("SELECT count(*) FROM document").fetchone() == (2,)


def test_a_refused_reading_has_no_fence_error(log, tmp_path):
    reading = {"schema": 1, "photo": "a.jpg", "status": "refused", "reason": "blurred", "flags": ["blur"]}
    entry = log.attach(make_draft(reading=reading), make_photo(tmp_path))
    assert log.get(entry.id).fence_error is None


def test_infinite_degrees_of_freedom_survive(log):
    for dof in (None, 7.5):
        entry = log.attach(typed_draft(reading=make_reading(dof=dof)))
        assert log.get(entry.id).fence_error.dof == (dof or float("inf"))


def test_entries_come_by_time_and_can_be_chosen(log):
    for days in (3, 1, 2, 5):
        log.attach(typed_draft(value=days / 1000, days=days))
    log.attach(typed_draft(value=0.009, days=4, sled="Short sled"))
    days = [(entry.time - START).days for entry in log.entries()]
    assert days == [1, 2, 3, 4, 5]
    assert [(e.time - START).days for e in log.entries(sled="Long sled", limit=2)] == [3, 5]
    assert [(e.time - START).days for e in log.entries(since=START + timedelta(days=4))] == [4, 5]
    assert [e.sled for e in log.entries(sled="Short sled")] == ["Short sled"]
    assert log.sleds() == ["Long sled", "Short sled"]


def test_a_correction_is_a_new_entry(log, tmp_path):
    old = log.attach(make_draft(person="Ida"), make_photo(tmp_path))
    new = log.attach(make_draft(person="Bo", corrects=old.id, photo_sha256=old.photo_sha256))
    assert log.get(old.id).person == "Ida"
    assert log.get(old.id).corrected_by == new.id
    assert log.get(new.id).photo_suffix == ".jpg"
    with pytest.raises(UserError, match=r"corrected by .* already"):
        log.attach(make_draft(corrects=old.id, photo_sha256=old.photo_sha256))
    with pytest.raises(UserError, match="no entry"):
        log.attach(typed_draft(corrects="0" * 32))
    with pytest.raises(UserError, match="whole id"):
        log.attach(typed_draft(corrects=new.id[:8]))


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entry SET note = 'x'",
        "DELETE FROM entry",
        "UPDATE document SET text = 'x'",
        "DELETE FROM document",
    ],
)
def test_the_database_itself_forbids_edits(log, statement):
    log.attach(typed_draft())
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        log.connection.execute(statement)


def test_tags_tell_the_sled_and_can_be_reassigned(log):
    assert log.sled_of_tag(7) is None
    log.assign_tag(7, "Long sled")
    log.assign_tag(7, "Short sled")
    assert log.sled_of_tag(7) == "Short sled"
    assert log.tags() == {7: "Short sled"}


@pytest.mark.parametrize(
    ("reading", "match"),
    [
        ({**make_reading(), "schema": 3}, "schema 3"),
        ({**make_reading(), "status": "fine"}, "status"),
        ({**make_reading(), "fence_error_deg": {"value": 0.1}}, "needs value, u and dof"),
        (make_reading(u=0.0), "cannot be used"),
        (make_reading(value=float("nan")), "not standard JSON"),
        (make_reading(value=1e308), "cannot be used"),
        (make_reading(value="0.1"), "as numbers"),
        (make_reading(value=True), "as numbers"),
        (make_reading(value=10**400), "far too large"),
        ({**make_reading(), "fence_error_deg": {"value": 0.1, "u": 0.01, "expanded": "0.1"}}, "as numbers"),
        ({**make_reading(), "fence_error_deg": {"value": 0.1, "u": 0.01, "expanded": 1e308}}, "expanded"),
        ({**make_reading(), "fence_error_deg": {"value": 0.1, "u": 0.01, "dof": 4, "expanded": 0.02}}, "0.028"),
        ({**make_reading(), "more_photos": [{"sha256": "x", "suffix": ".jpg"}]}, "name no photos"),
        ({**make_reading(), "extra": "\udcff"}, "not standard JSON"),
        ({**make_reading(), "extra": float("inf")}, "not standard JSON"),
        ({**make_reading(), "extra": object()}, "not standard JSON"),
    ],
)
def test_an_unusable_reading_is_refused(log, reading, match):
    with pytest.raises(UserError, match=match):
        log.attach(typed_draft(reading=reading))
    assert list(log.entries()) == []


def test_unusable_drafts_and_photos_are_refused(log, tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("not a picture")
    for draft, photo, match in [
        (make_draft(), None, "with its photo"),
        (typed_draft(), make_photo(tmp_path), "without one"),
        (make_draft(sled="  "), make_photo(tmp_path), "sled's name"),
        (make_draft(kind="guess"), make_photo(tmp_path), "kind"),
        (make_draft(), tmp_path / "none.jpg", "cannot be read"),
        (make_draft(), text, "not a JPEG"),
        (make_draft(photo_sha256="0" * 64), None, "keeps no photo"),
    ]:
        with pytest.raises(UserError, match=match):
            log.attach(draft, photo)
    assert list(log.entries()) == []
    assert list(check(log)) == []


def test_ids_may_be_shortened_but_not_guessed(log):
    entry = log.attach(typed_draft())
    for bad, match in [("abc", "at least its first 4"), ("%%%%", "is no entry id"), ("zzzz", "has no entry")]:
        with pytest.raises(UserError, match=match):
            log.get(bad)
    twin = entry.id[:20] + "0" * 12
    log.connection.execute(
        "INSERT INTO entry SELECT NULL, ?, time, written, sled, kind, photo_sha256, photo_suffix, file_name, "
        "fence_error_deg, fence_error_u_deg, fence_error_dof, rig_sha256, sled_sha256, person, note, adjusted, "
        "corrects, digest, reading_json FROM entry",
        (twin,),
    )
    with pytest.raises(UserError, match="More than one"):
        log.get(entry.id[:20])
    assert log.get(entry.id) == entry


def test_opening_says_what_is_wrong(tmp_path):
    with pytest.raises(UserError, match="not a calibration log"):
        Log.open(tmp_path / "none")
    assert not (tmp_path / "none").exists()
    make_photo(tmp_path, name="holiday.jpg")
    with pytest.raises(UserError, match=r"holiday\.jpg"):
        Log.open(tmp_path, create=True)
    (tmp_path / schema.FILE_NAME).write_text("some text of the user's, long enough to be no empty database")
    for readonly in (False, True):
        with pytest.raises(UserError, match="not a calibration log"):
            Log.open(tmp_path, readonly=readonly)
    (tmp_path / schema.FILE_NAME).unlink()
    with sqlite3.connect(tmp_path / schema.FILE_NAME) as other:
        other.execute("CREATE TABLE recipes (name)")
    other.close()
    for readonly in (False, True):
        with pytest.raises(UserError, match="not a calibration log"):
            Log.open(tmp_path, readonly=readonly)


def test_settings_that_keep_data_are_on(log):
    pragma = {name: log.connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")}
    assert pragma == {"journal_mode": "wal", "synchronous": 2}
    assert log.connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
    with pytest.raises(sqlite3.IntegrityError):
        log.connection.execute(
            "INSERT INTO entry SELECT NULL, ?, '', '', 's', 'typed', NULL, NULL, '', NULL, NULL, NULL, 'no such', NULL,"
            " '', '', '', NULL, '', '{}'",
            ("0" * 32,),
        )


def test_an_older_log_is_brought_forward_when_it_is_written_to(log_folder, monkeypatch):
    with Log.open(log_folder, create=True) as log:
        entry = log.attach(typed_draft())
    step = ("CREATE TABLE blade (name TEXT) STRICT", "INSERT INTO blade VALUES ('rip')")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
    with Log.open(log_folder, readonly=True) as log:
        assert list(log.entries()) == [entry]
        assert log.connection.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS) - 1,)
    with Log.open(log_folder) as log:
        assert log.connection.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
        assert log.connection.execute("SELECT name FROM blade").fetchone() == ("rip",)
        assert list(log.entries()) == [entry]
    monkeypatch.undo()
    for readonly in (False, True):
        with pytest.raises(UserError, match="newer version"):
            Log.open(log_folder, readonly=readonly)


def test_a_log_of_the_first_version_is_brought_forward(log_folder, monkeypatch):
    entry = old_log(log_folder, monkeypatch, 1, lambda log: log.attach(typed_draft()))
    with Log.open(log_folder, readonly=True) as log:
        assert list(log.entries()) == [entry]
        assert list(check(log)) == []
    with Log.open(log_folder) as log:
        log.remember_refusal("key", {"schema": 1, "status": "refused", "reason": "blur"})
        assert log.refusal("key")["reason"] == "blur"
        assert list(log.entries()) == [entry]
        assert list(check(log)) == []


def test_a_damaged_refusal_is_found_and_not_believed(log):
    log.remember_refusal("key", {"schema": 1, "status": "refused", "reason": "blur"})
    log.connection.execute("UPDATE refusal SET reading_json = replace(reading_json, 'blur', 'blue')")
    assert [problem.kind for problem in check(log)] == ["refusal"]
    assert log.refusal("key") is None


def test_a_log_that_another_process_is_just_making_can_be_read(log_folder):
    log_folder.mkdir()
    sqlite3.connect(log_folder / schema.FILE_NAME).execute("PRAGMA journal_mode = WAL").connection.close()
    with Log.open(log_folder, readonly=True) as log:
        assert list(log.entries()) == []
        assert list(check(log)) == []


def test_a_failed_step_forward_leaves_the_old_version(log_folder, monkeypatch):
    with Log.open(log_folder, create=True) as log:
        entry = log.attach(typed_draft())
    step = ("CREATE TABLE blade (name TEXT) STRICT", "no such statement")
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
        with pytest.raises(UserError, match="cannot be opened"):
            Log.open(log_folder)
    with Log.open(log_folder) as log:
        assert list(log.entries()) == [entry]
        assert list(check(log)) == []


def test_listing_streams_from_an_index(log):
    """No sort and no full table in memory: the plan walks an index in order."""
    for days in range(20):
        log.attach(typed_draft(days=days))
    statements = []
    log.connection.set_trace_callback(statements.append)
    first = next(log.entries())
    next(log.entries(sled="Long sled"))
    log.connection.set_trace_callback(None)
    assert first.time == START
    assert len(statements) == 2
    for statement in statements:
        plan = " ".join(row[3] for row in log.connection.execute(f"EXPLAIN QUERY PLAN {statement}"))
        assert "USING INDEX entry_" in plan
        assert "TEMP B-TREE" not in plan


def test_memory_does_not_grow_with_the_log(tmp_path):
    peaks = []
    for count in (300, 3000):
        make_large_log(tmp_path / str(count), entries=count)
        tracemalloc.start()
        with Log.open(tmp_path / str(count), readonly=True) as log:
            assert sum(1 for _ in log.entries()) + sum(1 for _ in log.listed()) == 2 * count
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 20_000
