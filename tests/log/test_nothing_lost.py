"""Killed, crowded, full or forbidden: the log stays whole."""

from __future__ import annotations

import errno
import multiprocessing
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest

from tests.log.conftest import make_draft, make_photo
from visioncheck.errors import UserError
from visioncheck.log import photos as photos_module
from visioncheck.log.check import check
from visioncheck.log.clean import clean
from visioncheck.log.schema import MIGRATIONS
from visioncheck.log.store import Log

# fork: the children start in milliseconds and need to read nothing from the disk
fork = multiprocessing.get_context("fork")
ROOT = Path(__file__).parents[2]


def snapshot(folder):
    """Every file with its bytes, as an outsider sees the folder; the write-ahead files aside."""
    return {
        path.relative_to(folder): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(("-wal", "-shm"))
    }


def state(folder):
    """Return what the log says, and which photos it keeps."""
    with Log.open(folder) as log:
        return list(log.entries()), sorted(path.name for path in log.photos.files())


def require_whole(folder):
    """No problem but leftovers, and none after cleaning; returns the ids and the number of leftovers."""
    with Log.open(folder) as log:
        problems = list(check(log))
        assert [problem.what for problem in problems if not problem.is_harmless] == []
        removed = clean(log)
        assert sorted(each.path for each in removed) == sorted(problem.path for problem in problems)
        assert list(check(log)) == []
        for entry in log.entries():
            assert log.photo_path(entry).is_file()
        return [entry.id for entry in log.entries()], len(removed)


def attach_and_die(folder, photo, line_number):
    """Attach one entry, killed outright at the n-th line of the log's own code."""
    seen = 0

    def trace(frame, event, _):
        nonlocal seen
        if "/visioncheck/log/" not in frame.f_code.co_filename.replace(os.sep, "/"):
            return None
        if event == "line":
            seen += 1
            if seen == line_number:
                os.kill(os.getpid(), signal.SIGKILL)
        return trace

    sys.settrace(trace)
    with Log.open(folder, create=True) as log:
        log.attach_once(make_draft(), photos_module.read_photo(photo), {"person": "Bo"})
    sys.settrace(None)
    os._exit(0)


def test_killed_at_lines_of_a_first_attach(tmp_path, kills):
    """From the making of the log to the last line: whole each time, the entry there or not.

    At every third line; at every one with 200 kills and more (`--kills`).
    """
    every = 1 if kills >= 200 else 3
    photo = make_photo(tmp_path, size=50_000)
    killed, found, line_number = 0, set(), 1
    while True:
        folder = tmp_path / f"log-{line_number}"
        child = fork.Process(target=attach_and_die, args=(folder, photo, line_number))
        child.start()
        child.join()
        if child.exitcode == 0:
            break
        assert child.exitcode == -signal.SIGKILL
        killed += 1
        with Log.open(folder, create=True) as log:
            assert log.connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        ids, leftovers = require_whole(folder)
        found.add((len(ids), leftovers))
        line_number += every
    print(f"survived {killed} kills of {killed}")
    assert killed >= 30
    # the sweep has met every case: nothing yet, a leftover, and the whole entry
    assert found == {(0, 0), (0, 1), (1, 0)}


def attach_for_ever(folder, own, pipe):
    """Say before each entry that it begins, and after it which one it is."""
    pipe.send(None)
    with Log.open(folder, create=True) as log:
        while True:
            pipe.send(log.attach(make_draft(), make_photo(own, size=400_000)).id)


def said_before_it_ended(pipe):
    """What a process that was killed had sent."""
    while True:
        try:
            yield pipe.recv()
        except (EOFError, OSError):
            return


