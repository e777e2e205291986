"""``visioncheck travel``: heel, play and run-out from photos of slots that end in a board."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError
from visioncheck.files import refuse_overwriting


def travel(
    lifted: Annotated[Path, typer.Argument(metavar="PHOTO", help="Slot from which the board was lifted off.")],
    other_end: Annotated[
        Path | None, typer.Option(metavar="PHOTO", help="Likewise, from the board's other end.")
    ] = None,
    pulled_back: Annotated[
        Path | None, typer.Option(metavar="PHOTO", help="Slot out of which the board was pulled back.")
    ] = None,
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="What visioncheck survey wrote.")] = None,
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="The sled and its blade.")] = None,
    thickness: Annotated[str | None, typer.Option(help="Of the board: 18mm, 3/4in, 12.3mm±0.1mm.")] = None,
    log: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Keep the slots, with their photos, in this log.")
    ] = None,
    picture: Annotated[Path | None, typer.Option(metavar="OUT.png", help="Draw the first slot as it was read.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Tell from slots whether the blade runs with the sled's travel, has run-out, or the sled play."""
    if log is not None and sled is None:
        raise UserError("--log keeps readings by sled; say which with --sled SLED.toml")
    if picture is not None:
        if picture.suffix.lower() != ".png":
            raise UserError(f"--picture {picture}: the picture is written as PNG; give it a name that ends in .png")
        refuse_overwriting({"--picture": picture}, [lifted, other_end, pulled_back, rig, sled])

    from visioncheck.api.travel import travel as tell_travel
    from visioncheck.log.store import Log

    # opened first: a log that cannot be written is said before the long work
    with Log.open(log, create=True) if log else nullcontext() as open_log:
        found = tell_travel(
            lifted, other_end=other_end, pulled_back=pulled_back, rig=rig, sled=sled, thickness=thickness
        )
        for entry in found.keep(open_log) if open_log else ():
            typer.echo(f"Entry {entry.id[:8]} of {entry.sled} ({entry.file_name}) is in the log {log}.", err=True)
    if picture is not None:
        from visioncheck.files import write_whole

        write_whole(picture, found.render())
    if as_json:
        import json

        typer.echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False))
        return
    from visioncheck.present.terminal import print_report

    print_report(found.title, found.lines(), cautions=False)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(travel)
