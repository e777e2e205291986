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

    from dataclasses import replace

    from visioncheck.log.store import Log
    from visioncheck.measuring.keep import attach_outcome
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled
    from visioncheck.measuring.travel import travel_from_slots
    from visioncheck.results.travel import travel_json

    sled_file = read_sled(sled) if sled else None
    rig_file = read_rig(rig) if rig else None
    units = sled_file.sled.units if sled_file else "mm"
    options = read_piece_options(thickness, "slot", units=units if sled_file else None)
    with Log.open(log, create=True) if log else nullcontext() as open_log:
        first, other, pulled = (
            None if path is None else measure_piece(MeasureRequest(path, None, sled_file, rig_file, options))
            for path in (lifted, other_end, pulled_back)
        )
        assert first is not None  # its photo must be given
        found = travel_from_slots(first, other, pulled)
        if open_log:
            kept = replace(first, reading=first.reading | travel_json(found))
            for outcome in (each for each in (kept, other, pulled) if each is not None):
                entry = attach_outcome(open_log, outcome)
                typer.echo(f"Entry {entry.id[:8]} of {entry.sled} ({entry.file_name}) is in the log {log}.", err=True)
    if picture is not None and first.measured is not None:
        from visioncheck.present.picture import draw_reading

        draw_reading(first.measured.photo, first.measured.reading, None, picture, sled_file.sled if sled_file else None)
    if as_json:
        import json

        typer.echo(json.dumps(travel_json(found), indent=2, ensure_ascii=False))
        return
    from visioncheck.present.terminal import print_report
    from visioncheck.present.travel import travel_lines

    title = f"{sled_file.sled.name}: blade and travel" if sled_file else "Blade and travel"
    print_report(title, travel_lines(found, units), cautions=False)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(travel)