def test_killed_at_random_moments(tmp_path, kills):
    """SIGKILLs from outside, on a log that grows to two dozen; what was acknowledged is there for good."""
    generator = np.random.default_rng(20260301)
    kept = set()
    for k in range(kills):
        folder = tmp_path / f"log-{k // 10}"
        if k % 10 == 0:
            kept = set()
        ours, theirs = fork.Pipe(duplex=False)
        child = fork.Process(target=attach_for_ever, args=(folder, tmp_path, theirs))
        child.start()
        theirs.close()
        assert ours.recv() is None
        time.sleep(generator.uniform(0, 0.03))
        child.kill()
        child.join()
        assert child.exitcode == -signal.SIGKILL
        acknowledged = set(said_before_it_ended(ours))
        with Log.open(folder, create=True):
            pass
        ids, _ = require_whole(folder)
        # at most the one under way is there without having been acknowledged
        new = set(ids) - kept
        assert acknowledged <= new
        assert len(new - acknowledged) <= 1
        assert kept <= set(ids)
        kept = set(ids)


def attach_many(folder, own, count, ready, pause_s=0.0):
    """Attach `count` entries, with a pause between a photo and its row."""
    own.mkdir()
    put_entry = Log.put_entry

    def put_later(log, entry):
        time.sleep(pause_s)
        put_entry(log, entry)

    Log.put_entry = put_later  # in this child process alone
    ready.wait()
    with Log.open(folder, create=True) as log:
        for number in range(count):
            log.attach(make_draft(days=number, person=own.name), make_photo(own, size=20_000))


def test_four_processes_attach_fifty_each_at_once(tmp_path):
    """All make the log together, too: nobody waits for a first one."""
    folder = tmp_path / "log"
    ready = fork.Barrier(4)
    children = [fork.Process(target=attach_many, args=(folder, tmp_path / f"own-{n}", 50, ready)) for n in range(4)]
    for child in children:
        child.start()
    for child in children:
        child.join()
    assert [child.exitcode for child in children] == [0] * 4
    with Log.open(folder) as log:
        assert list(check(log)) == []
        people = [entry.person for entry in log.entries()]
        assert len(list(log.photos.files())) == 200
    assert {person: people.count(person) for person in set(people)} == {f"own-{n}": 50 for n in range(4)}


def test_cleaning_never_takes_a_photo_that_another_process_is_writing(tmp_path):
    folder = tmp_path / "log"
    ready = fork.Barrier(2)
    child = fork.Process(target=attach_many, args=(folder, tmp_path / "own", 15, ready, 0.01))
    child.start()
    with Log.open(folder, create=True) as log:
        ready.wait()
        while child.is_alive():
            assert clean(log) == []
    assert child.exitcode == 0
    assert len(require_whole(folder)[0]) == 15


def fail_with(code):
    def fail(*_, **__):
        raise OSError(code, os.strerror(code))

    return fail


@pytest.mark.parametrize("step", ["os.fsync", "pathlib.Path.replace", "pathlib.Path.mkdir", "pathlib.Path.open"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES])
def test_a_disk_that_refuses_at_any_step_leaves_the_log_as_it_was(log, tmp_path, monkeypatch, step, code):
    log.attach(make_draft(), make_photo(tmp_path))
    before = state(log.folder)
    photo = photos_module.read_photo(make_photo(tmp_path))
    with monkeypatch.context() as patch:
        patch.setattr("visioncheck.log.writing.read_photo", lambda _: photo)
        patch.setattr(step, fail_with(code))
        with pytest.raises(UserError, match="nothing was added to the log") as caught:
            log.attach(make_draft(days=1), tmp_path / "offcut.jpg")
    assert os.strerror(code) in str(caught.value)
    assert state(log.folder) == before
    assert list(check(log)) == []
    log.attach(make_draft(days=1), make_photo(tmp_path))


def test_a_full_database_takes_its_photo_back(log, tmp_path):
    log.attach(make_draft(), make_photo(tmp_path))
    before = state(log.folder)
    pages = log.connection.execute("PRAGMA page_count").fetchone()[0]
    log.connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(UserError, match="the disk is full"):
        log.attach(make_draft(days=1, note="x" * 50_000), make_photo(tmp_path))
    assert state(log.folder) == before
    assert list(check(log)) == []


def attach_with_little_room(folder, photo, room_bytes, note, pipe):
    resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, room_bytes))
    try:
        with Log.open(folder) as log:
            log.attach(make_draft(days=1, note=note), photo)
    except UserError as error:
        pipe.send(str(error))
    else:
        pipe.send("attached")


