"""Damage to photos and to the database is found and named."""

from __future__ import annotations

import sqlite3

import pytest

from tests.log.conftest import make_draft, make_photo, typed_draft
from visioncheck.log.check import check
from visioncheck.log.clean import clean
from visioncheck.log.photos import read_photo
from visioncheck.log.schema import FILE_NAME
from visioncheck.log.store import Log


@pytest.fixture
def filled(log, tmp_path):
    for days in range(5):
        log.attach(make_draft(days=days, note=f"note number {days}"), make_photo(tmp_path))
    log.assign_tag(3, "Long sled")
    assert list(check(log)) == []
    return log


def only(problems):
    (problem,) = problems
    return problem


def test_one_changed_bit_in_a_photo_is_found(filled):
    entry = list(filled.entries())[2]
    path = filled.photo_path(entry)
    data = bytearray(path.read_bytes())
    data[1000] ^= 1
    path.write_bytes(data)
    problem = only(check(filled))
    assert problem.kind == "damaged photo"
    assert str(path) in problem.what
    assert entry.id[:8] in problem.what
    assert not problem.is_harmless


def test_a_missing_photo_is_found(filled):
    entry = list(filled.entries())[1]
    filled.photo_path(entry).unlink()
    problem = only(check(filled))
    assert problem.kind == "missing photo"
    assert entry.id[:8] in problem.what


def test_attaching_the_photo_again_mends_a_damaged_copy(log, tmp_path):
    photo = make_photo(tmp_path)
    entry = log.attach(make_draft(), photo)
    for draft in (make_draft(), make_draft(value=0.013)):  # with the same reading, and with another
        log.photo_path(entry).write_bytes(b"\xff\xd8\xff rot")
        log.attach_once(draft, read_photo(photo), {})
        assert log.photo_path(entry).read_bytes() == photo.read_bytes()
    assert log.photo_path(entry).read_bytes() == photo.read_bytes()
    assert list(check(log)) == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("time", "2026-03-09T00:00:00.000000Z"),
        ("time", "never"),
        ("sled", "Other sled"),
        ("fence_error_deg", 0.0120000001),
        ("fence_error_u_deg", 0.1),
        ("note", "x"),
        ("reading_json", "{"),
        ("reading_json", '{"schema":1,"status":"measured"}'),
        ("digest", "0" * 64),
    ],
)
def test_a_changed_column_is_found(filled, column, value):
    entry = list(filled.entries())[3]
    filled.connection.execute("DROP TRIGGER entry_no_update")
    filled.connection.execute(f"UPDATE entry SET {column} = ? WHERE id = ?", (value, entry.id))  # noqa: S608
    problem = only(check(filled))
    assert problem.kind == "row"
    assert entry.id[:8] in problem.what


def test_a_copied_fence_error_must_be_its_readings(filled, monkeypatch):
    """A row whose hash is right but whose chart value is not, as faulty code could write it."""
    entry = filled.attach(typed_draft(value=0.012, note="faulty"))
    stored = {e.id: e.digest for e in filled.entries()}
    monkeypatch.setattr("visioncheck.log.sound.content_digest", lambda content: stored[content["id"]])
    filled.connection.execute("DROP TRIGGER entry_no_update")
    filled.connection.execute("UPDATE entry SET fence_error_deg = -0.012 WHERE id = ?", (entry.id,))
    assert "not its reading's" in only(check(filled)).what


def test_changed_texts_and_tags_are_found(filled):
    filled.connection.execute("DROP TRIGGER document_no_update")
    filled.connection.execute("UPDATE document SET text = text || ' '")
    filled.connection.execute("UPDATE tag SET sled = 'Other sled'")
    assert [problem.kind for problem in check(filled)] == ["document", "document", "tag"]


def test_a_bad_byte_in_the_database_file_is_found_and_named(filled, log_folder):
    """The byte is changed on the disk, in the text of one entry, where the database itself sees nothing."""
    entry = list(filled.entries())[2]
    filled.close()
    file = log_folder / FILE_NAME
    data = bytearray(file.read_bytes())
    place = data.index(b"note number 2")
    for byte in (ord("N"), 0xFF):  # another letter; and no UTF-8 at all
        data[place] = byte
        file.write_bytes(data)
        with Log.open(log_folder) as log:
            problem = only(check(log))
            assert problem.kind == "row"
            assert entry.id[:8] in problem.what


def test_a_ruined_page_is_reported_without_a_traceback(filled, log_folder):
    filled.close()
    file = log_folder / FILE_NAME
    data = bytearray(file.read_bytes())
    place = data.index(b"note number 2") // 4096 * 4096
    data[place : place + 4096] = b"\xa5" * 4096
    file.write_bytes(data)
    with Log.open(log_folder) as log:
        problems = list(check(log))
    assert problems
    assert {"database", "row"} & {problem.kind for problem in problems}
    assert not any(problem.is_harmless for problem in problems)


def test_a_dangling_reference_is_found(filled):
    filled.connection.execute("PRAGMA foreign_keys = OFF")
    filled.connection.execute("DROP TRIGGER document_no_delete")
    filled.connection.execute("DELETE FROM document")
    assert {problem.kind for problem in check(filled)} == {"row"}


def test_leftovers_are_named_and_cleaned_and_nothing_else(filled):
    folder = next(filled.photos.files()).parent
    (folder / ".part-1234").write_bytes(b"half a pho")
    (folder / ("0" * 64 + ".jpg")).write_bytes(b"whole, but its row never came")
    assert sorted(problem.kind for problem in check(filled)) == ["broken-off write", "photo without entry"]
    assert all(problem.is_harmless for problem in check(filled))
    assert len(clean(filled)) == 2
    assert list(check(filled)) == []
    assert len(list(filled.photos.files())) == 5


def test_check_works_on_a_log_open_to_read_alone(filled, log_folder):
    (filled.photos.folder / "stray.jpg").write_bytes(b"x")
    with Log.open(log_folder, readonly=True) as log:
        assert [problem.kind for problem in check(log)] == ["photo without entry"]
        with pytest.raises(sqlite3.OperationalError):
            log.connection.execute("DELETE FROM tag")
