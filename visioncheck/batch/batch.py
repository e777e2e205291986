"""A batch: what is new or changed is measured, each result is kept as it comes, and every photo has its result."""

from __future__ import annotations

import json
from collections import defaultdict
from concurrent.futures import BrokenExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal

from visioncheck.batch.work import Finding, find
from visioncheck.errors import InputError, UserError
from visioncheck.log.entry import sha256_text
from visioncheck.log.now import sled_now
from visioncheck.log.photos import read_photo
from visioncheck.log.rows import short
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import Outcome, refused
from visioncheck.results.advice import correction_json
from visioncheck.results.schema_1 import brought_up

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
    from concurrent.futures import Future
    from pathlib import Path

    from visioncheck.batch.jobs import BatchPhoto, Known
    from visioncheck.correction.correct import Correction
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log

    Run = Callable[
        [Callable[[BatchPhoto, Known], Finding], Sequence[BatchPhoto], Known],
        Generator[tuple[BatchPhoto, Future[Finding]]],
    ]

State = Literal["measured", "as before", "refused", "withdrawn", "same photo"]


@dataclass(frozen=True)
class Result:
    """What stands for one photo at the end.

    Attributes
    ----------
    state : str
        ``"measured"`` now; ``"as before"``: nothing has changed since; ``"refused"``, now or before;
        ``"withdrawn"`` in the log by hand; ``"same photo"``: given twice.
    reading : dict
        The reading's JSON object; empty for a photo given twice.
    sled, entry : str or None
        The sled's name, and the id of the log's entry.
    counts : bool
        Whether it is its sled's newest reading, with nothing adjusted since: only that one says what to do.
    same_as : str
        Of a photo given twice, whose.
    """

    job: BatchPhoto
    state: State
    reading: dict[str, Any]
    sled: str | None = None
    entry: str | None = None
    counts: bool = False
    same_as: str = ""


def with_standing(log: Log, results: Sequence[Result]) -> list[Result]:
    """Mark the results that say what to do; what they say is the decision on all readings of their sled together."""
    decisions: dict[str, Correction] = {}
    counting = set[str]()
    for name in {result.sled for result in results if result.sled and result.entry}:
        now = sled_now(log, name)
        if now.newest is not None and not now.pending:
            counting.add(now.newest.id)
            if now.correction is not None and now.pooled is not None and now.pooled.readings > 1:
                decisions[now.newest.id] = now.correction
    return [_with_decision(result, counting, decisions) for result in results]


def _with_decision(result: Result, counting: set[str], decisions: Mapping[str, Correction]) -> Result:
    decision = decisions.get(result.entry or "")
    reading = result.reading if decision is None else {**result.reading, "correction": correction_json(decision)}
    return replace(result, counts=result.entry in counting, reading=reading)


def without_use(
    log: Log, results: Sequence[Result], sleds: Mapping[Path, frozenset[str]], rigs: Mapping[Path, frozenset[str]]
) -> list[tuple[str, Path]]:
    """What was given for all photos and is of none: which of them do is seen in the photos alone.

    Parameters
    ----------
    sleds, rigs : mapping of Path to frozenset of str
        Files and folders given; the names of the sleds, the hashes of the rigs' texts in each.

    Returns
    -------
    list of (str, Path)
        ``"sled"`` or ``"rig"``, and which; nothing of rigs while a photo that is refused may have been of one.
    """
    names = {result.sled for result in results}
    idle = [("sled", place) for place, inside in sleds.items() if not inside & names]
    if any(result.state == "refused" for result in results):
        return idle if None not in names else []
    used = {log.get(result.entry).rig_sha256 for result in results if result.entry}
    return idle + [("rig", place) for place, inside in rigs.items() if not inside & used]


def settle(log: Log, jobs: Sequence[BatchPhoto], known: Known) -> tuple[list[BatchPhoto], list[Result]]:
    """Part what is new or changed from what needs no measuring.

    A photo is as before when its content, the text of its sled and rig files and what is told of it are. A rig that
    is not given now, or a photo that nothing tells whose it is now, is taken as it was then.

    Returns
    -------
    list of BatchPhoto, list of Result
        What is to be measured, and what stands already.
    """
    by_content, settled = _by_content(jobs)
    left = []
    second = _second_photos(log, jobs=[job for same in by_content.values() for job in same])
    for sha256, (first, *others) in by_content.items():
        if sha256 in second:
            what = f"the second photo of {second[sha256]}"
            settled += [Result(job, "same photo", {}, same_as=what) for job in (first, *others)]
            continue
        if any(_identity(job) != _identity(first) for job in others):
            settled += _contradiction([first, *others])
            continue
        before = _before(log, first, known)
        if before is None:
            left.append(first)
        else:
            settled.append(before)
        settled += [Result(job, "same photo", {}, same_as=f"the same photo as {first.label}") for job in others]
    return left, settled


def _by_content(jobs: Sequence[BatchPhoto]) -> tuple[dict[str, list[BatchPhoto]], list[Result]]:
    """Group the photos by their hash; those that cannot be read are refused."""
    found: dict[str, list[BatchPhoto]] = defaultdict(list)
    unreadable = []
    for job in jobs:
        try:
            sha256 = read_photo(job.path).sha256
            turned_sha256 = read_photo(job.turned).sha256 if job.turned else ""
        except UserError as problem:
            unreadable.append(_refused(job, problem))
        else:
            found[sha256].append(replace(job, sha256=sha256, turned_sha256=turned_sha256))
    return found, unreadable


