"""The log proves itself: what was taken out, put back or left out is noticed, and a copy is the original's equal."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import sqlite3

import pytest

from tests.log.conftest import make_draft, make_photo, make_reading, old_log, typed_draft
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.log import chain, records, schema
from visioncheck.log.backup import back_up
from visioncheck.log.check import check, check_folder
from visioncheck.log.clean import clean
from visioncheck.log.exchange import export_csv, export_json, read_csv, read_json
from visioncheck.log.merge import merge
from visioncheck.log.photos import ASIDE, PhotoFolder, read_photo
from visioncheck.log.store import Log

DATABASE = schema.FILE_NAME
KINDS = {"json": (export_json, read_json), "csv": (export_csv, read_csv)}


def exported(log, kind="json"):
    stream = io.StringIO(newline="")
    KINDS[kind][0](log, stream)
    return stream.getvalue()


def taken_in(log, text, kind="json", photos=None, **options):
    return merge(log, KINDS[kind][1](io.StringIO(text, newline="")), photos, **options)


@pytest.fixture
def filled(log, tmp_path):
    old = log.attach(make_draft(), make_photo(tmp_path))
    log.attach(typed_draft(days=1))
    log.assign_tag(7, "Long sled")
    log.attach(make_draft(days=2, corrects=old.id, photo_sha256=old.photo_sha256))
    log.assign_tag(7, "Short sled")
    log.attach(make_draft(days=3), make_photo(tmp_path))
    assert list(check(log)) == []
    return log


def test_each_link_hashes_its_record_and_the_link_before(filled):
    """The hash written out: SHA-256 (FIPS 180-4) of the JSON list of number, kind, name, digest and previous."""
    previous = ""
    for number, link in enumerate(filled.links(), 1):
        text = json.dumps([number, link.kind, link.name, link.digest, previous])
        assert link.sha256 == hashlib.sha256(text.encode()).hexdigest()
        previous = link.sha256
    assert number == 6
    assert [link.kind for link in filled.links()] == ["entry", "entry", "tag", "entry", "tag", "entry"]


def test_a_link_put_in_another_ones_place_breaks_the_chain(filled):
    """Whole in itself, but not what the next one was written after."""
    links = list(filled.links())
    other = chain.next_link(links[1], chain.TAG, "7", "0" * 64)
    assert other.is_whole
    assert list(chain.gaps(links)) == []
    assert list(chain.gaps([*links[:2], other, *links[3:]])) == [chain.Gap(4, 3)]
    assert list(chain.gaps([links[0], *links[3:]])) == [chain.Gap(2, 3)]
    assert list(chain.gaps(links[1:])) == [chain.Gap(1, 1)]


@pytest.mark.parametrize("table", ["entry", "link", "tag"])
@pytest.mark.parametrize("which", ["first", "middle", "last"])
def test_a_row_taken_out_anywhere_is_named(filled, log_folder, table, which):
    """Also the last one and a typed one, of which no photo tells."""
    key = "tag" if table == "tag" else "number"
    numbers = [row[0] for row in filled.connection.execute(f"SELECT {key} FROM {table} ORDER BY {key}")]  # noqa: S608
    number = {"first": numbers[0], "middle": numbers[len(numbers) // 2], "last": numbers[-1]}[which]
    id_ = filled.connection.execute("SELECT id FROM entry WHERE number = ?", (number,)).fetchone()
    filled.connection.execute("PRAGMA foreign_keys = OFF")
    for trigger in ("entry_no_delete", "link_no_delete"):
        filled.connection.execute(f"DROP TRIGGER {trigger}")
    filled.connection.execute(f"DELETE FROM {table} WHERE {key} = ?", (number,))  # noqa: S608 - own names
    filled.close()
    problems = list(check_folder(log_folder))
    assert problems
    assert not any(problem.is_harmless for problem in problems)
    if table == "entry":
        assert any(id_[0][:8] in problem.what and "missing" in problem.what for problem in problems)


def test_an_older_database_put_back_is_noticed_and_its_photos_are_kept(filled, log_folder, tmp_path):
    filled.close()
    shutil.copyfile(log_folder / DATABASE, tmp_path / "older")
    with Log.open(log_folder) as log:
        typed = log.attach(typed_draft(days=4))
        photo = log.attach(make_draft(days=5), make_photo(tmp_path))
        path = log.photo_path(photo)
    shutil.copyfile(tmp_path / "older", log_folder / DATABASE)
    problems = list(check_folder(log_folder))
    assert [problem.kind for problem in problems] == ["missing record", "photo of a lost record"]
    assert typed.id[:8] in problems[0].what
    assert photo.id[:8] in problems[0].what
    with Log.open(log_folder) as log:
        assert clean(log) == []
        log.attach(typed_draft(days=6))  # written on: still noticed
    assert path.exists()
    assert "missing record" in {problem.kind for problem in check_folder(log_folder)}


def test_a_write_ahead_file_removed_is_noticed(log_folder, tmp_path):
    with Log.open(log_folder, create=True) as log:
        log.attach(typed_draft())
    with Log.open(log_folder) as log:
        lost = log.attach(typed_draft(days=1))
        shutil.copytree(log_folder, tmp_path / "copy")
    for path in (tmp_path / "copy").glob(f"{DATABASE}-*"):
        path.unlink()
    (problem,) = check_folder(tmp_path / "copy")
    assert lost.id[:8] in problem.what


def test_a_log_whose_database_does_not_open_is_looked_at_all_the_same(log, log_folder, capsys):
    entry = log.attach(typed_draft())
    log.close()
    (log_folder / DATABASE).write_bytes(b"no database" * 1000)
    assert main(["log", "check", str(log_folder)]) == 1
    out = capsys.readouterr().out
    assert "cannot be opened" in out
    assert f"missing from the database: entry {entry.id[:8]}" in out
    (log_folder / DATABASE).unlink()
    assert main(["log", "check", str(log_folder)]) == 1
    assert main(["log", "check", str(log_folder.parent)]) == 2
    assert "not a calibration log" in capsys.readouterr().err


def test_a_missing_list_is_said_and_made_again(filled, log_folder):
    text = (log_folder / records.FILE_NAME).read_text()
    (log_folder / records.FILE_NAME).unlink()
    assert [problem.kind for problem in check(filled)] == ["list"]
    clean(filled)
    assert list(check(filled)) == []
    assert (log_folder / records.FILE_NAME).read_text() == text


def test_a_list_that_lags_behind_is_no_problem(filled, log_folder):
    """As after a kill between the database and the list."""
    lines = (log_folder / records.FILE_NAME).read_text().split("\n")
    (log_folder / records.FILE_NAME).write_text("\n".join(lines[:-2]))
    filled.attach(typed_draft(days=9))
    assert list(check(filled)) == []


def test_a_photo_is_found_by_its_content_and_put_back(filled):
    path = filled.photo_path(list(filled.entries())[-1])
    data = path.read_bytes()
    path.rename(path.with_name("IMG_0001.jpg"))
    first, second = check(filled)
    assert (first.kind, second.kind) == ("missing photo", "photo of a lost record")
    assert "IMG_0001.jpg has its bytes" in first.what
    (done,) = clean(filled)
    assert (done.to, done.is_back) == (path, True)
    assert path.read_bytes() == data
    assert list(check(filled)) == []


def test_a_damaged_photo_is_moved_aside_for_its_copy(filled, log_folder):
    path = filled.photo_path(list(filled.entries())[-1])
    data = path.read_bytes()
    path.with_name("copy.jpg").write_bytes(data)
    path.write_bytes(b"\xff\xd8\xff rot")
    clean(filled)
    assert path.read_bytes() == data
    assert [each.read_bytes() for each in (log_folder / ASIDE).iterdir()] == [b"\xff\xd8\xff rot"]


def test_a_stray_photo_is_moved_aside_and_never_deleted(filled, log_folder, tmp_path):
    stray = filled.photos.folder / "stray.jpg"
    for _ in range(2):  # twice the same name
        stray.write_bytes(make_photo(tmp_path).read_bytes())
        clean(filled)
    assert len(list((log_folder / ASIDE).iterdir())) == 2
    assert list(check(filled)) == []


def test_an_older_log_is_taken_in_once_and_marked_so(log_folder, monkeypatch, capsys):
    def fill(log):
        log.assign_tag(3, "Long sled")
        return [log.attach(typed_draft(days=days)) for days in range(3)]

    entries = old_log(log_folder, monkeypatch, 2, fill)
    with Log.open(log_folder, readonly=True) as log:
        assert list(log.links()) == []
        assert list(log.entries()) == entries
        assert list(check(log)) == []
    assert main(["log", "check", str(log_folder)]) == 0
    assert "of an older version" in capsys.readouterr().out
    for _ in range(2):
        with Log.open(log_folder) as log:
            assert [link.kind for link in log.links()] == ["taken in", *["entry"] * 3, "tag"]
            assert list(check(log)) == []
    assert main(["log", "check", str(log_folder)]) == 0
    out = capsys.readouterr().out
    assert "first 4 records were there before it was chained" in out
    assert "5 records" in out


# ------------------------------------------------------------------ exports


@pytest.mark.parametrize("kind", KINDS)
def test_a_copy_by_export_has_the_same_chain(filled, tmp_path, kind):
    text = exported(filled, kind)
    with Log.open(tmp_path / "new", create=True) as new:
        assert taken_in(new, text, kind, filled.photos.folder).added == 4
        assert list(new.links()) == list(filled.links())
        assert list(check(new)) == []
        # what comes later follows on
        filled.attach(typed_draft(days=8))
        filled.assign_tag(7, "Long sled")
        assert taken_in(new, exported(filled, kind), kind, filled.photos.folder).added == 1
        assert list(new.links()) == list(filled.links())
        assert new.tags() == filled.tags()


@pytest.mark.parametrize("kind", ["entry", "link", "tag"])
def test_a_record_taken_out_of_an_export_is_noticed(filled, tmp_path, kind):
    whole = json.loads(exported(filled))
    places = [k for k, record in enumerate(whole) if record["record"] == kind]
    for place in places:
        text = json.dumps([record for k, record in enumerate(whole) if k != place])
        with Log.open(tmp_path / "new", create=True) as new:
            with pytest.raises(UserError, match=r"taken out|chain"):
                taken_in(new, text, photos=filled.photos.folder)
            assert list(new.entries()) == []
    head = [record for record in whole if record["record"] == "head"]
    assert head == [{"record": "head", "count": 6, "sha256": list(filled.links())[-1].sha256}]


def test_an_export_of_before_the_chain_is_taken_in_and_that_is_said(filled, tmp_path, capsys):
    old = [record for record in json.loads(exported(filled)) if record["record"] not in {"link", "head"}]
    (tmp_path / "old.json").write_text(json.dumps(old))
    photos = str(filled.photos.folder)
    assert main(["log", "import", str(tmp_path / "new"), str(tmp_path / "old.json"), "--photos", photos]) == 0
    assert "cannot be told" in capsys.readouterr().err
    assert list(check_folder(tmp_path / "new")) == []


def test_a_damaged_log_is_not_exported(filled):
    filled.connection.execute("DROP TRIGGER entry_no_update")
    filled.connection.execute("UPDATE entry SET note = 'x' WHERE number = 2")
    with pytest.raises(UserError, match="is damaged; run log check"):
        exported(filled)


# ------------------------------------------------------------------ one photo once


def test_the_database_itself_lets_a_photo_stand_once(log, tmp_path):
    photo = make_photo(tmp_path)
    entry = log.attach(make_draft(), photo)
    columns = ", ".join(row[1] for row in log.connection.execute("PRAGMA table_info(entry)") if row[1] != "number")
    copied = columns.replace("id, time", "'" + "0" * 32 + "', time", 1)
    with pytest.raises(sqlite3.IntegrityError, match="counts once"):
        log.connection.execute(f"INSERT INTO entry ({columns}) SELECT {copied} FROM entry")  # noqa: S608
    with pytest.raises(UserError, match=f"in entry {entry.id[:8]}, and a photo counts once"):
        log.attach(make_draft(days=1), photo)
    new = log.attach(make_draft(days=1, corrects=entry.id), photo)
    log.attach(make_draft(days=2, corrects=new.id), photo)
    assert len([each for each in log.entries() if each.corrected_by is None]) == 1


def test_two_entries_of_a_photo_in_an_older_log_are_named_and_can_be_corrected(log_folder, tmp_path, monkeypatch):
    photo = make_photo(tmp_path)

    def fill(log):
        monkeypatch.setattr(Log, "_require_free", lambda *_: None)
        return [log.attach(make_draft(days=days), photo) for days in range(2)]

    first, second = old_log(log_folder, monkeypatch, 2, fill)
    monkeypatch.undo()
    with Log.open(log_folder) as log:
        (problem,) = check(log)
        assert first.id[:8] in problem.what
        assert second.id[:8] in problem.what
        withdrawn = {"schema": 1, "status": "refused", "reason": "withdrawn: twice"}
        log.attach(make_draft(reading=withdrawn, corrects=first.id, photo_sha256=first.photo_sha256))
        assert [each.id for each in log.entries() if each.fence_error and not each.corrected_by] == [second.id]


def test_an_import_of_a_photo_that_counts_already(log, tmp_path):
    """Alike within rounding it is passed over; told otherwise it is asked about, and nothing is imported."""
    photo = make_photo(tmp_path)
    ours = log.attach(make_draft(0.0123456789), photo)
    for name, value in (("alike", 0.0123456789 * (1 + 1e-9)), ("other", 0.02)):
        with Log.open(tmp_path / name, create=True) as other:
            other.attach(make_draft(value), photo)
            other.attach(typed_draft(days=20, note=name))
            text = exported(other)
            photos = other.photos.folder
        if name == "other":
            before = list(log.entries())
            with pytest.raises(UserError, match=f"counts in entry {ours.id[:8]}"):
                taken_in(log, text, photos=photos)
            assert list(log.entries()) == before
        merged = taken_in(log, text, photos=photos, keep_ours=name == "other")
        assert merged.added == 1
        assert len(merged.left_out) == (name == "other")
    assert [each.id for each in log.entries() if each.photo_sha256 == ours.photo_sha256] == [ours.id]
    assert list(check(log)) == []


def test_an_import_never_gives_a_tag_to_another_sled_unasked(log, tmp_path):
    log.assign_tag(222, "Long sled")
    with Log.open(tmp_path / "other", create=True) as other:
        other.assign_tag(222, "Short sled")
        text = exported(other)
    with pytest.raises(UserError, match="tag 222 is Long sled's"):
        taken_in(log, text)
    assert taken_in(log, text, keep_ours=True).left_out
    assert log.tags() == {222: "Long sled"}


def test_readings_equal_within_rounding_are_the_same(log, tmp_path):
    photo = make_photo(tmp_path)
    first = log.attach_once(make_draft(0.0123456789012), read_photo(photo), {})
    assert log.attach_once(make_draft(0.0123456789013), read_photo(photo), {}) == first
    assert log.attach_once(make_draft(0.01235), read_photo(photo), {}).corrects == first.id


# ------------------------------------------------------------------ backup


def test_a_backup_made_while_others_write_is_whole(filled, log_folder, tmp_path):
    """The writer holds entries in the write-ahead file, which a copy of the database alone lacks."""
    to = tmp_path / "backup"
    for days in range(3):
        filled.attach(make_draft(days=10 + days), make_photo(tmp_path))
        assert main(["log", "backup", str(log_folder), str(to)]) == 0
        assert list(check_folder(to)) == []
        with Log.open(to, readonly=True) as copy:
            assert list(copy.entries()) == list(filled.entries())
            assert list(copy.links()) == list(filled.links())
    with Log.open(log_folder) as log:
        log.connection.execute("BEGIN IMMEDIATE")  # somebody is just writing
        assert main(["log", "backup", str(log_folder), str(to)]) == 0


def test_a_log_comes_back_from_its_backup(filled, log_folder, tmp_path, capsys):
    (log_folder / "sleds").mkdir()
    (log_folder / "sleds" / "long.toml").write_text("x")
    assert main(["log", "backup", str(log_folder), str(tmp_path / "backup")]) == 0
    entries, links = list(filled.entries()), list(filled.links())
    filled.close()
    shutil.rmtree(log_folder)
    capsys.readouterr()
    assert main(["log", "restore", str(tmp_path / "backup"), str(log_folder)]) == 0
    assert "6 records" in capsys.readouterr().out
    with Log.open(log_folder) as log:
        assert (list(log.entries()), list(log.links())) == (entries, links)
        assert list(check(log)) == []
        log.attach(typed_draft(days=30))
    assert (log_folder / "sleds" / "long.toml").read_text() == "x"
    assert main(["log", "restore", str(tmp_path / "backup"), str(log_folder)]) == 2
    assert "holds a log" in capsys.readouterr().err


@pytest.mark.usefixtures("filled")
def test_a_backup_broken_off_goes_on(log_folder, tmp_path, monkeypatch):
    put, to = PhotoFolder.put, tmp_path / "backup"

    def break_off(folder, photo):
        if any(folder.files()):
            raise KeyboardInterrupt
        return put(folder, photo)

    with monkeypatch.context() as patch:
        patch.setattr(PhotoFolder, "put", break_off)
        with pytest.raises(KeyboardInterrupt):
            back_up(log_folder, to)
    assert not (to / DATABASE).exists()
    assert (back_up(log_folder, to).photos, list(check_folder(to))) == (2, [])


def test_a_backup_is_never_put_over_a_better_one(filled, log_folder, tmp_path, capsys):
    to = tmp_path / "backup"
    filled.close()
    shutil.copyfile(log_folder / DATABASE, tmp_path / "older")
    with Log.open(log_folder) as log:
        log.attach(typed_draft(days=4))
    assert main(["log", "backup", str(log_folder), str(to)]) == 0
    shutil.copyfile(tmp_path / "older", log_folder / DATABASE)
    assert main(["log", "backup", str(log_folder), str(to)]) == 2
    assert "has records that this log lacks" in capsys.readouterr().err
    assert list(check_folder(to)) == []
    for place, said in ((log_folder, "one another"), (log_folder / "in", "one another"), (tmp_path, "one another")):
        assert main(["log", "backup", str(log_folder), str(place)]) == 2
        assert said in capsys.readouterr().err


def test_a_backup_of_a_log_that_lacks_a_photo_says_so(filled, log_folder, tmp_path, capsys):
    entry = list(filled.entries())[-1]
    path = filled.photo_path(entry)
    path.unlink()
    to, new = tmp_path / "backup", tmp_path / "new"
    named = f"Photo {entry.file_name} (entry {entry.id[:8]}) is missing"
    assert main(["log", "backup", str(log_folder), str(to)]) == 1
    said = capsys.readouterr().out
    assert named in said
    assert "The copy lacks what the log lacks: the photo named above. All the rest is in it." in said
    assert main(["log", "restore", str(to), str(new)]) == 1
    said = capsys.readouterr().out
    assert named in said
    assert "The new log lacks what the backup lacks: the photo named above." in said
    with Log.open(new, readonly=True) as log:
        assert list(log.entries()) == list(filled.entries())
        assert sum(1 for _ in log.photos.files()) == 1
    assert [problem.path for problem in check_folder(new)] == [new / path.relative_to(log_folder)]


@pytest.mark.usefixtures("filled")
def test_a_backup_whose_records_are_not_whole_is_not_restored(log_folder, tmp_path, capsys):
    to, new = tmp_path / "backup", tmp_path / "new"
    back_up(log_folder, to)
    with Log.open(to) as log:
        log.connection.execute("DROP TRIGGER entry_no_update")
        log.connection.execute("UPDATE entry SET note = 'x' WHERE number = 2")
    assert main(["log", "restore", str(to), str(new)]) == 2
    assert "is not whole" in capsys.readouterr().err
    assert not new.exists()


# ------------------------------------------------------------------ one bad entry


def bad_entries(log, monkeypatch):
    """Entries as older versions took them in: of a day to come, and one whose interval is no number."""
    from datetime import UTC, datetime

    with monkeypatch.context() as patch:
        patch.setattr("visioncheck.log.rows.require_time", lambda *_: None)
        patch.setattr("visioncheck.log.rows.require_expanded", lambda *_: None)
        late = log.attach(typed_draft(0.5, time=datetime(2062, 3, 1, tzinfo=UTC), sled_text=None))
        last = log.attach(typed_draft(0.5, time=datetime(9999, 12, 31, 23, 59, tzinfo=UTC), sled_text=None))
        patch.setattr("visioncheck.log.rows.fence_error_columns", lambda _: (0.5, 0.01, None))
        error = {"value": 0.5, "u": 0.01, "dof": None, "expanded": "0.1"}
        odd = log.attach(typed_draft(reading={**make_reading(), "fence_error_deg": error}, days=50, sled_text=None))
    return late, last, odd


def test_bad_entries_are_named_and_passed_over(log, log_folder, monkeypatch, tmp_path, capsys):
    for days in range(5):
        log.attach(typed_draft(0.001, days=days, sled_text=None))
    bad = bad_entries(log, monkeypatch)
    report = ["report", str(log_folder), "-o", str(tmp_path / "report.html")]
    for line in (["log", "trend", str(log_folder)], report):
        assert main(line) == 0
        said = capsys.readouterr()
        for entry in bad:
            assert f"--corrects {entry.id[:8]} --withdraw" in said.err
            assert entry.id[:8] in (said.out if line is not report else (tmp_path / "report.html").read_text())
        assert "0.5" not in said.out
    assert "Entries that this report leaves out" in (tmp_path / "report.html").read_text()
    assert main(["log", "trend", str(log_folder), "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)["passed_over"]) == {entry.id for entry in bad}
    assert main(["log", "list", str(log_folder)]) == 0
    said = capsys.readouterr()
    for text in (said.out, said.err):
        assert "2062-03-01, which is still to come" in text
        assert bad[2].id[:8] in text
    for entry in bad:
        assert main(["log", "attach", str(log_folder), "--corrects", entry.id, "--withdraw", "a slip"]) == 0
    capsys.readouterr()
    assert main(["log", "trend", str(log_folder)]) == 0
    assert capsys.readouterr().err == ""
    assert list(check(log)) == []


def test_a_day_to_come_is_asked_about(tmp_path, capsys):
    (tmp_path / "r.json").write_text(json.dumps({k: v for k, v in make_reading().items() if k != "photo"}))
    assert main(["sled", str(tmp_path / "long.toml"), "--defaults", "--name", "Long sled"]) == 0
    line = ["log", "attach", str(tmp_path / "LOG"), "--reading", str(tmp_path / "r.json"), "--sled"]
    for time in ("2062-03-01", "9999-12-30"):
        assert main([*line, str(tmp_path / "long.toml"), "--time", time]) == 2
        assert "still to come" in capsys.readouterr().err


def test_a_correction_that_moves_an_entry_to_another_sled(log, log_folder, tmp_path, capsys):
    old = log.attach(typed_draft(sled_text=None))
    new = log.attach(typed_draft(sled="Short sled", corrects=old.id, sled_text=None))
    assert log.sleds() == ["Short sled"]
    for line in (["list", str(log_folder)], ["trend", str(log_folder)], ["show", str(log_folder), old.id]):
        assert main(["log", *line]) == 0
    assert main(["report", str(log_folder), "-o", str(tmp_path / "report.html")]) == 0
    assert "Short sled" in (tmp_path / "report.html").read_text()
    assert new.id[:8] in capsys.readouterr().out


def test_a_reading_is_parsed_once(log, monkeypatch):
    for days in range(3):
        log.attach(typed_draft(days=days))
    entries = list(log.entries())
    calls = []
    monkeypatch.setattr("visioncheck.log.entry.json.loads", lambda text: calls.append(text) or {})
    assert all(entry.reading == make_reading() for entry in entries for _ in range(5))
    assert calls == []


def test_what_has_no_effect_on_a_copy_is_said(filled, log_folder, tmp_path, capsys):
    export, own = str(tmp_path / "all.json"), str(log_folder / "photos")
    assert main(["log", "export", str(log_folder), "-o", export]) == 0
    capsys.readouterr()
    assert main(["log", "import", str(tmp_path / "new"), export, "--photos", own, "--keep-ours"]) == 0
    said = capsys.readouterr().err
    assert "--keep-ours had no effect" in said
    assert "--photos" not in said
    assert main(["log", "import", str(tmp_path / "new"), export, "--photos", own]) == 0
    assert f"--photos {own} had no effect" in capsys.readouterr().err
    assert main(["log", "check", str(log_folder), "--clean"]) == 0
    assert "--clean had no effect" in capsys.readouterr().out
    filled.photos.path("0" * 64, ".jpg").parent.mkdir(parents=True, exist_ok=True)
    filled.photos.path("0" * 64, ".jpg").write_bytes(b"of nobody")
    with (log_folder / records.FILE_NAME).open("a") as listed:
        listed.write("\nbroken off")
    assert main(["log", "check", str(log_folder), "--clean"]) == 0
    said = capsys.readouterr().out
    assert "no effect" not in said
    assert f"Wrote {log_folder / records.FILE_NAME} anew." in said