@pytest.mark.parametrize(("photo_bytes", "note_letters"), [(5_000_000, 10), (1000, 3_000_000)])
def test_no_room_in_the_file_system(log, tmp_path, photo_bytes, note_letters):
    """The system itself stops the write half-way: in the photo, and in the database."""
    log.attach(make_draft(), make_photo(tmp_path))
    log.close()
    before = state(log.folder)
    photo = make_photo(tmp_path, size=photo_bytes)
    ours, theirs = fork.Pipe()
    child = fork.Process(
        target=attach_with_little_room, args=(log.folder, photo, 1_000_000, "x" * note_letters, theirs)
    )
    child.start()
    child.join()
    assert "nothing was added to the log" in ours.recv()
    assert child.exitcode == 0
    assert state(log.folder) == before
    require_whole(log.folder)


FILL_THE_DISK = textwrap.dedent("""
    import os
    import sys
    from pathlib import Path
    from tests.log.conftest import make_draft, make_photo
    from visioncheck.errors import UserError
    from visioncheck.log.check import check
    from visioncheck.log.store import Log

    disk, own = Path(sys.argv[1]), Path(sys.argv[2])
    with Log.open(disk / "log", create=True) as log:
        log.attach(make_draft(), make_photo(own))
    refused = 0
    for room in range(0, 300_000, 20_000):
        # from no room at all to room for all but the last page
        ballast = disk / "ballast"
        left = os.statvfs(disk)
        ballast.write_bytes(bytes(max(left.f_bavail * left.f_frsize - room, 0)))
        try:
            with Log.open(disk / "log") as log:
                log.attach(make_draft(days=1, note="x" * 60_000), make_photo(own, size=90_000))
        except UserError as error:
            assert "No space left" in str(error) or "disk" in str(error), error
            refused += 1
        ballast.unlink()
        with Log.open(disk / "log", readonly=True) as log:
            assert [problem.what for problem in check(log)] == []
            assert sum(1 for _ in log.entries()) == room // 20_000 + 2 - refused
    print("refused", refused)
""")


def test_a_disk_that_is_really_full(tmp_path):
    """A file system of 4 MB in memory, filled to the brim and a little less, time after time."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = f"mount -t tmpfs -o size=4m none {disk}"
    alone = ["unshare", "-rm", "sh", "-c"]
    if not shutil.which("unshare") or subprocess.run([*alone, mount], check=False, capture_output=True).returncode:
        pytest.skip("this system does not let us make a file system of our own")
    fill = f'{mount} && exec "$0" -c "$1" "$2" "$3"'
    done = subprocess.run(
        [*alone, fill, sys.executable, FILL_THE_DISK, disk, tmp_path],
        check=False,
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    # some were refused and some had room
    assert 2 <= int(done.stdout.split()[1]) < 15


def use_as_nobody(folder, photo, pipe):
    if os.geteuid() == 0:  # root may write anywhere
        os.setgid(65534)
        os.setuid(65534)
    try:
        with Log.open(folder) as log:
            log.attach(make_draft(days=1), photo)
    except UserError as error:
        pipe.send(str(error))
    with Log.open(folder, readonly=True) as log:
        pipe.send([entry.person for entry in log.entries()])
        pipe.send([problem.what for problem in check(log)])


def test_a_read_only_folder_can_be_read_but_not_written():
    place = Path(tempfile.mkdtemp())
    try:
        folder = place / "log"
        photo = make_photo(place)
        with Log.open(folder, create=True) as log:
            log.attach(make_draft(), photo)
        before = snapshot(folder)
        place.chmod(0o755)
        for path in (folder, *folder.rglob("*")):
            path.chmod(0o555 if path.is_dir() else 0o444)
        ours, theirs = fork.Pipe()
        child = fork.Process(target=use_as_nobody, args=(folder, photo, theirs))
        child.start()
        child.join()
        assert child.exitcode == 0
        assert "get the right to write" in ours.recv()
        assert ours.recv() == ["Ida"]
        assert ours.recv() == []
        assert snapshot(folder) == before
    finally:
        for path in (place, *place.rglob("*")):
            path.chmod(0o755)
        shutil.rmtree(place)
