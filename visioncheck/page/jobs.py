"""Accepted work, kept on the disk until its answer is there: a restart goes on where the last run stopped."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import shutil
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from visioncheck.errors import UserError
from visioncheck.files import replace_whole

if TYPE_CHECKING:
    from pathlib import Path

NAMED = "photo-"
"""What a photo's file name begins with; after it comes its content's hash: the same photo has one name."""
KINDS = ("measure", "turn", "survey photo", "survey", "groove", "refine", "travel")
_KEPT = timedelta(days=7)
"""How long an answer can be called up again; readings are in the log for good."""
_ID = re.compile(r"[0-9a-f]{16}")
_FILE, _ANSWER = "job.json", "answer.json"
SHOWN = "shown.jpg"
"""Where a refused photo's picture with its marks is kept, as long as the answer."""


@dataclass(frozen=True)
class Job:
    """One thing to do for a phone.

    Attributes
    ----------
    id : str
        16 hexadecimal digits of our own.
    kind : str
        One of `KINDS`.
    session : str
        Whose it is.
    received : str
        When, UTC, ISO 8601: the order of the queue.
    told : dict
        What the phone's user said, checked.
    photo : str or None
        The photo's file in the job's folder, named by us.
    attempts : int
        How often it was begun.
    seen : bool
        Whether its answer was looked at.
    once : str
        What marks the sending that it came by; empty: nothing.
    answer : dict or None
        What came of it: ``state`` is ``done``, ``refused``, ``asks`` or ``broken``.
    """

    id: str
    kind: str
    session: str
    received: str
    told: dict[str, Any] = field(default_factory=dict)
    photo: str | None = None
    attempts: int = 0
    seen: bool = False
    once: str = ""
    answer: dict[str, Any] | None = None


