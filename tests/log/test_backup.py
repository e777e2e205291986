"""A backup is the log whole, again and again; and what it refuses, mends and counts. See also `test_chain.py`."""

from __future__ import annotations

import os
import shutil

import pytest

from tests.log.conftest import make_draft, make_photo, old_log, typed_draft
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.log import records, schema
from visioncheck.log.backup import back_up, restore
from visioncheck.log.check import check_folder
from visioncheck.log.photos import FOLDER_NAME
from visioncheck.log.problem import STRAY
from visioncheck.log.store import Log

DATABASE = schema.FILE_NAME
PART = f".{DATABASE}.part"


@pytest.fixture
def filled(log, tmp_path):
    """Two photos, a typed reading and a tag."""
    log.attach(make_draft(), make_photo(tmp_path))
    log.attach(typed_draft(days=1))
    log.assign_tag(7, "Long sled")
    log.attach(make_draft(days=2), make_photo(tmp_path))
    return log


@pytest.fixture
def to(tmp_path):
    return tmp_path / "backup"


def spoil(log, sql, *triggers):
    """Change what the log itself never changes."""
    for trigger in triggers:
        log.connection.execute(f"DROP TRIGGER {trigger}")
    log.connection.execute(sql)


def photos_of(log):
    return [log.photo_path(entry) for entry in log.entries() if entry.photo_sha256]


