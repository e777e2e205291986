"""Writing a file whole or not at all."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write `content` to `path` through a file beside it, so that nothing half-written is ever seen.

    Folders on the way are made.

    Raises
    ------
    UserError
        When the place cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as error:
        if beside.parent.is_dir():
            beside.unlink(missing_ok=True)
        reason = (error.strerror or str(error)).lower()
        raise UserError(f"cannot write {path} ({reason}); choose another place") from error
