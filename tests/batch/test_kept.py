"""What a batch makes of results, however they come: kept, refused, remembered or measured again."""

from __future__ import annotations

from concurrent.futures import BrokenExecutor, Future
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.log.conftest import make_photo, make_reading
from tests.report.hand_made import SLED
from visioncheck.batch.batch import measure, settle, without_use
from visioncheck.batch.jobs import BatchPhoto, Known
from visioncheck.batch.work import Finding, find
from visioncheck.errors import UserError
from visioncheck.log.entry import sha256_text
from visioncheck.log.photos import read_photo
from visioncheck.log.store import Log
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import RigFile, SledFile
from visioncheck.present.questions import missing_reason

SLEDS = {name: SledFile(replace(SLED, name=name), f"file of {name}") for name in ("Long sled", "Short sled")}
RIGS = {name: RigFile(None, f"file of {name}") for name in ("one", "other")}
KNOWN = Known(SLEDS, {}, RIGS)


@pytest.fixture
def log(tmp_path):
    with Log.open(tmp_path / "log", create=True) as log:
        yield log


@pytest.fixture
def job(tmp_path):
    path = make_photo(tmp_path)
    return BatchPhoto(path, path.name, PieceOptions(), sled="Long sled", rig="one", sha256=read_photo(path).sha256)


def done(found):
    future = Future()
    if isinstance(found, Exception):
        future.set_exception(found)
    else:
        future.set_result(found)
    return future


def run_as(found):
    """Stand for the processes: every job ends as told."""

    def run(_work, jobs, _known):
        for job in jobs:
            yield job, done(found)

    return run


def good(job, **changes):
    reading = {**make_reading(), "photo_sha256": job.sha256, "told": job.told.as_json(), **changes}
    return Finding(reading, job.sled, job.rig, read_photo(job.path))


def settled(log, job, known=KNOWN):
    """Tell the state of a job that needs no measuring, None of one that does."""
    left, results = settle(log, [job], known)
    assert len(left) + len(results) == 1
    return results[0].state if results else None


def test_a_reading_is_kept_and_then_as_before(log, job):
    assert settled(log, job) is None
    (result,) = measure(log, [job], KNOWN, run_as(good(job)))
    (entry,) = log.entries()
    assert (result.state, result.entry, entry.sled) == ("measured", entry.id, "Long sled")
    assert settled(log, job) == "as before"


@pytest.mark.parametrize(
    "changes",
    [
        {"sled": "Short sled"},
        {"rig": "other"},
        {"told": PieceOptions(cuts=5)},
        {"note": "dry"},
        {"adjusted": "3/8 turn"},
        {"time": datetime(2026, 3, 1, tzinfo=UTC)},
    ],
)
def test_what_changed_is_measured_again_and_corrects(log, job, changes):
    list(measure(log, [job], KNOWN, run_as(good(job))))
    (old,) = log.entries()
    job = replace(job, **changes)
    assert settled(log, job) is None
    list(measure(log, [job], KNOWN, run_as(good(job))))
    assert [entry.corrects for entry in log.entries() if entry.corrected_by is None] == [old.id]
    assert settled(log, job) == "as before"


@pytest.mark.parametrize(
    ("job_changes", "known"),
    [
        ({"sled": None}, KNOWN),
        ({"rig": None}, replace(KNOWN, rigs={})),
        ({"rig": None}, KNOWN),
        ({"person": "Bo"}, KNOWN),
        ({}, replace(KNOWN, sleds={"Short sled": SLEDS["Short sled"]})),
    ],
)
def test_what_is_not_said_now_is_as_it_was_said(log, job, job_changes, known):
    list(measure(log, [job], KNOWN, run_as(good(job))))
    assert settled(log, replace(job, **job_changes), known) == "as before"


def test_a_changed_sled_file_or_rig_file_or_photo_is_measured_again(log, job):
    list(measure(log, [job], KNOWN, run_as(good(job))))
    other = {**SLEDS, "Long sled": SledFile(SLED, "another text")}
    assert settled(log, job, replace(KNOWN, sleds=other)) is None
    assert settled(log, job, replace(KNOWN, rigs={"one": RigFile(None, "another text")})) is None
    make_photo(job.path.parent)
    assert settled(log, job) is None


