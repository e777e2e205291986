"""What the system or the database reports, as one sentence for the user."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PHOTO_COUNTS = "a photo counts once"
"""What the database says when a second entry of one photo is to stand."""


@contextmanager
def plain_errors(folder: Path, done: str, nothing_done: str = "nothing was changed") -> Iterator[None]:
    """Turn what the system or the database reports into a UserError.

    Parameters
    ----------
    folder : Path
        The log's.
    done : str
        What could not be done to it, such as ``"read"``.
    nothing_done : str
        What is as before.
    """
    try:
        yield
    except OSError as error:
        raise UserError(
            f"The log {folder} cannot be {done} ({error.strerror or error}); {nothing_done}: free space or "
            "get the right to write there, then try again."
        ) from error
    except (sqlite3.Error, UnicodeDecodeError) as error:  # a damaged name comes in the database's own complaint
        raise UserError(
            f"The log {folder} cannot be {done} (database: {error}); {nothing_done}: {_advice(str(error))}."
        ) from error


def _advice(message: str) -> str:
    for sign, advice in (
        (PHOTO_COUNTS, "correct the entry that stands, with log attach"),
        ("full", "the disk is full, free some space and try again"),
        ("readonly", "get the right to write in the folder and try again"),
        ("locked", "another program holds the log, wait for it and try again"),
        ("unable to open", "check that the folder may be written to"),
        ("disk I/O", "check the disk's free space and health, then try again"),
    ):
        if sign in message:
            return advice
    return "run log check on it"
