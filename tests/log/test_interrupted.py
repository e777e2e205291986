"""Ctrl-C at every line of an attach: the entry with its photo, or neither, and the same call again heals."""

from __future__ import annotations

import signal
import sys

import pytest

from tests.log.conftest import make_draft, make_photo
from visioncheck import stopping
from visioncheck.log.check import check
from visioncheck.log.photos import read_photo
from visioncheck.log.store import Log


def attach_interrupted(log, photo, line_number):
    """Attach, with a KeyboardInterrupt at the n-th line of the writing; whether there were so many."""
    seen = 0

    def trace(frame, event, _):
        nonlocal seen
        if not frame.f_code.co_filename.endswith(("log/writing.py", "log/photos.py", "log/records.py")):
            return None
        if event == "line":
            seen += 1
            if seen == line_number:
                sys.settrace(None)
                raise KeyboardInterrupt
        return trace

    sys.settrace(trace)
    try:
        log.attach_once(make_draft(), read_photo(photo), {})
    except KeyboardInterrupt:
        return True
    finally:
        sys.settrace(None)
    return False


class InterruptedAfter:
    """A connection on which Ctrl-C is pressed while one statement reaches the disk: Python hears of it after that."""

    def __init__(self, connection, statement):
        self._connection = connection
        self._statement = statement

    def __getattr__(self, name):
        return getattr(self._connection, name)

    def execute(self, statement, *values):
        done = self._connection.execute(statement, *values)
        if statement.startswith(self._statement):
            raise KeyboardInterrupt
        return done


@pytest.mark.parametrize(("statement", "entries"), [("BEGIN", 0), ("INSERT INTO entry", 0), ("COMMIT", 1)])
def test_an_interrupt_while_the_disk_is_slow(log, tmp_path, statement, entries):
    photo, connection = make_photo(tmp_path), log.connection
    log.connection = InterruptedAfter(connection, statement)
    with pytest.raises(KeyboardInterrupt):
        log.attach(make_draft(), photo)
    log.close()
    with Log.open(log.folder) as again:
        assert list(check(again)) == []
        assert len(list(again.entries())) == len(list(again.photos.files())) == entries


# a file that the interrupt left open is closed by Python, which says so
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_no_entry_ever_lacks_its_photo(tmp_path):
    photo = make_photo(tmp_path)
    line_number, ends = 0, set[int]()
    while True:
        line_number += 1
        folder = tmp_path / f"log-{line_number}"
        with Log.open(folder, create=True) as log:
            interrupted = attach_interrupted(log, photo, line_number)
        with Log.open(folder) as log:
            assert [problem.what for problem in check(log) if not problem.is_harmless] == []
            ends.add(len(list(log.entries())))
            log.attach_once(make_draft(), read_photo(photo), {})
            assert len(list(log.entries())) == 1
            assert [problem.what for problem in check(log)] == []
        if not interrupted:
            break
    assert line_number > 50
    assert ends == {0, 1}  # before the commit and after it


def test_each_signal_has_its_exit_code():
    for number, code, error in ((signal.SIGINT, 130, KeyboardInterrupt), (signal.SIGTERM, 143, stopping.Terminated)):
        with pytest.raises(error):
            stopping.interrupt(number)
        assert stopping.exit_code() == code  # 128 + number, as the shell gives it (POSIX.1-2017, XCU 2.8.2)
    stopping.note(None)
    assert stopping.exit_code() is None