def _second_photos(log: Log, jobs: Sequence[BatchPhoto]) -> dict[str, str]:
    """Hashes of photos that are read together with another, and what that one is called."""
    before = {sha256: f"entry {short(id_)}" for sha256, id_ in log.second_photos().items()}
    return before | {job.turned_sha256: job.label for job in jobs if job.turned_sha256}


def _identity(job: BatchPhoto) -> tuple[object, ...]:
    return job.sled, job.rig, job.told, job.turned


def _contradiction(same: list[BatchPhoto]) -> list[Result]:
    names = " and ".join(job.label for job in same)
    problem = UserError(f"{names} are one and the same photo, said to be different pieces; keep the right one.")
    return [_refused(job, problem) for job in same]


def measure(log: Log, jobs: Sequence[BatchPhoto], known: Known, run: Run) -> Iterator[Result]:
    """Measure, and keep each reading in the log before the next; refusals are remembered there too.

    Parameters
    ----------
    run : callable
        `run_here` or `run_on_cluster` with the rest of their parameters filled in.

    Raises
    ------
    UserError
        The log cannot be written.
    """
    with closing(run(find, jobs, known)) as finished:
        for job, future in finished:
            try:
                finding = future.result()
            except BrokenExecutor:
                yield _refused(
                    job, UserError(f"{job.label}: killed its process; the file is damaged or memory ran out.")
                )
            except Exception as error:  # noqa: BLE001 - a fault of ours on one photo must not cost the others
                yield _refused(
                    job, UserError(f"{job.label}: the measuring failed on it ({error!r}); please report it.")
                )
            else:
                yield _kept(log, job, finding, known)


def _kept(log: Log, job: BatchPhoto, finding: Finding, known: Known) -> Result:
    reading = finding.reading
    if reading["status"] == "refused" or finding.sled is None:
        log.remember_refusal(_key(job, known), reading)
        return Result(job, "refused", reading, finding.sled or job.sled)
    rig = None if finding.rig is None else known.rigs[finding.rig]
    outcome = Outcome(job.request(known.sleds[finding.sled], rig), reading)
    entry = attach_outcome(
        log, outcome, person=job.person, note=job.note, adjusted=job.adjusted, time=job.time, file=finding.photo
    )
    return Result(job, "measured", reading, entry.sled, entry.id)


def _refused(job: BatchPhoto, problem: UserError) -> Result:
    return Result(job, "refused", refused(job.request(), problem).reading, job.sled)


def _before(log: Log, job: BatchPhoto, known: Known) -> Result | None:
    entry = log.standing_entry(job.sha256)
    if entry is None:
        reading = log.refusal(_key(job, known))
        return None if reading is None else Result(job, "refused", brought_up(reading), job.sled)
    if entry.reading["status"] == "refused":
        return Result(job, "withdrawn", entry.reading, entry.sled, entry.id)
    if _sled_now(entry, job, known) is None and known.only not in {None, entry.sled}:
        said = f"it is {entry.sled}'s in the log (entry {short(entry.id)}), and only <sled> says {known.only}'s"
        return _refused(job, InputError("sled", f"{job.label}: {said}; name its sled by a sub-folder or a manifest."))
    return Result(job, "as before", entry.reading, entry.sled, entry.id) if _stands(entry, job, known) else None


def _stands(entry: Entry, job: BatchPhoto, known: Known) -> bool:
    """Whether measuring again would use the same sled, rig and words; what is not said now is as it was said then."""
    reading = entry.reading
    sled = _sled_now(entry, job, known) or entry.sled
    # a file that the log kept later may describe the sled as it became after this photo
    file = None if sled in known.kept else known.sleds.get(sled)
    rigs = list(known.rigs) if job.rig is None else [job.rig]
    return (
        entry.sled == sled
        and (not job.turned_sha256 or job.turned_sha256 in dict(entry.photos))
        and (file is None or sha256_text(file.text) == entry.sled_sha256)
        and (not rigs or entry.rig_sha256 in {sha256_text(known.rigs[name].text) for name in rigs})
        and reading.get("told", {}) == job.told.as_json()
        and job.note in {"", entry.note}
        and job.adjusted in {"", entry.adjusted}
        and job.time in {None, entry.time}
    )


def _sled_now(entry: Entry, job: BatchPhoto, known: Known) -> str | None:
    """Name the sled as the manifest, the sub-folder or the tag on the piece tell it now."""
    return job.sled or known.tags.get(entry.reading.get("tag", -1))


def _key(job: BatchPhoto, known: Known) -> str:
    """Name a refusal by all that led to it, this program's version included: a newer one may do better."""
    sleds = sorted((name, sha256_text(file.text)) for name, file in known.sleds.items())
    rigs = sorted(sha256_text(file.text) for name, file in known.rigs.items() if job.rig in {None, name})
    with_what = [job.sled, job.told.as_json(), sleds, rigs, sorted(known.tags.items()), known.only]
    return sha256_text(json.dumps([version("visioncheck"), job.sha256, job.turned_sha256, *with_what]))
