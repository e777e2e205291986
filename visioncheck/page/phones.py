"""The phones that came in: known by their sessions, named by their users, shut out one by one."""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

from visioncheck.errors import InputError
from visioncheck.files import replace_whole

if TYPE_CHECKING:
    from pathlib import Path

    from visioncheck.page.safety import Key

_MOST = 200
_LONGEST_NAME = 60
_NOTED_S = 600.0
"""A phone's last visit is noted no more often."""


@dataclass(frozen=True)
class KnownPhone:
    """One phone.

    Attributes
    ----------
    id : str
        What it is known by here; its session does not follow from it.
    called : str
        As its user named it, or as its browser names itself.
    first, last : float
        Its first and last visit, seconds since 1970.
    is_out : bool
        Whether it was shut out.
    """

    id: str
    called: str
    first: float
    last: float
    is_out: bool = False


class Phones:
    """The phones of one page.

    Parameters
    ----------
    path : Path or None
        Where they are kept, with the page's key; None: nowhere.
    key : Key
        Shutting a phone out changes the address: it knows the old one.
    """

    def __init__(self, path: Path | None, key: Key) -> None:
        self._path, self._key = path, key
        self._known: dict[str, KnownPhone] = {}
        if path is not None and path.exists():
            self._read(path)

    def _read(self, path: Path) -> None:
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            self._known = {each["id"]: KnownPhone(**each) for each in content["phones"]}
            self._key.turn = int(content["turn"])
        except (OSError, ValueError, KeyError, TypeError) as error:
            # who was shut out would be in again
            raise InputError(
                "new_address",
                f"The list of phones {path} cannot be used ({error}); remove it and serve with <new_address>",
            ) from error

    def comes(self, session: str, browser: str) -> bool:
        """Note a visit; False: this phone was shut out."""
        id_, now = phone_id(session), time.time()
        known = self._known.get(id_)
        if known is None:
            self._known[id_] = KnownPhone(id_, _describe(browser), now, now)
            self._forget()
            self._note()
        elif not known.is_out and now - known.last > _NOTED_S:
            self._known[id_] = replace(known, last=now)
            self._note()
        return known is None or not known.is_out

    def all(self) -> list[KnownPhone]:
        """Those that are let in, the last seen first."""
        return sorted((each for each in self._known.values() if not each.is_out), key=lambda each: -each.last)

    def call(self, id_: str, name: str) -> None:
        """Name a phone; an id that is none names none."""
        if id_ in self._known and name:
            self._known[id_] = replace(self._known[id_], called=name[:_LONGEST_NAME])
            self._note()

    def shut_out(self, id_: str) -> bool:
        """Shut a phone out, and change the address with it; False: there is none of this id.

        Raises
        ------
        OSError
            It cannot be written down, so it would end with the next start.
        """
        known = self._known.get(id_)
        if known is None or known.is_out:
            return False
        self._known[id_] = replace(known, is_out=True)
        self._key.turn += 1
        self._keep()
        return True

    def _forget(self) -> None:
        """Drop the phones not seen longest, of which too many would come in by an address made public."""
        for each in self.all()[_MOST:]:
            del self._known[each.id]

    def _note(self) -> None:
        """Keep what may as well be lost: a visit is noted again."""
        with contextlib.suppress(OSError):
            self._keep()

    def _keep(self) -> None:
        if self._path is None:
            return
        content = {"turn": self._key.turn, "phones": [asdict(each) for each in self._known.values()]}
        self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        replace_whole(self._path, json.dumps(content, ensure_ascii=False).encode())


def phone_id(session: str) -> str:
    """Say what a session's phone is known by."""
    return hashlib.sha256(session.encode()).hexdigest()[:16]


def _describe(browser: str) -> str:
    """Take from what a browser says of itself the part about its device: in the first brackets (RFC 9110, 10.1.5)."""
    inside = browser.partition("(")[2].partition(")")[0]
    return "".join(each for each in inside if each.isprintable())[:_LONGEST_NAME] or "phone"
