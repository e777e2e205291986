"""``visioncheck reckon``: the same arithmetic for typed readings of callipers, protractor or gauge."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.commands.log_attach import TIME_HELP, parse_time
from visioncheck.errors import UserError

if TYPE_CHECKING:
    from visioncheck.api.results import TypedMeasurement
    from visioncheck.log.entry import Entry, EntryDraft


_TITLES = {"bevel": "the blade's tilt", "straight": "the fence's bow", "travel": "blade and travel"}


def reckon(
    cuts: Annotated[
        int | None, typer.Option(help="Successive cuts, each with the fresh edge on the fence; 5 if not said.")
    ] = None,
    rear: Annotated[str | None, typer.Option(help="Width of the last strip at its rear end (nearest you).")] = None,
    front: Annotated[str | None, typer.Option(help="Width of the last strip at its front end.")] = None,
    length: Annotated[str | None, typer.Option(help="Distance between the two places measured.")] = None,
    taper: Annotated[str | None, typer.Option(help="Taper of the last strip: 0.1deg, 1.7mm/m, 0.02in/ft.")] = None,
    wide: Annotated[str | None, typer.Option(help="With --taper: the wider end, rear or front.")] = None,
    angle: Annotated[str | None, typer.Option(help="Corner between fence edge and fresh cut, degrees.")] = None,
    corners: Annotated[
        str | None, typer.Option(help="Four corners of a panel cut all round, degrees, commas between, in cut order.")
    ] = None,
    unordered: Annotated[
        bool, typer.Option("--unordered", help="With --corners: round the panel, first cut not known.")
    ] = False,
    wedge: Annotated[
        str | None,
        typer.Option(
            help="Gap of halves, one turned over, of a board with parallel edges: 0.2deg, or a width with --length."
        ),
    ] = None,
    turned: Annotated[
        str | None,
        typer.Option("--turned", "--turned-half", help="With --wedge: the half turned over, left or right."),
    ] = None,
    opens: Annotated[
        str | None,
        typer.Option(
            help="With --wedge: where the gap is open, straightedge or far; of a frame outside or inside; with"
            " --edge-gap middle or ends."
        ),
    ] = None,
    side: Annotated[str | None, typer.Option(help="Side of the blade the piece or panel was on.")] = None,
    fence: Annotated[str | None, typer.Option(help="Side of the work the fence was on: rear or front.")] = None,
    nominal: Annotated[
        str | None, typer.Option(help="The angle that the cut should have made, degrees; else the sled's, or 90.")
    ] = None,
    frame: Annotated[
        int | None, typer.Option(help="With --wedge: the gap left in a mitred frame of so many sides.")
    ] = None,
    frame_cuts: Annotated[
        int | None, typer.Option(help="With --frame: its mitre cuts, where they are not two a side.")
    ] = None,
    at_fence: Annotated[
        str | None, typer.Option(help="With --frame: the edge of its pieces that was on the fence, outer or inner.")
    ] = None,
    again: Annotated[
        str | None, typer.Option(help="With --angle: the corner of a second cut of the same board, degrees.")
    ] = None,
    recut: Annotated[
        str | None, typer.Option(help="With --again: how the second was made, 'end for end' or 'second edge'.")
    ] = None,
    edge_gap: Annotated[
        str | None,
        typer.Option(help="The fence's bow instead: gap of two boards that both fit it, edge to edge, over --length."),
    ] = None,
    lifted: Annotated[
        str | None,
        typer.Option(
            help="Blade and travel: widths of a slot at its open and inner end, 2.62mm,2.58mm, --length apart."
        ),
    ] = None,
    other_end: Annotated[str | None, typer.Option(help="With --lifted: the same, from the board's other end.")] = None,
    pulled_back: Annotated[str | None, typer.Option(help="With --lifted: the same, of a slot pulled back.")] = None,
    tip: Annotated[str | None, typer.Option(help="With --lifted: width over the teeth.")] = None,
    bevel: Annotated[
        str | None,
        typer.Option(help="The blade's tilt instead: corner of the face on the table and the cut, degrees."),
    ] = None,
    bevel_wedge: Annotated[
        str | None,
        typer.Option(help="The same from halves of a tall cut, one turned over: an angle, or a width with --length."),
    ] = None,
    height: Annotated[str | None, typer.Option(help="With --bevel: how high the cut was.")] = None,
    u: Annotated[
        str | None, typer.Option("--u", help="Standard uncertainty of one reading: 0.01mm, 0.5thou, 0.02deg.")
    ] = None,
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="The sled to correct.")] = None,
    log: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Keep it, with what was typed, in this log; needs --sled.")
    ] = None,
    person: Annotated[str, typer.Option(help="With --log: who read it.")] = "",
    note: Annotated[str, typer.Option(help="With --log: anything worth remembering.")] = "",
    adjusted: Annotated[
        str, typer.Option(help="With --log: what you changed on the sled since the reading before.")
    ] = "",
    cut: Annotated[
        str | None,
        typer.Option(
            help="With --log: fresh, a cut of its own, or same, the piece of before; else by the time between."
        ),
    ] = None,
    time: Annotated[
        str | None, typer.Option(help=f"With --log: when it was read, {TIME_HELP}; now if not said.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Reckon the fence error and its correction from readings that you type."""
    import visioncheck
    from visioncheck.api.results import draft_entry
    from visioncheck.measuring.options import read_piece_options

    _check_log(
        log,
        sled,
        {
            "--person": person,
            "--note": note,
            "--adjusted": adjusted,
            "--time": time,
            "--cut": cut,
        },
    )
    when = parse_time("--time", time) if time else None
    found = visioncheck.compute(
        sled=sled,
        cuts=cuts,
        rear=rear,
        front=front,
        length=length,
        taper=taper,
        wide=wide,
        angle=angle,
        corners=corners,
        unordered=unordered,
        wedge=wedge,
        turned=turned,
        opens=opens,
        side=side,
        fence=fence,
        nominal=nominal,
        frame=frame,
        frame_cuts=frame_cuts,
        at_fence=at_fence,
        lifted=lifted,
        other_end=other_end,
        pulled_back=pulled_back,
        tip=tip,
        again=again,
        recut=recut,
        edge_gap=edge_gap,
        bevel=bevel,
        bevel_wedge=bevel_wedge,
        height=height,
        u=u,
    )
    entry, instead = None, ""
    if log is not None:
        draft = replace(draft_entry(found, person=person, note=note, adjusted=adjusted), time=when)
        if cut is not None:
            draft = replace(draft, reading={**draft.reading, "told": read_piece_options(cut=cut).as_json()})
        entry, instead = _keep(log, draft)
    if as_json:
        _say_json(found, moves=not instead)
    else:
        from visioncheck.present.terminal import print_report
        from visioncheck.present.typed import typed_lines

        owner = found.sled.sled if found.sled else None
        what = _TITLES.get(found.result.kind, "fence error")
        title = f"{owner.name}: {what}" if owner else what.capitalize()
        lines = typed_lines(found.result, owner, instead=instead)
        print_report(title, lines, cautions=found.correction is not None and not instead)
    if entry is not None:
        typer.echo(f"Entry {entry.id[:8]} of {entry.sled} is in the log {log}.", err=True)
        _say_now(log, entry.sled)


