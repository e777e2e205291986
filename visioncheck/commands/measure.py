"""`visioncheck measure`: from photos to angles, fence error and correction."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.commands.log_attach import TIME_HELP, parse_time
from visioncheck.commands.options import AtFence, CutEdge, Edges, Frame, FrameCuts, Nominal, Slot
from visioncheck.commands.together import Together, as_it_stands, leave_to_all, say_together, take_together
from visioncheck.errors import Refusal, UserError
from visioncheck.files import refuse_idle, refuse_overwriting

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from contextlib import AbstractContextManager

    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.measure import Outcome
    from visioncheck.sled.model import Sled

_SOME_REFUSED, _ALL_REFUSED = 1, 2


def measure(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of a test piece on the target.")],
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="What visioncheck survey wrote.")] = None,
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="The sled to correct.")] = None,
    thickness: Annotated[
        str | None, typer.Option(help="Of the piece, where it has no tag: 18mm, 3/4in, 12.3mm±0.1mm.")
    ] = None,
    piece: Annotated[
        str | None,
        typer.Option(help="corner, panel or strip, otherwise told by its shape; or slot, gap, bevel or straight."),
    ] = None,
    fence_edge: Annotated[
        str | None,
        typer.Option(
            help="Edge at the fence as the picture shows it: top, bottom, left, right. Of a strip its end at the"
            " fence, of a gap the end at the straightedge."
        ),
    ] = None,
    cuts: Annotated[
        int | None, typer.Option(min=2, help="Successive cuts behind a strip, 5 all round a panel.")
    ] = None,
    turned_half: Annotated[
        str | None,
        typer.Option(
            help="Of a gap: the half that was turned over, as they lay at the saw: left, right. Its board's edges"
            " must be parallel."
        ),
    ] = None,
    recut: Annotated[
        str | None,
        typer.Option(
            help="Two photos of ONE board, each after a cut: 'end for end' (turned over, the same edge on the fence) or"
            " 'second edge'."
        ),
    ] = None,
    cut_edge: CutEdge = None,
    nominal: Nominal = None,
    edges: Edges = None,
    slot: Slot = None,
    frame: Frame = None,
    frame_cuts: FrameCuts = None,
    at_fence: AtFence = None,
    turned: Annotated[
        bool,
        typer.Option(
            "--turned", help="Two photos of ONE piece, turned a quarter turn on the sheet in between: read as one."
        ),
    ] = False,
    cut: Annotated[
        str | None,
        typer.Option(
            help="fresh: each photo shows a cut of its own; same: all one piece; otherwise pieces of one size are one."
        ),
    ] = None,
    picture: Annotated[Path | None, typer.Option(metavar="OUT.png", help="Write the annotated picture.")] = None,
    budget: Annotated[
        bool,
        typer.Option(
            "--budget", help="Show where the uncertainty comes from; with --picture as bars too, in OUT-budget.png."
        ),
    ] = False,
    log: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Keep the readings, with their photos, in this log.")
    ] = None,
    person: Annotated[str, typer.Option(help="With --log: who took the photos.")] = "",
    note: Annotated[str, typer.Option(help="With --log: anything worth remembering.")] = "",
    adjusted: Annotated[
        str, typer.Option(help="With --log: what you changed on the sled since the reading before these.")
    ] = "",
    taken_after: Annotated[
        bool,
        typer.Option(
            "--taken-after", help="With --adjusted: taken after it for certain, whatever the photo's time says."
        ),
    ] = False,
    time: Annotated[
        str | None, typer.Option(help=f"With --log: when it was read, {TIME_HELP}; else the photo's own time, or now.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Measure a test piece in photos: its angles, the fence error and the correction."""
    _check_photos(photos, turned=turned or recut is not None)
    _check_picture(picture, photos, rig, sled, turned=turned or recut is not None, budget=budget)
    counts_alone = log is None and not as_json and (len(photos) == 1 or turned or recut is not None)
    _check_idle(piece, recut, turned=turned, budget=budget, cut=cut if counts_alone else None)
    _check_log(log, sled, person or note or adjusted or time or "")
    read_at = _read_time(time, len(photos) > 1 and not (turned or recut is not None))
    if taken_after and not adjusted:
        raise UserError("--taken-after is about --adjusted; say what you changed with it, or leave it out")

    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry
    from visioncheck.measuring.keep import attach_outcome
    from visioncheck.measuring.measure import Outcome, measure_piece
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled
    from visioncheck.present.naming import error_sentence

    sled_file = read_sled(sled) if sled else None
    rig_file = read_rig(rig) if rig else None
    owner = sled_file.sled if sled_file else None
    units = owner.units if owner else None
    told = read_piece_options(
        units,
        thickness=thickness,
        piece=piece,
        fence_edge=fence_edge,
        cuts=cuts,
        turned_half=turned_half,
        nominal=nominal,
        cut_edge=cut_edge,
        recut=recut,
        cut=cut,
        edges=edges,
        slot=slot,
        frame=frame,
        frame_cuts=frame_cuts,
        at_fence=at_fence,
    )
    photos, second = (photos[:1], photos[1]) if turned or recut is not None else (photos, None)
    outcomes, entries = list[Outcome](), list[Entry]()
    with _opened(log) as open_log:
        for path in _with_bar(_by_time(photos) if open_log else photos):
            outcome = measure_piece(MeasureRequest(path, second, sled_file, rig_file, told))
            if open_log and not outcome.problem:
                # what was adjusted came before the first of these readings
                before = "" if entries else adjusted
                now = Moment(is_sure=taken_after)
                entries.append(
                    attach_outcome(open_log, outcome, person=person, note=note, adjusted=before, time=read_at, now=now)
                )
                outcome = as_it_stands(open_log, outcome)
            _draw(outcome, picture, owner, budget=budget)
            outcomes.append(outcome.without_pixels())
        outcomes = [as_it_stands(open_log, outcome) for outcome in outcomes]
        together = take_together(outcomes, open_log, owner)
        outcomes = outcomes if open_log or not together else [leave_to_all(outcome) for outcome in outcomes]
    if as_json:
        _say_json(outcomes, together)
    else:
        _say(outcomes, owner, budget=budget, is_last=together is None)
        say_together(together, owner)
    _say_kept(entries, log, rig)
    for outcome in outcomes:
        if outcome.problem:
            typer.echo(f"visioncheck: {error_sentence(outcome.problem)}", err=True)
    refused = sum(1 for outcome in outcomes if outcome.problem)
    if refused:
        raise typer.Exit(_ALL_REFUSED if refused == len(outcomes) else _SOME_REFUSED)


