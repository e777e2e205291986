"""One thing that is wrong with a log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

BROKEN_OFF, STRAY = "broken-off write", "photo without entry"


@dataclass(frozen=True)
class Problem:
    """Something wrong with the log.

    Attributes
    ----------
    kind : str
        ``database``, ``row``, ``missing record``, ``chain``, ``list``, ``document``, ``tag``, ``refusal``, ``missing
        photo``, ``damaged photo``, ``photo of a lost record``, `BROKEN_OFF` or `STRAY`; the last two lose nothing.
    what : str
        One sentence that names the row or file.
    path : Path or None
        The file concerned.
    """

    kind: str
    what: str
    path: Path | None = None

    @property
    def is_harmless(self) -> bool:
        """Whether it is what a broken-off write leaves: no entry is touched and the file can go out of the way."""
        return self.kind in {BROKEN_OFF, STRAY}