def snapshot(folder):
    return {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def require_whole(folder, log):
    assert list(check_folder(folder)) == []
    with Log.open(folder, readonly=True) as copy:
        assert list(copy.entries()) == list(log.entries())
        assert list(copy.links()) == list(log.links())
        assert copy.tags() == log.tags()


def test_it_counts_what_is_new_and_notes_each_record_once(filled, log_folder, to, tmp_path):
    first = back_up(log_folder, to)
    assert (first.photos, first.new_photos, first.is_whole) == (2, 2, True)
    assert first.head == list(filled.links())[-1]
    kept = {path: path.stat().st_mtime_ns for path in (to / FOLDER_NAME).rglob("*.*")}
    assert (back_up(log_folder, to).photos, back_up(log_folder, to).new_photos) == (2, 0)
    assert {path: path.stat().st_mtime_ns for path in (to / FOLDER_NAME).rglob("*.*")} == kept
    filled.attach(make_draft(days=3), make_photo(tmp_path))
    again = back_up(log_folder, to)
    assert (again.photos, again.new_photos) == (3, 1)
    require_whole(to, filled)
    assert records.read(to) == records.read(log_folder)


@pytest.mark.usefixtures("filled")
def test_a_folder_with_other_files_is_not_filled(log_folder, to):
    to.mkdir()
    (to / "holiday.txt").write_text("mine")
    with pytest.raises(UserError, match=r"holds other files \(holiday.txt\)"):
        back_up(log_folder, to)
    assert snapshot(to) == {to / "holiday.txt": b"mine"}


def test_what_a_broken_off_backup_left_is_in_nobodys_way(filled, log_folder, to):
    to.mkdir()
    (to / PART).write_bytes(b"half of a database, or less")
    (to / f"{PART}-journal").write_bytes(b"")
    back_up(log_folder, to)
    assert not (to / PART).exists()
    require_whole(to, filled)


def test_files_of_sleds_and_rigs_come_along_as_they_are_now(filled, log_folder, to):
    for name in ("sleds/long.toml", "rigs/old/phone.json"):
        (log_folder / name).parent.mkdir(parents=True, exist_ok=True)
        (log_folder / name).write_text("first")
    back_up(log_folder, to)
    (log_folder / "sleds" / "long.toml").write_text("other")
    (log_folder / "rigs" / "new.json").write_text("new")
    back_up(log_folder, to)
    beside = {str(path.relative_to(to)): path.read_text() for name in ("sleds", "rigs")
              for path in (to / name).rglob("*.*")}  # fmt: skip
    assert beside == {"sleds/long.toml": "other", "rigs/old/phone.json": "first", "rigs/new.json": "new"}
    require_whole(to, filled)


def test_a_photo_that_spoiled_in_the_backup_is_copied_anew(filled, log_folder, to):
    back_up(log_folder, to)
    photo = next((to / FOLDER_NAME).rglob("*.jpg"))
    photo.write_bytes(photo.read_bytes()[:-1] + b"\0")
    assert back_up(log_folder, to).new_photos == 1
    require_whole(to, filled)


def test_a_photo_that_the_log_lost_since_stays_in_the_backup(filled, log_folder, to, capsys):
    back_up(log_folder, to)
    photo = photos_of(filled)[0]
    photo.unlink()
    copied = back_up(log_folder, to)
    assert (copied.photos, copied.new_photos, copied.lacking) == (2, 0, ())
    (said,) = copied.only_here
    assert "is missing in the log" in said
    assert str(to / photo.relative_to(log_folder)) in said
    require_whole(to, filled)
    capsys.readouterr()
    assert main(["log", "backup", str(log_folder), str(to)]) == 1
    assert said in capsys.readouterr().out
    shutil.copyfile(to / photo.relative_to(log_folder), photo)  # as the sentence says
    assert back_up(log_folder, to).is_whole


def test_a_photo_that_spoiled_in_the_log_is_named_and_not_copied(filled, log_folder, to, capsys):
    photo = photos_of(filled)[0]
    photo.write_bytes(photo.read_bytes()[:-1] + b"\0")
    copied = back_up(log_folder, to)
    first = next(iter(filled.entries()))
    assert copied.lacking == (f"Photo {first.file_name} (entry {first.id[:8]}) is damaged: {photo}.",)
    assert (copied.photos, copied.new_photos) == (1, 1)
    assert not (to / photo.relative_to(log_folder)).exists()
    assert main(["log", "backup", str(log_folder), str(to)]) == 1
    assert "1 photos (0 new)" in capsys.readouterr().out


def test_a_row_that_is_damaged_is_named_and_its_photo_comes_along(filled, log_folder, to):
    """A note that is no UTF-8, as a bad sector leaves it."""
    spoil(filled, "UPDATE entry SET note = CAST(x'ff' AS TEXT) WHERE number = 1", "entry_no_update")
    copied = back_up(log_folder, to)
    (entry,) = (problem.what for problem in check_folder(log_folder))
    assert (copied.damaged, copied.lacking, copied.is_whole) == ((entry,), (), False)
    assert copied.photos == 2


@pytest.mark.parametrize(
    ("sql", "trigger"),
    [
        ("UPDATE entry SET note = 'x' WHERE number = 2", "entry_no_update"),
        ("UPDATE link SET digest = 'x' WHERE number = 2", "link_no_update"),
    ],
)
def test_a_damaged_log_never_takes_the_place_of_a_good_backup(filled, log_folder, to, sql, trigger):
    back_up(log_folder, to)
    before = snapshot(to)
    spoil(filled, sql, trigger)
    with pytest.raises(UserError, match="The log is damaged, so the earlier backup"):
        back_up(log_folder, to)
    assert snapshot(to) == before


def test_an_older_database_that_lacks_a_tag_alone_is_noticed(filled, log_folder, to, tmp_path):
    filled.close()
    shutil.copyfile(log_folder / DATABASE, tmp_path / "older")
    with Log.open(log_folder) as log:
        log.assign_tag(8, "Short sled")
    back_up(log_folder, to)
    shutil.copyfile(tmp_path / "older", log_folder / DATABASE)
    with pytest.raises(UserError, match="has records that this log lacks"):
        back_up(log_folder, to)


def test_an_older_database_of_before_the_chain_is_noticed_by_its_entries(log_folder, to, tmp_path, monkeypatch):
    def fill(log):
        log.attach(typed_draft())
        log.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        shutil.copyfile(log_folder / DATABASE, tmp_path / "older")
        log.attach(typed_draft(days=1))

    old_log(log_folder, monkeypatch, 2, fill)
    assert back_up(log_folder, to).head is None
    shutil.copyfile(tmp_path / "older", log_folder / DATABASE)
    with pytest.raises(UserError, match="has records that this log lacks"):
        back_up(log_folder, to)


@pytest.mark.usefixtures("filled")
def test_a_place_that_cannot_be_written_is_said_in_one_sentence(log_folder, to, capsys):
    to.write_text("a file")
    assert main(["log", "backup", str(log_folder), str(to)]) == 2
    said = capsys.readouterr().err
    assert "the backup before is as it was" in said
    assert to.read_text() == "a file"


def test_the_new_database_is_on_the_disk_before_it_takes_its_place(filled, log_folder, to, monkeypatch):
    assert list(filled.entries())
    synced, sync = [], os.fsync
    monkeypatch.setattr("os.fsync", lambda descriptor: synced.append(os.fstat(descriptor).st_ino) or sync(descriptor))
    back_up(log_folder, to)
    assert (to / DATABASE).stat().st_ino in synced


def test_a_backup_without_its_list_or_with_a_leftover_is_restored(filled, log_folder, to, tmp_path):
    back_up(log_folder, to)
    (to / records.FILE_NAME).unlink()
    (to / FOLDER_NAME / "zz").mkdir()
    (to / FOLDER_NAME / "zz" / "stray.jpg").write_bytes(b"of nobody")
    assert [problem.kind for problem in check_folder(to)] == ["list", STRAY]
    new = tmp_path / "new"
    assert restore(to, new).photos == 2
    require_whole(new, filled)
    assert records.read(new) == records.read(log_folder)