def _read_time(time: str | None, several: bool) -> datetime | None:
    if time is not None and several:
        raise UserError("--time is of one photo; measure them one by one, or leave it out")
    return None if time is None else parse_time("--time", time)


def _say_kept(entries: Sequence[Entry], log: Path | None, rig: Path | None) -> None:
    """Beside the report: --json must stay JSON."""
    from visioncheck.measuring.refine_rig import kind_of_lesson

    for entry in entries:
        typer.echo(f"Entry {entry.id[:8]} of {entry.sled} ({entry.file_name}) is in the log {log}.", err=True)
    if rig and any(kind_of_lesson(entry.reading) for entry in entries):
        typer.echo(f"The rig can learn its sheet from it: visioncheck refine {rig} {log} -o NEW.json", err=True)


def _check_photos(photos: Sequence[Path], *, turned: bool) -> None:
    if turned and len(photos) != 2:
        raise UserError(
            f"--turned reads two photos of one piece as one, and {len(photos)} {'is' if len(photos) == 1 else 'are'}"
            " given; name the photo, and the one with the piece turned a quarter turn on the sheet"
        )
    if len(photos) > 1 and not turned:  # two of one piece are held against each other where they are measured
        from visioncheck.measuring.request import refuse_twice

        refuse_twice(photos)


def _check_idle(piece: str | None, recut: str | None, *, turned: bool, budget: bool, cut: str | None) -> None:
    """Refuse what has no effect on this command alone; what a kind of piece has no use for is refused everywhere."""
    if recut is not None:
        refuse_idle({"--turned": turned}, "with --recut, which is about two cuts")
    if piece == "straight":
        refuse_idle({"--budget": budget}, "on --piece straight")
    refuse_idle({"--cut": cut}, "on one reading that is not kept, since it says how several count together")


