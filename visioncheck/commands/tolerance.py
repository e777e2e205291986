"""``visioncheck tolerance``: the tolerance that a piece of work asks, and what the fence does to it today."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.files import refuse_overwriting


def tolerance(
    kind: Annotated[str, typer.Argument(metavar="WORK", help="joint, panel, box, drawer or frame.")],
    width: Annotated[
        str | None, typer.Option(help="Of a joint; of a panel along the cut; of a frame's sticks: 400mm, 16in.")
    ] = None,
    length: Annotated[str | None, typer.Option(help="Of a panel.")] = None,
    depth: Annotated[
        str | None, typer.Option(help="Of a box or drawer: length of the sides whose sawn ends butt.")
    ] = None,
    height: Annotated[str | None, typer.Option(help="Of a box or drawer: height of those sides.")] = None,
    sides: Annotated[int | None, typer.Option(help="Of a frame; 4 if not said.")] = None,
    ends: Annotated[int | None, typer.Option(help="Of a joint: sawn ends that meet, 1 (if not said) or 2.")] = None,
    gap: Annotated[
        str | None, typer.Option(help="Largest gap that you accept at a joint's open end; 0.1mm (4thou) if not said.")
    ] = None,
    last_gap: Annotated[
        str | None, typer.Option("--last-gap", help="Of a frame: largest gap of the last mitre, the others tight.")
    ] = None,
    wind: Annotated[str | None, typer.Option(help="Of a box: how far it may rock on a flat table.")] = None,
    diagonals: Annotated[str | None, typer.Option(help="Of a panel: how far its diagonals may differ.")] = None,
    sled: Annotated[
        Path | None, typer.Option(metavar="SLED.toml", help="The sled whose tolerance it is held against.")
    ] = None,
    error: Annotated[str | None, typer.Option(help="The fence's error now: 0.05deg, 0.3mm/m, 0.005in/ft.")] = None,
    plus_minus: Annotated[str | None, typer.Option(help="Its ±, at 95 %.")] = None,
    log: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Instead of --error: the sled as this log has it now.")
    ] = None,
    picture: Annotated[Path | None, typer.Option(metavar="OUT.png", help="Draw the gap at the tolerance.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Work out how square the sled must be for the largest joint, panel, box or frame that it is for."""
    import visioncheck

    refuse_overwriting({"--picture": picture}, [sled])
    found = visioncheck.tolerance(
        kind,
        width=width,
        length=length,
        depth=depth,
        height=height,
        sides=sides,
        ends=ends,
        gap=gap,
        last_gap=last_gap,
        wind=wind,
        diagonals=diagonals,
        sled=sled,
        error=error,
        plus_minus=plus_minus,
        log=log,
    )
    if picture is not None:
        found.draw(picture)
    if as_json:
        import json

        typer.echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False))
        return
    from visioncheck.present.terminal import print_report

    print_report("Tolerance from the work", found.lines(), cautions=False)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(tolerance)
