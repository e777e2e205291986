"""``visioncheck reckon``: the same arithmetic for typed readings of callipers, protractor or gauge."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


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
    opens: Annotated[str | None, typer.Option(help="With --wedge: where the gap is open, straightedge or far.")] = None,
    side: Annotated[str | None, typer.Option(help="Side of the blade the piece or panel was on.")] = None,
    fence: Annotated[str | None, typer.Option(help="Side of the work the fence was on: rear or front.")] = None,
    nominal: Annotated[float, typer.Option(help="The angle that the cut should have made, degrees.")] = 90.0,
    u: Annotated[
        str | None, typer.Option("--u", help="Standard uncertainty of one reading: 0.01mm, 0.5thou, 0.02deg.")
    ] = None,
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="The sled to correct.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Reckon the fence error and its correction from readings that you type."""
    import visioncheck

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
        u=u,
    )
    if as_json:
        import json

        from visioncheck.present.questions import with_reason

        typer.echo(json.dumps(with_reason(found.to_dict()), indent=2, ensure_ascii=False))
        return
    from visioncheck.present.terminal import print_report

    title = f"{found.sled.sled.name}: fence error" if found.sled else "Fence error"
    print_report(title, found.lines("command"), cautions=found.correction is not None)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(reckon)