def _check_picture(
    picture: Path | None, photos: Sequence[Path], rig: Path | None, sled: Path | None, *, turned: bool, budget: bool
) -> None:
    """Everything that can be wrong with the output is said before the long work."""
    if picture is None:
        return
    if len(photos) > 1 and not turned:
        raise UserError("--picture draws one photo; measure them one by one to get a picture of each")
    if picture.suffix.lower() != ".png":
        raise UserError(f"--picture {picture}: the picture is written as PNG; give it a name that ends in .png")
    bars = _bars_path(picture) if budget else None
    refuse_overwriting({"--picture": picture, "--picture with --budget": bars}, [*photos, rig, sled])


def _bars_path(picture: Path) -> Path:
    return picture.with_name(f"{picture.stem}-budget.png")


def _check_log(log: Path | None, sled: Path | None, said: str) -> None:
    if log is None and said:
        raise UserError("--person, --note, --adjusted and --time go into a log; name it with --log")
    if log is not None and sled is None:
        raise UserError("--log keeps readings by sled; say which with --sled SLED.toml")


def _with_bar(photos: Sequence[Path]) -> Iterator[Path]:
    if len(photos) == 1:
        yield photos[0]
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(photos, "Measuring", console=Console(stderr=True), transient=True)


def _opened(folder: Path | None) -> AbstractContextManager[Log | None]:
    """Open the log before the long work: a folder that cannot be written is said at once."""
    if folder is None:
        return nullcontext()
    from visioncheck.log.store import Log

    return Log.open(folder, create=True)


def _by_time(photos: Sequence[Path]) -> list[Path]:
    """Photos in the order they were taken; those that do not tell come last, as the log takes their time as now."""
    from visioncheck.log.photos import taken

    now = datetime.now(UTC)
    return sorted(photos, key=lambda path: taken(path) or now)


def _draw(outcome: Outcome, picture: Path | None, sled: Sled | None, *, budget: bool) -> None:
    if picture is None:
        return
    if outcome.measured is None:
        _draw_refusal(outcome, picture)
        return
    from visioncheck.present.budget import draw_budget
    from visioncheck.present.picture import draw_reading
    from visioncheck.results.budget import budgets_from_reading

    reading = outcome.measured.reading
    draw_reading(outcome.measured.photo, reading, outcome.correction, picture, sled)
    if budget and budgets_from_reading(reading):
        bars = _bars_path(picture)
        draw_budget(budgets_from_reading(reading), bars, f"Where the uncertainty comes from: {reading.photo}")


def _draw_refusal(outcome: Outcome, picture: Path) -> None:
    """Show where the trouble is; a file that is no photo has nothing to show."""
    if not isinstance(outcome.problem, Refusal):
        return
    from visioncheck.photo.load import load_photo
    from visioncheck.present.naming import error_sentence
    from visioncheck.present.refused_picture import draw_refusal

    draw_refusal(load_photo(outcome.request.photo), outcome.problem.marks, error_sentence(outcome.problem), picture)


def _say_json(outcomes: Sequence[Outcome], together: Together | None) -> None:
    import json

    from visioncheck.present.questions import with_reason

    found = [with_reason(outcome.reading) for outcome in outcomes]
    if together is not None and len(outcomes) > 1:
        found.append(together.json)
    typer.echo(json.dumps(found[0] if len(found) == 1 else found, indent=2, ensure_ascii=False))


def _say(outcomes: Sequence[Outcome], sled: Sled | None, *, budget: bool, is_last: bool) -> None:
    from visioncheck.present.budget import better_lines, budget_lines
    from visioncheck.present.reading import reading_lines
    from visioncheck.present.terminal import print_report
    from visioncheck.results.budget import budgets_from_reading

    last_corrected = max((k for k, outcome in enumerate(outcomes) if outcome.correction), default=None)
    for k, outcome in enumerate(outcomes):
        if outcome.measured is None:
            continue
        reading = outcome.measured.reading
        title = f"{sled.name}: {reading.photo}" if sled else reading.photo
        reports = [(title, reading_lines(reading, sled, outcome.instead))]
        for each in budgets_from_reading(reading) if budget else ():
            turned = reading.turned is not None or reading.slot is not None  # a slot is not read in pairs
            better = better_lines(each, surveyed=reading.is_surveyed, turned=turned)
            reports.append((f"Standard uncertainty of the {each.name} by source", [*budget_lines(each), *better]))
        for n, (heading, lines) in enumerate(reports):
            # the cautions stand once, below everything
            print_report(heading, lines, cautions=is_last and k == last_corrected and n == len(reports) - 1)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(measure)
