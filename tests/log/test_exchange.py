"""An export carries everything but the photos' bytes, and gives the log back."""

from __future__ import annotations

import csv
import io
import json
import shutil

import pytest

from tests.log.conftest import make_draft, make_photo, make_reading, typed_draft
from visioncheck.errors import UserError
from visioncheck.log.check import check
from visioncheck.log.exchange import export_csv, export_json, read_csv, read_json
from visioncheck.log.merge import merge
from visioncheck.log.schema import FILE_NAME
from visioncheck.log.store import Log


def import_json(log, stream, photos=None):
    return merge(log, read_json(stream), photos).added


def import_csv(log, stream, photos=None):
    return merge(log, read_csv(stream), photos).added


EXPORTS = {"json": (export_json, import_json), "csv": (export_csv, import_csv)}


@pytest.fixture
def filled(log, tmp_path):
    old = log.attach(make_draft(person='Ünal, the "old" one\nand Bo', note=" spaces "), make_photo(tmp_path))
    log.attach(make_draft(days=1, corrects=old.id, photo_sha256=old.photo_sha256))
    log.attach(typed_draft(days=2, adjusted="left end 0.1 mm forward", reading=make_reading(dof=None)))
    refused = {"schema": 1, "status": "refused", "reason": "blurred", "photo": "b.jpg", "flags": ["blur"]}
    log.attach(make_draft(days=3, reading=refused, rig_text=None), make_photo(tmp_path))
    log.assign_tag(4, "Long sled")
    log.assign_tag(5, "Sled without entries")
    return log


def exported(log, kind):
    stream = io.StringIO(newline="")
    EXPORTS[kind][0](log, stream)
    return stream.getvalue()


@pytest.mark.parametrize("kind", ["json", "csv"])
def test_a_log_is_rebuilt_from_its_export_and_photos(filled, tmp_path, kind):
    text = exported(filled, kind)
    with Log.open(tmp_path / "new", create=True) as new:
        assert EXPORTS[kind][1](new, io.StringIO(text, newline=""), filled.photos.folder) == 4
        assert list(new.entries()) == list(filled.entries())
        assert [entry.corrected_by for entry in new.entries()] == [entry.corrected_by for entry in filled.entries()]
        assert new.tags() == filled.tags()
        assert list(check(new)) == []
        assert exported(new, kind) == text
        for entry in new.entries():
            assert new.document(entry.rig_sha256) == filled.document(entry.rig_sha256)
        # a second time adds nothing
        assert EXPORTS[kind][1](new, io.StringIO(text, newline=""), filled.photos.folder) == 0


def test_a_lost_database_is_rebuilt_among_its_own_photos(filled, log_folder):
    text = exported(filled, "json")
    entries = list(filled.entries())
    filled.close()
    (log_folder / FILE_NAME).unlink()
    with Log.open(log_folder, create=True) as log:
        assert import_json(log, io.StringIO(text)) == 4
        assert list(log.entries()) == entries
        assert list(check(log)) == []


def test_two_logs_are_merged(filled, tmp_path):
    with Log.open(tmp_path / "other", create=True) as other:
        other.attach(typed_draft(days=9, person="Bo"))
        import_json(other, io.StringIO(exported(filled, "json")), filled.photos.folder)
        assert len(list(other.entries())) == 5
        assert list(check(other)) == []


def test_the_exports_are_plain_csv_and_json(filled):
    records = json.loads(exported(filled, "json"))
    assert [record["record"] for record in records] == (
        ["entry"] * 4 + ["document"] * 2 + ["tag"] * 2 + ["link"] * 6 + ["head"]
    )
    rows = list(csv.DictReader(io.StringIO(exported(filled, "csv"), newline="")))
    assert rows[0]["person"] == records[0]["person"]
    assert float(rows[0]["fence_error_deg"]) == records[0]["fence_error_deg"]
    assert json.loads(rows[0]["reading_json"]) == make_reading()


def damage(records, name):
    first = records[0]
    if name == "changed value":
        first["fence_error_deg"] = 0.0
    elif name == "missing key":
        del first["person"]
    elif name == "unreadable time":
        first["time"] = "yesterday"
    elif name == "changed text":
        records[4]["text"] += "x"
    elif name == "lost text":
        del records[4:6]
    elif name == "lost corrected entry":
        del records[0]
    elif name == "unknown record":
        first["record"] = "blade"
    return json.dumps(records)


@pytest.mark.parametrize(
    "name",
    [
        "changed value",
        "missing key",
        "unreadable time",
        "changed text",
        "lost text",
        "lost corrected entry",
        "unknown record",
    ],
)
def test_a_damaged_export_brings_in_nothing(filled, tmp_path, name):
    text = damage(json.loads(exported(filled, "json")), name)
    with Log.open(tmp_path / "new", create=True) as new:
        with pytest.raises(UserError):
            import_json(new, io.StringIO(text), filled.photos.folder)
        assert list(new.entries()) == []
        assert new.tags() == {}
        assert list(new.photos.files()) == []
        assert list(check(new)) == []


@pytest.mark.parametrize("text", ["", "{}", "[1]", "[", "[{}]"])
def test_what_is_no_export_is_refused(log, text):
    with pytest.raises(UserError, match="export"):
        import_json(log, io.StringIO(text))


@pytest.mark.parametrize("text", ["record\nentry\n", 'record,"\n', "record,tag,sled\ntag,seven,x\n"])
def test_what_is_no_csv_export_is_refused(log, text):
    with pytest.raises(UserError, match="export"):
        import_csv(log, io.StringIO(text, newline=""))


def test_missing_and_damaged_photos_stop_an_import(filled, tmp_path):
    text = exported(filled, "json")
    moved = tmp_path / "moved"
    shutil.copytree(filled.photos.folder, moved)
    victim = next(path for path in sorted(moved.rglob("*")) if path.is_file())
    with Log.open(tmp_path / "new", create=True) as new:
        with pytest.raises(UserError, match="name the photos folder"):
            import_json(new, io.StringIO(text))
        victim.write_bytes(b"\xff\xd8\xff rot")
        with pytest.raises(UserError, match="is damaged"):
            import_json(new, io.StringIO(text), moved)
        assert list(new.entries()) == []
        assert list(new.photos.files()) == []