def test_a_sled_file_from_the_log_is_no_change(log, job):
    """The log keeps the newest description; older photos were read by an older one, rightly."""
    list(measure(log, [job], KNOWN, run_as(good(job))))
    newer = {**SLEDS, "Long sled": SledFile(SLED, "as it is since the spring")}
    assert settled(log, job, replace(KNOWN, sleds=newer, kept=frozenset({"Long sled"}))) == "as before"


def test_the_only_sled_given_does_not_take_another_sleds_photo(log, job):
    list(measure(log, [job], KNOWN, run_as(good(job))))
    left, (result,) = settle(log, [replace(job, sled=None)], replace(KNOWN, only="Short sled"))
    assert left == []
    assert "it is Long sled's in the log" in missing_reason(result.reading)


def test_a_refusal_is_remembered_until_something_changes(log, job):
    refusal = Finding({"schema": 1, "status": "refused", "reason": "blur", "flags": ["blur"]})
    (result,) = measure(log, [job], KNOWN, run_as(refusal))
    assert (result.state, result.sled, list(log.entries())) == ("refused", "Long sled", [])
    assert settled(log, job) == "refused"
    assert settled(log, replace(job, told=PieceOptions(cuts=5))) is None
    assert settled(log, job, replace(KNOWN, tags={7: "Long sled"})) is None


PLACES = {Path(name): frozenset({name}) for name in ("Long sled", "Short sled")}
RIG_PLACES = {Path(name): frozenset({sha256_text(file.text)}) for name, file in RIGS.items()}


def test_a_sled_or_a_rig_of_no_photo_is_named(log, job):
    results = list(measure(log, [job], KNOWN, run_as(good(job))))
    assert without_use(log, results, PLACES, RIG_PLACES) == [("sled", Path("Short sled")), ("rig", Path("other"))]
    every = frozenset.union(*RIG_PLACES.values())
    assert without_use(log, results, {Path("all"): frozenset(SLEDS)}, {Path("all"): every}) == []
    # as before: the same is named again
    assert without_use(log, settle(log, [job], KNOWN)[1], PLACES, RIG_PLACES) == [
        ("sled", Path("Short sled")),
        ("rig", Path("other")),
    ]


@pytest.mark.parametrize(("sled", "idle"), [("Long sled", [("sled", Path("Short sled"))]), (None, [])])
def test_of_what_a_refused_photo_may_have_been_nothing_is_said(log, job, sled, idle):
    refusal = Finding({"schema": 1, "status": "refused", "reason": "blur", "flags": ["blur"]}, sled)
    (result,) = measure(log, [replace(job, sled=sled)], KNOWN, run_as(refusal))
    assert without_use(log, [result], PLACES, RIG_PLACES) == idle


@pytest.mark.parametrize(
    ("error", "said"), [(BrokenExecutor(), "killed its process"), (ZeroDivisionError("0/0"), "ZeroDivisionError")]
)
def test_a_lost_process_or_a_fault_is_refused_and_tried_again(log, job, error, said):
    (result,) = measure(log, [job], KNOWN, run_as(error))
    assert result.state == "refused"
    assert said in missing_reason(result.reading)
    assert settled(log, job) is None


def test_a_photo_that_changed_before_it_was_measured_is_refused(job):
    make_photo(job.path.parent)
    found = find(job, KNOWN)
    assert "changed after the batch began" in missing_reason(found.reading)
    assert found.photo is None


def test_what_was_measured_is_kept_without_opening_it_again(log, job):
    """A file that was overwritten or taken away after the measuring is no part of the log."""
    finding = good(job)
    job.path.unlink()
    (result,) = measure(log, [job], KNOWN, run_as(finding))
    assert result.state == "measured"
    assert log.photo_path(log.get(result.entry)).read_bytes() == finding.photo.data


def test_a_log_that_cannot_be_written_ends_the_batch(log, job, monkeypatch):
    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    ended = []

    def run(_work, jobs, _known):
        try:
            for each in jobs:
                yield each, done(good(job))
        finally:
            ended.append(True)

    with pytest.raises(UserError, match="No space left"):
        list(measure(log, [job, job], KNOWN, run))
    assert ended == [True]
    assert list(log.entries()) == []