class Spool:
    """The jobs' folder.

    Parameters
    ----------
    folder : Path
        Of the page, inside the log's.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.incoming, self._jobs = folder / "incoming", folder / "jobs"
        self._known: dict[str, Job] = {}

    def open(self) -> None:
        """Read what an earlier run left: unfinished jobs stay, uploads that never became jobs and old answers go.

        Raises
        ------
        UserError
            The folder cannot be used.
        """
        shutil.rmtree(self.incoming, ignore_errors=True)
        try:
            for folder in (self.incoming, self._jobs):
                folder.mkdir(parents=True, exist_ok=True)
            found = sorted(self._jobs.iterdir())
        except OSError as error:
            raise UserError(
                f"The page's folder {self.folder} cannot be used ({error.strerror}); get the right to write there"
            ) from error
        for folder in found:
            job = _read_job(folder)
            if job is None or (job.answer is not None and _is_old(job)):
                shutil.rmtree(folder, ignore_errors=True)
            else:
                self._known[job.id] = job

    def accept(
        self,
        kind: str,
        session: str,
        told: dict[str, Any],
        photo: Path | None = None,
        suffix: str = "",
        once: str = "",
    ) -> Job:
        """Take a job; when this returns it is on the disk, photo and all, or not at all.

        Parameters
        ----------
        kind, session, told, once
            See `Job`.
        photo : Path or None
            Moved into the job's folder.
        suffix : str
            The photo's file ending, by its content.

        Raises
        ------
        OSError
            The disk is full or cannot be written; nothing stays.
        """
        now = datetime.now(UTC)
        name = None if photo is None else photo_name(_sha256(photo), suffix)
        job = Job(secrets.token_hex(8), kind, session, now.isoformat(), told, name, once=once)
        making = self.incoming / job.id
        try:
            making.mkdir()
            if photo is not None and name is not None:
                photo.replace(making / name)
                _sync(making / name)
            replace_whole(making / _FILE, _job_text(job).encode(), to_disk=True)
            making.replace(self.path(job))
            _sync(self._jobs)
        except OSError:
            for folder in (making, self.path(job)):
                shutil.rmtree(folder, ignore_errors=True)
            raise
        self._known[job.id] = job
        return job

    def path(self, job: Job) -> Path:
        """Folder of a job."""
        return self._jobs / job.id

    def get(self, job_id: str) -> Job | None:
        """Return the job with this id, if there is one; the text may come from anywhere."""
        return self._known.get(job_id)

    def sent(self, session: str, once: str) -> Job | None:
        """Return the job that this sending of this phone made before."""
        found = (job for job in tuple(self._known.values()) if once and (job.session, job.once) == (session, once))
        return next(found, None)

    def twin(self, kind: str, session: str, told: dict[str, Any], photo: Path) -> Job | None:
        """Return the job of this phone that waits with this very photo and the same words: sent twice by a form."""
        name = photo_name(_sha256(photo), "")
        return next(
            (
                job
                for job in self.unfinished()
                if (job.kind, job.session, job.told) == (kind, session, told) and (job.photo or "").startswith(name)
            ),
            None,
        )

    def unfinished(self) -> list[Job]:
        """Jobs without an answer, the first received first."""
        return sorted((job for job in tuple(self._known.values()) if job.answer is None), key=lambda job: job.received)

    def answered(self) -> list[Job]:
        """Jobs with an answer, the last received first."""
        done = (job for job in tuple(self._known.values()) if job.answer is not None)
        return sorted(done, key=lambda job: job.received, reverse=True)

    def begin(self, job: Job) -> Job:
        """Note that the job is begun once more."""
        return self._keep(replace(job, attempts=job.attempts + 1))

    def put_back(self, job: Job) -> None:
        """Take back the last beginning: it was stopped for no fault of the job's."""
        self._keep(replace(job, attempts=job.attempts - 1))

    def again(self, job: Job) -> Job:
        """Let a job be done anew that broke off or had a question; its answer goes."""
        (self.path(job) / _ANSWER).unlink(missing_ok=True)
        return self._keep(replace(job, attempts=0, seen=False, answer=None))

    def see(self, job: Job) -> None:
        """Note that the answer was looked at."""
        if job.answer is not None and not job.seen:
            self._keep(replace(job, seen=True))

    def finish(self, job: Job, answer: dict[str, Any]) -> None:
        """Keep the answer; photo and scraps go, unless the measuring broke off or waits for a word of the user's.

        On a full disk the answer is known until the next start, which does the job again: its photo stays.
        """
        self._known[job.id] = replace(job, answer=answer)
        with contextlib.suppress(OSError):
            replace_whole(self.path(job) / _ANSWER, json.dumps(answer, ensure_ascii=False).encode(), to_disk=True)
            if answer["state"] not in {"broken", "asks"}:
                for path in self.path(job).iterdir():
                    if path.name not in {_FILE, _ANSWER, SHOWN}:
                        path.unlink()

    def _keep(self, job: Job) -> Job:
        """Change what is known of an accepted job; a disk that is full now holds it as it was."""
        self._known[job.id] = job
        with contextlib.suppress(OSError):
            replace_whole(self.path(job) / _FILE, _job_text(job).encode(), to_disk=True)
        return job


def photo_name(sha256: str, suffix: str) -> str:
    """Name a photo's file by its content."""
    return f"{NAMED}{sha256[:16]}{suffix}"


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _job_text(job: Job) -> str:
    content = asdict(job)
    del content["answer"]
    return json.dumps(content, ensure_ascii=False)


def _read_job(folder: Path) -> Job | None:
    """Read a job with its answer; None where the folder is no job of ours."""
    try:
        job = Job(**json.loads((folder / _FILE).read_text(encoding="utf-8")))
        answer = folder / _ANSWER
        if answer.exists():
            job = replace(job, answer=json.loads(answer.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None
    return job if _ID.fullmatch(folder.name) and job.id == folder.name and job.kind in KINDS else None


def _is_old(job: Job) -> bool:
    return datetime.now(UTC) - datetime.fromisoformat(job.received) > _KEPT


def _sync(path: Path) -> None:
    """Force a file, or on systems that can a folder's names, to the disk."""
    if path.is_dir() and os.name != "posix":
        return
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
