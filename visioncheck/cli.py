"""The command line: every command in one list, one door for the user's errors."""

from __future__ import annotations

import errno
import os
import signal
import sys
from typing import TYPE_CHECKING

import typer

from visioncheck.commands import (
    batch,
    demo,
    groove,
    lengths,
    log,
    measure,
    page,
    reckon,
    refine,
    report,
    sled,
    study,
    survey,
    target,
    tolerance,
    topics,
    travel,
)
from visioncheck.errors import UserError
from visioncheck.stopping import exit_code, note

if TYPE_CHECKING:
    from collections.abc import Sequence

app = typer.Typer(
    help="Photograph a test-cut offcut on a home-printed target; get the fence correction.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

# in the order of a first job
target.register(app)
survey.register(app)
measure.register(app)
reckon.register(app)
tolerance.register(app)
sled.register(app)
groove.register(app)
travel.register(app)
lengths.register(app)
study.register(app)
log.register(app)
batch.register(app)
refine.register(app)
report.register(app)
demo.register(app)
page.register(app)
topics.register(app)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code (2: the user can mend it, said in one sentence)."""
    note(None)
    try:
        code = app(args=list(sys.argv[1:] if argv is None else argv), standalone_mode=False)
    except UserError as error:
        from visioncheck.present.naming import error_sentence

        return _refused(error_sentence(error))
    except (typer.Abort, KeyboardInterrupt):
        return _stopped()
    except Exception as error:
        found = _code_of(error)
        if found is None:
            raise
        return found
    if exit_code() is not None and code in {128 + signal.SIGINT, 128 + signal.SIGTERM}:
        return _stopped()  # the library that parses the options has answered it
    return code if isinstance(code, int) else 0


# what a name that was given runs into before its reader or writer has a sentence of its own
_ABOUT_A_NAME = {errno.ENAMETOOLONG, errno.EACCES, errno.EPERM, errno.ELOOP, errno.ENOTDIR, errno.EROFS}


def _code_of(error: Exception) -> int | None:
    """What is no fault of the program is said in one line; None where it is one."""
    if exit_code() is not None:  # interrupted while a library was being loaded, it fails in its own ways
        return _stopped()
    # click's own complaints about options, without naming its package here
    if hasattr(error, "format_message"):
        return _refused(error.format_message())
    if isinstance(error, OSError) and error.filename is None and error.errno in {errno.ENOSPC, errno.EPIPE, errno.EIO}:
        return _unwritable(error)
    if isinstance(error, OSError) and error.filename is not None and error.errno in _ABOUT_A_NAME:
        reason = (error.strerror or str(error)).lower()
        return _refused(f"{error.filename} cannot be used ({reason}); check its name, or choose another place.")
    return None


def _refused(sentence: str) -> int:
    from visioncheck.present.naming import printable

    sys.stderr.write(f"visioncheck: {printable(sentence)}\n")
    return 2


def finish_output() -> int:
    """Write out what was said; returns 0, or the exit code where it cannot be written."""
    if sys.stdout is None:  # it was closed before we began
        return 0
    try:
        sys.stdout.flush()
    except OSError as error:
        # what is left has no place to go to, and is not tried again
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _unwritable(error)
    return 0


def _unwritable(error: OSError) -> int:
    """Say that what is printed finds no room; a reader that has had enough, as `head` has, needs no sentence."""
    if not isinstance(error, BrokenPipeError):
        reason = (error.strerror or str(error)).lower()
        return _refused(f"The output cannot be written ({reason}); give it another place.")
    return 1


def _stopped() -> int:
    """Say in one line that Ctrl-C or SIGTERM ended it, or the end of the input at a question."""
    sys.stderr.write("visioncheck: stopped\n")
    return exit_code() or 128 + signal.SIGINT
