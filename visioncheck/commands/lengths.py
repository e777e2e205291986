"""``visioncheck lengths``: repeat cuts at a stop, and whether a second stop continues the first one's zero and line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import UserError
from visioncheck.files import refuse_idle, refuse_overwriting

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry
    from visioncheck.measuring.request import RigFile, SledFile
    from visioncheck.units import UnitWorld
    from visioncheck.work.lengths import PieceLength


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
    _check(photos, second, {"--read": read, "--second-read": second_read}, log, sled, note)
    if read is None:
        refuse_idle({"--angles": angles, "--second-angles": second_angles, "--u": u}, "without --read")
    else:
        refuse_idle(
            {"--rig": rig, "--thickness": thickness, "--fence-edge": fence_edge, "--cut-edge": cut_edge}, "with --read"
        )
    if not (second or second_read):
        of_two = {"--angles": angles, "--second-angles": second_angles, "--cut-edge": cut_edge}
        refuse_idle(of_two | {"--second-set": second_set}, "of one stop alone: they compare it with a second one")
    if (angles is None) != (second_angles is None):
        raise UserError("--angles and --second-angles go together: they say whether the second stop continues the line")
    if cut_edge and not fence_edge:
        raise UserError("--cut-edge needs --fence-edge: the angle between the two is read")
    refuse_overwriting({"--picture": picture}, [*(photos or ()), *(second or ()), rig, sled])
    from visioncheck.measuring.request import read_rig, read_sled

    sled_file, rig_file = read_sled(sled) if sled else None, read_rig(rig) if rig else None
    world = _world(units, sled_file, (set_to, read, thickness))
    if read is None:
        told = (rig_file, thickness, fence_edge, cut_edge, world)
        groups = [_seen(each, *told) for each in (photos, second) if each]
    else:
        bare = world if units or sled else None  # what a number without a unit is
        groups = [_typed(read, angles, u, bare)]
        groups += [_typed(second_read, second_angles, u, bare)] if second_read else []
    from visioncheck.work.lengths import compare_stops, spread
    from visioncheck.work.read_lengths import read_setting

    settings = read_setting("set", set_to, world), read_setting("second_set", second_set, world)
    stops = tuple(spread(group, setting) for group, setting in zip(groups, settings, strict=False))
    compared = compare_stops(*stops) if len(stops) == 2 else None
    from visioncheck.results.lengths import lengths_json

    found = lengths_json(stops, compared)
    entry = _keep(log, found, sled_file, rig_file, note, [*(photos or ()), *(second or ())]) if log else None
    if picture is not None:
        from visioncheck.files import write_whole
        from visioncheck.present.lengths import draw_lengths

        write_whole(picture, draw_lengths(stops, world))
    if as_json:
        import json

        typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
    else:
        from visioncheck.present.lengths import CAUTIONS, lengths_lines
        from visioncheck.present.terminal import print_report

        lines = lengths_lines(stops, compared, world, sled_file.sled if sled_file else None)
        print_report("Lengths of repeat cuts", lines, cautions=True)
        for caution in CAUTIONS:
            typer.echo(f"! {caution}")
    if entry is not None:
        typer.echo(f"Entry {entry.id[:8]} of {entry.sled} is in the log {log}.", err=True)


def _keep(
    log: Path, found: dict[str, Any], sled: SledFile | None, rig: RigFile | None, note: str, photos: list[Path]
) -> Entry:
    """Keep the lengths with all their photos, or as typed readings."""
    from visioncheck.log.entry import EntryDraft
    from visioncheck.log.photos import read_photo
    from visioncheck.log.store import Log

    assert sled is not None  # --log needs it
    files = [read_photo(path) for path in photos]
    draft = EntryDraft(
        sled=sled.sled.name,
        reading=found | ({"photo": photos[0].name, "photo_sha256": files[0].sha256} if files else {}),
        kind="photo" if files else "typed",
        file_name=photos[0].name if files else "",
        rig_text=rig.text if rig and files else None,
        sled_text=sled.text,
        note=note,
    )
    with Log.open(log, create=True) as opened:
        if not files:
            return opened.attach(draft)
        return opened.attach_once(draft, files[0], {"note": note}, files[1:])


def _check(
    photos: list[Path] | None,
    second: list[Path] | None,
    typed: dict[str, str | None],
    log: Path | None,
    sled: Path | None,
    note: str,
) -> None:
    if bool(photos) == (typed["--read"] is not None):
        raise UserError("Give either photos of the pieces or their lengths with --read")
    if (second and not photos) or (typed["--second-read"] and not typed["--read"]):
        raise UserError("Give both stops in the same way: photos and --second, or --read and --second-read")
    if log is not None and sled is None:
        raise UserError("--log keeps readings by sled; say which with --sled SLED.toml")
    if note and log is None:
        raise UserError("--note goes into a log; name it with --log")


def _world(units: str | None, sled: SledFile | None, told: tuple[str | None, ...]) -> UnitWorld:
    if units not in {None, "in", "mm"}:
        raise UserError(f"--units is {units!r}; write in or mm")
    if units is not None:
        return "in" if units == "in" else "mm"
    if sled is not None:
        return sled.sled.units
    text = next((each for each in told if each), "mm").rstrip().lower()
    return "in" if text.endswith(("in", '"', "thou", "ft")) else "mm"


def _seen(
    photos: list[Path], rig: RigFile | None, thickness: str | None, fence: str | None, cut: str | None, units: UnitWorld
) -> tuple[PieceLength, ...]:
    from visioncheck.measuring.lengths import measure_all
    from visioncheck.measuring.options import read_piece_options

    told = read_piece_options(thickness, fence_edge=fence, units=units, cut_edge=cut)
    return measure_all(photos, rig.rig if rig else None, told.thickness, fence, cut)


def _typed(read: str, angles: str | None, u: str | None, units: UnitWorld | None) -> tuple[PieceLength, ...]:
    from visioncheck.work.read_lengths import typed_lengths

    return typed_lengths(read, angles, u, units)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(lengths)