def _keep(log: Path, draft: EntryDraft) -> tuple[Entry, str]:
    """Keep it, and say what to do instead where the log has a newer reading, or an adjustment after it."""
    from visioncheck.log.standing import SUPERSEDED, find_standing
    from visioncheck.log.store import Log

    with Log.open(log, create=True) as opened:
        entry = opened.attach(draft)
        standing = find_standing(entry, opened.entries(sled=entry.sled))
    return entry, "" if standing.counts else SUPERSEDED[standing.state]


def _say_now(log: Path | None, sled: str) -> None:
    """Say how all readings together have the sled, where this is not the only one."""
    if log is None:
        return
    from visioncheck.log.now import sled_now
    from visioncheck.log.store import Log
    from visioncheck.present.now import history_line

    with Log.open(log, readonly=True) as opened:
        now = sled_now(opened, sled)
    if now.pooled is not None and now.pooled.readings > 1:
        typer.echo(f"All readings together: {history_line(now)}", err=True)


def _say_json(found: TypedMeasurement, *, moves: bool) -> None:
    import json

    from visioncheck.present.questions import with_reason
    from visioncheck.results.advice import without_move

    reading = with_reason(found.to_dict())
    if "correction" in reading and not moves:
        reading["correction"] = without_move(reading["correction"])
    typer.echo(json.dumps(reading, indent=2, ensure_ascii=False))


def _check_log(log: Path | None, sled: Path | None, about: dict[str, str | None]) -> None:
    idle = [option for option, said in about.items() if said]
    if log is None and idle:
        raise UserError(f"{' and '.join(idle)} {'go' if len(idle) > 1 else 'goes'} into a log; name it with --log")
    if log is not None and sled is None:
        raise UserError("--log keeps readings by sled; say which with --sled SLED.toml")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(reckon)
