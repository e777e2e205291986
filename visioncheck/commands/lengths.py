"""``visioncheck lengths``: repeat cuts at a stop, and whether a second stop continues the first one's zero and line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.errors import UserError
from visioncheck.files import refuse_overwriting

if TYPE_CHECKING:
    from visioncheck.api.lengths import RepeatLengths
    from visioncheck.log.entry import Entry


def lengths(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[PHOTO]...", help="Pieces of the first stop: several on a sheet, or one a photo."),
    ] = None,
    second: Annotated[
        list[Path] | None, typer.Option("--second", metavar="PHOTO", help="The same of a second stop; may be repeated.")
    ] = None,
    read: Annotated[
        str | None, typer.Option("--read", help="Instead of photos: lengths read, commas between: 300.02mm,300.05mm.")
    ] = None,
    second_read: Annotated[str | None, typer.Option("--second-read", help="The same of a second stop.")] = None,
    angles: Annotated[
        str | None, typer.Option(help="With --read: corners between fence edge and sawn end, degrees, commas between.")
    ] = None,
    second_angles: Annotated[str | None, typer.Option("--second-angles", help="The same of a second stop.")] = None,
    u: Annotated[
        str | None, typer.Option("--u", help="With --read: standard uncertainty of one length; 0.02mm if not said.")
    ] = None,
    set_to: Annotated[str | None, typer.Option("--set", help="What the first stop was set to.")] = None,
    second_set: Annotated[
        str | None, typer.Option("--second-set", help="What the second was set to; both alike if not said.")
    ] = None,
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="What visioncheck survey wrote.")] = None,
    thickness: Annotated[str | None, typer.Option(help="Of the pieces in the photos: 18mm, 12.3mm±0.1mm.")] = None,
    fence_edge: Annotated[
        str | None, typer.Option(help="Edge at the fence, as the pictures show it; the length runs along it.")
    ] = None,
    cut_edge: Annotated[
        str | None, typer.Option(help="Freshly sawn end, as the pictures show it; with --fence-edge, for the line.")
    ] = None,
    units: Annotated[str | None, typer.Option(help="Units to speak in: in or mm.")] = None,
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="The sled, for the log and its units.")] = None,
    log: Annotated[Path | None, typer.Option(metavar="LOG", help="Keep it, with its photos, in this log.")] = None,
    note: Annotated[str, typer.Option(help="With --log: anything worth remembering.")] = "",
    picture: Annotated[Path | None, typer.Option(metavar="OUT.png", help="Draw the lengths.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Measure repeat cuts at one stop: how far lengths spread, and whether a second stop continues the first."""
    if log is not None and sled is None:
        raise UserError("--log keeps readings by sled; say which with --sled SLED.toml")
    if note and log is None:
        raise UserError("--note goes into a log; name it with --log")
    refuse_overwriting({"--picture": picture}, [*(photos or ()), *(second or ()), rig, sled])
    from visioncheck.api.lengths import TITLE
    from visioncheck.api.lengths import lengths as measure_lengths

    found = measure_lengths(
        photos or (),
        second or (),
        read=read,
        second_read=second_read,
        angles=angles,
        second_angles=second_angles,
        u=u,
        set=set_to,
        second_set=second_set,
        rig=rig,
        thickness=thickness,
        fence_edge=fence_edge,
        cut_edge=cut_edge,
        sled=sled,
        units=units,
    )
    entry = _keep(log, found, note) if log else None
    if picture is not None:
        from visioncheck.files import write_whole

        write_whole(picture, found.render())
    if as_json:
        import json

        typer.echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False))
    else:
        from visioncheck.present.lengths import CAUTIONS
        from visioncheck.present.terminal import print_report

        print_report(TITLE, found.lines(), cautions=True)
        for caution in CAUTIONS:
            typer.echo(f"! {caution}")
    if entry is not None:
        typer.echo(f"Entry {entry.id[:8]} of {entry.sled} is in the log {log}.", err=True)


def _keep(log: Path, found: RepeatLengths, note: str) -> Entry:
    from visioncheck.log.store import Log

    with Log.open(log, create=True) as opened:
        (entry,) = found.keep(opened, note=note)
    return entry


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(lengths)
