"""Two photos of one piece behind one entry: both kept, both checked, and each counted once."""

from __future__ import annotations

import io
import json

import pytest

from tests.log.conftest import make_draft, make_photo
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.log.check import check
from visioncheck.log.clean import clean
from visioncheck.log.exchange import export_json, read_json
from visioncheck.log.merge import merge
from visioncheck.log.photos import read_photo
from visioncheck.log.store import Log


@pytest.fixture
def pair(tmp_path):
    return [read_photo(make_photo(tmp_path, name=name)) for name in ("first.jpg", "second.jpg")]


def attach(log, pair, **said):
    first, *more = pair
    return log.attach_once(make_draft(), first, said, more)


def test_both_are_kept_and_known(log, pair):
    entry = attach(log, pair)
    assert [path.read_bytes() for path in log.photo_paths(entry)] == [photo.data for photo in pair]
    assert list(check(log)) == []
    assert clean(log) == []
    assert attach(log, pair) == entry


def test_damage_to_the_second_is_found(log, pair):
    entry = attach(log, pair)
    path = log.photo_paths(entry)[1]
    path.write_bytes(b"rot")
    assert [(problem.kind, problem.path) for problem in check(log)] == [("damaged photo", path)]
    path.unlink()
    assert [(problem.kind, problem.path) for problem in check(log)] == [("missing photo", path)]


def test_an_export_brings_both_along(log, pair, tmp_path):
    entry = attach(log, pair)
    stream = io.StringIO()
    export_json(log, stream)
    stream.seek(0)
    with Log.open(tmp_path / "new", create=True) as new:
        assert merge(new, read_json(stream), log.photos.folder).added == 1
        assert [path.read_bytes() for path in new.photo_paths(entry)] == [photo.data for photo in pair]
        assert list(check(new)) == []


def test_show_names_both(log, pair, capsys):
    entry = attach(log, pair)
    assert main(["log", "show", str(log.folder), entry.id]) == 0
    assert pair[1].sha256 in capsys.readouterr().out
    assert main(["log", "show", str(log.folder), entry.id, "--json"]) == 0
    assert [str(path) for path in log.photo_paths(entry)] == json.loads(capsys.readouterr().out)["photo_paths"]


def test_a_photo_that_counts_alone_does_not_count_again_in_a_pair(log, pair):
    alone = attach(log, pair[1:])
    with pytest.raises(UserError, match=f"counts in entry {alone.id[:8]}"):
        attach(log, pair)
    assert list(log.entries()) == [alone]
    assert len(list(log.photos.files())) == 1
    # withdrawn it counts no longer
    log.attach(
        make_draft(reading={"schema": 1, "status": "refused"}, corrects=alone.id, photo_sha256=alone.photo_sha256)
    )
    assert len(attach(log, pair).photos) == 2


def test_the_second_of_a_pair_does_not_count_again_alone(log, pair):
    both = attach(log, pair)
    with pytest.raises(UserError, match=f"counts in entry {both.id[:8]}"):
        attach(log, pair[1:])
    assert list(log.entries()) == [both]


def test_the_first_read_alone_is_corrected_by_the_pair(log, pair):
    alone = attach(log, pair[:1], person="Ida")
    both = attach(log, pair)
    assert (both.corrects, both.person) == (alone.id, "Ida")


def test_nothing_is_cleaned_away_while_a_row_is_damaged(log, pair):
    """The row that no longer names its photo may be the only one that did."""
    entry = attach(log, pair)
    second = log.photo_paths(entry)[1]
    part = second.with_name(".part-1")
    part.write_bytes(b"x")
    log.connection.execute("DROP TRIGGER entry_no_update")
    log.connection.execute("UPDATE entry SET reading_json = replace(reading_json, 'more_photos', 'more_phot0s')")
    assert "row" in {problem.kind for problem in check(log)}
    assert [each.path for each in clean(log)] == [part]
    assert second.exists()
