"""`visioncheck batch`: many photos of several sleds, each measured once and kept in the log."""

from __future__ import annotations

import functools
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.commands.options import AtFence, CutEdge, Edges, Frame, FrameCuts, Nominal, Slot
from visioncheck.errors import UserError
from visioncheck.files import refuse_idle, refuse_overwriting
from visioncheck.stopping import exit_code

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from visioncheck.batch.batch import Result, Run
    from visioncheck.batch.jobs import BatchPhoto, Known
    from visioncheck.log.store import Log
    from visioncheck.measuring.options import PieceOptions

_SOME_REFUSED = 1


def batch(
    source: Annotated[
        Path,
        typer.Argument(metavar="FOLDER|MANIFEST.csv", help="A folder of photos, or a table with the column photo."),
    ],
    log: Annotated[Path, typer.Option(metavar="LOG", help="The log that the readings are kept in.")],
    rig: Annotated[
        list[Path] | None,
        typer.Option(metavar="RIG.json|FOLDER", help="Rig, or a folder of rigs; may be given again."),
    ] = None,
    sled: Annotated[
        list[Path] | None,
        typer.Option(metavar="SLED.toml|FOLDER", help="Sled, or a folder of sleds; may be given again."),
    ] = None,
    thickness: Annotated[
        str | None, typer.Option(help="Of the pieces, where no tag tells: 18mm, 12.3mm±0.1mm.")
    ] = None,
    piece: Annotated[
        str | None, typer.Option(help="corner, panel or strip, otherwise told by its shape; or slot, or gap.")
    ] = None,
    fence_edge: Annotated[
        str | None, typer.Option(help="Edge at the fence as the pictures show it: top, bottom, left, right.")
    ] = None,
    cuts: Annotated[int | None, typer.Option(min=2, help="Successive cuts behind strips.")] = None,
    cut_edge: CutEdge = None,
    nominal: Nominal = None,
    edges: Edges = None,
    slot: Slot = None,
    frame: Frame = None,
    frame_cuts: FrameCuts = None,
    at_fence: AtFence = None,
    turned_half: Annotated[
        str | None, typer.Option(help="With --piece gap: the half that was turned over, left or right.")
    ] = None,
    person: Annotated[str, typer.Option(help="Who took the photos.")] = "",
    output: Annotated[
        list[Path] | None,
        typer.Option("-o", "--output", metavar="FILE", help="Also write the results: a .csv or .jsonl file, or both."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON lines in place of the table.")] = False,
    workers: Annotated[int | None, typer.Option(min=1, help="Photos at a time; otherwise one for each core.")] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Measure on this Dask scheduler's workers: tcp://host:8786.")
    ] = None,
) -> None:
    """Measure many photos of several sleds: what is new or changed since the last time.

    Whose piece a photo shows is told by its piece tag (visioncheck log tag), by a sub-folder with the sled's name,
    or by the manifest (columns photo, turned, sled, rig, thickness, piece, fence_edge, cuts, turned_half, nominal,
    cut_edge, recut, cut, edges, slot, frame, frame_cuts, at_fence, person, note, adjusted, time).
    """
    outputs = _outputs(output or [])
    named = {f"--output {k}" if k > 1 else "--output": path for k, path in enumerate(output or [], 1)}
    refuse_overwriting(named, [source, *(sled or []), *(rig or [])])
    if cluster is not None:
        refuse_idle({"--workers": workers}, "with --cluster, whose scheduler has its own")

    from visioncheck.batch.batch import with_standing, without_use
    from visioncheck.batch.jobs import require_used
    from visioncheck.log.store import Log
    from visioncheck.measuring.options import read_piece_options

    told = read_piece_options(
        thickness=thickness,
        piece=piece,
        fence_edge=fence_edge,
        cuts=cuts,
        turned_half=turned_half,
        nominal=nominal,
        cut_edge=cut_edge,
        edges=edges,
        slot=slot,
        frame=frame,
        frame_cuts=frame_cuts,
        at_fence=at_fence,
    )
    with Log.open(log, create=True) as open_log:
        jobs, known = _jobs(source, open_log, _known(open_log, sled or [], rig or []), told, person)
        given = _given(sled or [], rig or [])
        require_used(jobs, given[0], rig or [], person)
        results, stopped = _measure(open_log, jobs, known, workers, cluster)
        results = with_standing(open_log, results)
        idle = [] if stopped else without_use(open_log, results, *given)
        lines = [] if as_json else _sled_lines(open_log, results)
    for path, write in outputs:
        _write(path, write(results))
    _say(results, as_json=as_json)
    for line in lines:
        typer.echo(line)
    refused = sum(result.state == "refused" for result in results)
    _say_sum(results, len(jobs), log)
    for name, place in idle:
        typer.echo(f"--{name} {place} had no effect: no photo was measured with it.", err=True)
    if stopped:
        raise typer.Exit(exit_code() or _SOME_REFUSED)
    if refused:
        raise typer.Exit(_SOME_REFUSED)


def _outputs(paths: Sequence[Path]) -> list[tuple[Path, Callable[[Sequence[Result]], str]]]:
    """Everything that can be wrong with the outputs is said before the long work."""
    for path in paths:
        if path.suffix.lower() not in {".csv", ".jsonl"}:
            raise UserError(f"{path} must end in .csv or .jsonl")
        if path.is_dir() or not os.access(path.parent if path.parent.exists() else Path(), os.W_OK):
            raise UserError(f"Cannot write {path}; choose another place")

    from visioncheck.batch.results import write_csv, write_lines

    return [(path, write_csv if path.suffix.lower() == ".csv" else write_lines) for path in paths]


def _write(path: Path, text: str) -> None:
    from visioncheck.files import write_text

    write_text(path, text)


def _known(log: Log, sleds: list[Path], rigs: list[Path]) -> Known:
    """Take the sleds given, and those that the log knows beside them."""
    from visioncheck.batch.jobs import Known, read_rigs, read_sleds
    from visioncheck.measuring.request import sled_in_log

    given = read_sleds(sleds)
    kept = {name: file for name in log.sleds() if name not in given and (file := sled_in_log(log, name))}
    only = next(iter(given)) if len(given) == 1 else None
    return Known({**given, **kept}, log.tags(), read_rigs(rigs), only, frozenset(kept))


def _given(sleds: list[Path], rigs: list[Path]) -> tuple[dict[Path, frozenset[str]], dict[Path, frozenset[str]]]:
    """The sleds' names and the rigs' hashes, by the file or folder that was given."""
    from visioncheck.batch.jobs import read_rigs, read_sleds
    from visioncheck.log.entry import sha256_text

    hashes = {place: [sha256_text(file.text) for file in read_rigs([place]).values()] for place in rigs}
    return (
        {place: frozenset(read_sleds([place])) for place in sleds},
        {place: frozenset(each) for place, each in hashes.items()},
    )


def _jobs(source: Path, log: Log, known: Known, told: PieceOptions, person: str) -> tuple[list[BatchPhoto], Known]:
    from visioncheck.batch.jobs import folder_jobs, manifest_jobs

    if source.is_dir():
        return folder_jobs(source, known, told, person, leave_out=log.folder), known
    if not source.exists():
        raise UserError(f"{source}: there is no such folder or file; check the name")
    if source.suffix.lower() != ".csv":
        raise UserError(f"{source} is neither a folder nor a .csv manifest; for single photos use measure --log")
    return manifest_jobs(source, known, told, person)


def _measure(
    log: Log, jobs: list[BatchPhoto], known: Known, workers: int | None, cluster: str | None
) -> tuple[list[Result], bool]:
    """Measure what is left, with a bar; results in the order of the jobs, and whether Ctrl-C stopped it."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from visioncheck.batch.batch import measure, settle
    from visioncheck.batch.run import cores, run_here, run_on_cluster, stop_on_interrupt

    left, results = settle(log, jobs, known)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    console = Console(stderr=True)
    bar = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
    with stop_on_interrupt() as stop, bar:
        run: Run = (
            functools.partial(run_on_cluster, address=cluster, stop=stop)
            if cluster
            else functools.partial(run_here, workers=workers or cores(), stop=stop)
        )
        task = bar.add_task("Measuring", total=len(left))
        for result in measure(log, left, known, run):
            results.append(result)
            bar.advance(task)
            if stop():
                bar.update(task, description="Stopping: those under way are finished and kept")
        stopped = stop()
    order = {job.label: number for number, job in enumerate(jobs)}
    return sorted(results, key=lambda result: order[result.job.label]), stopped


def _say(results: Sequence[Result], *, as_json: bool) -> None:
    from rich.console import Console

    from visioncheck.batch.results import reasons, table, write_lines

    if as_json:
        typer.echo(write_lines(results), nl=False)
    else:
        Console(highlight=False).print(table(results))
    for reason in reasons(results):
        typer.echo(f"visioncheck: {reason}", err=True)


def _sled_lines(log: Log, results: Sequence[Result]) -> list[str]:
    """Say of each sled how all its readings together have it now."""
    from visioncheck.log.now import sled_now
    from visioncheck.present.now import history_line

    names = sorted({result.sled for result in results if result.sled and result.entry})
    return [history_line(sled_now(log, name)) for name in names]


def _say_sum(results: Sequence[Result], photos: int, log: Path) -> None:
    states = [result.state for result in results]
    counts = [f"{states.count(state)} {state}" for state in dict.fromkeys(states)]
    asking = sum("question" in each.reading for each in results if each.state in {"measured", "as before"})
    if asking:
        counts.append(f"{asking} of them with a question to you")
    missing = photos - len(results)
    if missing:
        counts.append(f"{missing} not yet: run it again for the rest")
    typer.echo(f"{photos} photos: {', '.join(counts)}. The readings are in the log {log}.", err=True)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(batch)
