"""The calibration log: a folder of the user's with a database of entries and the photos beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from visioncheck.errors import UserError
from visioncheck.log import photos, records, schema
from visioncheck.log.plain import plain_errors
from visioncheck.log.writing import Writing

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

# how long one writer waits for the others
BUSY_S = 60.0
# what may lie in a log's folder before the log does: its photos, and what the page keeps and looks for there
_OWN = {photos.FOLDER_NAME, records.FILE_NAME, photos.ASIDE, "page", "rigs", "sleds"}


class Log(Writing):
    """A calibration log, open for writing or for reading alone; use it in a ``with`` block.

    Entries are never edited: a correction is a new entry that names the old one.
    Any number of processes may read and write one log at the same time.
    """

    @classmethod
    def open(cls, folder: Path, *, create: bool = False, readonly: bool = False) -> Log:
        """Open a log.

        Parameters
        ----------
        folder : Path
            The log's folder.
        create : bool
            Make a new log when there is none; the folder must be new or empty.
        readonly : bool
            Never write; works from a folder that cannot be written.

        Raises
        ------
        UserError
            No log there, not a log, made by a newer version, or the folder cannot be written.
        """
        database = folder / schema.FILE_NAME
        with plain_errors(folder, "opened"):
            if not database.is_file():
                if not create:
                    raise UserError(f"{folder} is not a calibration log (no {schema.FILE_NAME} in it); check its name.")
                _make_room(folder)
            if readonly:
                return cls(folder, schema.connect_to_read(database, BUSY_S))
            log = cls(folder, schema.connect_to_write(database, BUSY_S))
            if not (folder / records.FILE_NAME).exists():
                records.append(folder, list(log.links()))
            return log

    def close(self) -> None:
        """Close the database; the last writer out folds the write-ahead file back in."""
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _make_room(folder: Path) -> None:
    """Make the folder; refuse one with other things in it, such as the user's own photos."""
    folder.mkdir(parents=True, exist_ok=True)
    # a database that stands there by now is one that another process has just made
    own = (*_OWN, *(schema.FILE_NAME + suffix for suffix in ("", "-wal", "-shm", "-journal")))
    strangers = [path.name for path in folder.iterdir() if path.name not in own]
    if strangers:
        raise UserError(
            f"{folder} holds other files ({strangers[0]}) and no calibration log; name a new or empty folder for it."
        )
