"""Files of every kind: written whole or not at all, text and TOML read with one clear complaint."""

from __future__ import annotations

import errno
import os
import shutil
import stat
import tomllib
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping


def bounded_bytes(path: Path, largest: int) -> bytes:
    """Read a file whole, if it is one and not larger than `largest` bytes: no device, no pipe that never ends.

    Raises
    ------
    OSError
        It cannot be read, is no file (EISDIR, EINVAL) or larger (EFBIG).
    """
    # a pipe is opened without waiting for who writes into it
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        mode = os.fstat(descriptor).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        if not stat.S_ISREG(mode):
            raise OSError(errno.EINVAL, "not a file")
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            data = file.read(largest + 1)
    finally:
        os.close(descriptor)
    if len(data) > largest:
        raise OSError(errno.EFBIG, f"larger than {largest // 1000} kB")
    return data


def read_text(
    path: Path, what: str, instead: str = "check its name", largest: int = checks.TEXT_FILE_MOST_BYTES
) -> str:
    """Read a text file (UTF-8) of the user's.

    Parameters
    ----------
    what : str
        What messages call it, such as ``"sled file"``.
    instead : str
        What messages tell the user to do.
    largest : int, optional
        Bytes; a larger file is no such file.

    Raises
    ------
    UserError
        When it cannot be read, or is no text.
    """
    try:
        return bounded_bytes(path, largest).decode("utf-8")
    except FileNotFoundError:
        raise UserError(f"No {what} {path}; {instead}") from None
    except UnicodeDecodeError:
        raise UserError(f"{path} is not a text file, so no {what}; {instead}") from None
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise UserError(f"{path} is too large for a {what}; {instead}") from None
        reason = (error.strerror or "unreadable").lower()
        raise UserError(f"Cannot read the {what} {path} ({reason}); {instead}") from None
    except ValueError:
        raise UserError(f"The {what}'s name holds a character that no file name can have") from None


_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def as_cell(value: Any) -> Any:
    """Keep a spreadsheet from taking a text for a formula: an apostrophe before it, which `from_cell` takes off.

    Common practice, no source; numbers stay as they are.
    """
    return f"'{value}" if isinstance(value, str) and value.lstrip("'").startswith(_FORMULA) else value


def from_cell(value: Any) -> Any:
    """Give back the text of which `as_cell` made a cell."""
    quoted = isinstance(value, str) and value.startswith("'") and value.lstrip("'").startswith(_FORMULA)
    return value[1:] if quoted else value


def write_text(path: Path, text: str) -> None:
    """Write a text of the user's whole or not at all, as UTF-8; bytes of a file's name that are none are escaped.

    Raises
    ------
    UserError
        When the place cannot be written.
    """
    write_whole(path, text.encode("utf-8", "backslashreplace"))


def refuse_overwriting(outputs: Mapping[str, Path | None], inputs: Iterable[Path | None]) -> None:
    """Refuse outputs that would be written over what is read, or over one another, or that cannot be written.

    Before the work, so that none of it is lost for want of a place.

    Parameters
    ----------
    outputs : Mapping
        Option, as the user typed it, and the file to write.
    inputs : iterable of Path
        All that is read.

    Raises
    ------
    UserError
        Naming the option.
    """
    taken = {os.path.realpath(path): "a file that is read" for path in inputs if path is not None}
    for option, path in outputs.items():
        if path is None:
            continue
        place = os.path.realpath(path)
        same = next((what for other, what in taken.items() if place == other or _is_same_file(place, other)), None)
        if same is not None:
            raise UserError(f"{option} {path} is {same}, and would be written over it; choose another name")
        taken[place] = f"what {option} is to write"
        require_writable(path)


def require_writable(path: Path) -> None:
    """Look, before the work, whether a file can be written there; folders on the way may still have to be made.

    Raises
    ------
    UserError
        It cannot.
    """
    reason = None
    try:
        if path.exists() and not path.is_file():
            reason = "not a file"
        else:
            folder = next(each for each in path.absolute().parents if each.exists())
            if not folder.is_dir():
                reason = f"{folder} is no folder"
            elif not os.access(folder, os.W_OK | os.X_OK):
                reason = f"{folder} cannot be written to"
    except OSError as error:  # a name too long, a folder that lets nobody in
        reason = (error.strerror or str(error)).lower()
    if reason is not None:
        raise UserError(f"Cannot write {path} ({reason}); choose another place")


def refuse_idle(given: Mapping[str, object], why: str) -> None:
    """Refuse options that would have no effect.

    Parameters
    ----------
    given : Mapping
        Option, as the user typed it, and its value; None or False: not given.
    why : str
        What makes them idle, such as ``"with --readings"``.

    Raises
    ------
    UserError
        Naming those given.
    """
    idle = [option for option, value in given.items() if value is not None and value is not False]
    if idle:
        have = "has" if len(idle) == 1 else "have"
        raise UserError(f"{' and '.join(idle)} {have} no effect {why}; leave {'it' if len(idle) == 1 else 'them'} out")


def _is_same_file(one: str, other: str) -> bool:
    try:
        return Path(one).samefile(other)
    except (OSError, ValueError):
        return False


def replace_whole(path: Path, content: bytes, *, beside: Path | None = None, to_disk: bool = False) -> None:
    """Write `content` through a file beside `path`, so that nothing half-written is ever seen; the one place that does.

    Parameters
    ----------
    path : Path
        The file; an older one is replaced.
    content : bytes
        All of it.
    beside : Path, optional
        What the unfinished file is called, in the same folder.
    to_disk : bool
        Force the content to the disk before it gets its name, as what others will rely on needs.

    Raises
    ------
    OSError
        It cannot be written; nothing is left beside it.
    """
    beside = beside or path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as file:
            file.write(content)
            if to_disk:
                file.flush()
                os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
        raise


def write_whole(path: Path, content: bytes, *, make_folders: bool = True) -> None:
    """Write a file of the user's whole or not at all, with the folders on the way where they are to be made.

    Raises
    ------
    UserError
        When the place cannot be written.
    """
    try:
        if make_folders:
            path.parent.mkdir(parents=True, exist_ok=True)
        odd = path.exists() and not path.is_file()  # a device would be replaced, not written to
        if not odd:
            replace_whole(path, content)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UserError(f"Cannot write {path} ({reason}); choose another place") from error
    if odd:
        raise UserError(f"Cannot write {path} (not a file); choose another place")


@contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """Fill a new folder under another name beside its place; it gets its own only when all of it is there.

    Raises
    ------
    UserError
        The folder is there and not empty, or its place cannot be written.
    """
    if not folder.name:  # "." or "/"
        raise UserError(f"{folder} is no new folder; name one")
    beside = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    try:
        if folder.exists() and any(folder.iterdir()):
            raise UserError(f"{folder} is not empty; name a new folder")
        beside.mkdir(parents=True)
        try:
            yield beside
            if folder.exists():
                folder.rmdir()
            beside.rename(folder)
        finally:
            shutil.rmtree(beside, ignore_errors=True)
    except OSError as error:
        raise UserError(f"Cannot write {folder} ({(error.strerror or str(error)).lower()}); choose another") from error


def parse_toml(text: str, name: str, kind: str) -> dict[str, Any]:
    """Read TOML text; `name` is what messages call the file, `kind` what it should be, with its article.

    Raises
    ------
    UserError
        Not TOML; names the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{name} is not valid TOML: {error}; mend that line") from None
    except RecursionError:
        raise UserError(f"{name} is nested too deeply for {kind}") from None
