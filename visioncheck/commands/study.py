"""``visioncheck study``: how well readings repeat, by analysis of variance."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import UserError
from visioncheck.files import refuse_idle

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from visioncheck.measuring.request import MeasureRequest, SledFile
    from visioncheck.present.line import LabelledLine
    from visioncheck.sled.model import Sled
    from visioncheck.study.photos import Laid, StudyReading
    from visioncheck.study.words import Nested

_USUAL_TOLERANCE = "0.3mm/m"


def study(
    folder: Annotated[
        Path | None,
        typer.Argument(
            metavar="FOLDER",
            help="Repeated photos: FOLDER/PERSON/PIECE/*.jpg; FOLDER/PIECE/*.jpg for one person; or FOLDER/*.jpg with"
            " a tag on each piece.",
        ),
    ] = None,
    readings: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV",
            help="Instead of photos: a table of fence errors in degrees, piece,person,value or sled,cut,laying,value.",
        ),
    ] = None,
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="What visioncheck survey wrote.")] = None,
    sled: Annotated[
        Path | None, typer.Option(metavar="SLED.toml", help="The sled of the pieces; its tolerance counts.")
    ] = None,
    tolerance: Annotated[str | None, typer.Option(help=f"0.005in/ft, 0.3mm/m; {_USUAL_TOLERANCE} if not said.")] = None,
    thickness: Annotated[
        str | None, typer.Option(help="Of the pieces, where they have no tag: 18mm, 12.3mm±0.1mm.")
    ] = None,
    piece: Annotated[str | None, typer.Option(help="corner, panel or strip; otherwise told by its shape.")] = None,
    fence_edge: Annotated[
        str | None,
        typer.Option(help="Edge at the fence as every picture shows it, where no tag tells: top, bottom, left, right."),
    ] = None,
    cuts: Annotated[
        int | None, typer.Option(min=2, help="Successive cuts behind a strip, 5 all round a panel.")
    ] = None,
    nested: Annotated[
        bool,
        typer.Option(
            "--nested",
            help="Separate camera, laying, cut and sled: FOLDER/CUT/LAYING/*.jpg, or FOLDER/SLED/CUT/LAYING/*.jpg.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Study how well repeated readings of several pieces agree, and how many to average."""
    if (folder is None) == (readings is None):
        raise UserError("Give either a folder of photos or a table with --readings CSV")
    if readings is not None:
        of_photos = {"--rig": rig, "--thickness": thickness, "--piece": piece, "--fence-edge": fence_edge}
        refuse_idle(of_photos | {"--cuts": cuts, "--nested": nested or None}, "with --readings")
    from visioncheck.measuring.request import read_sled
    from visioncheck.study.words import Nested, arrange, read_readings

    owner = read_sled(sled) if sled else None
    limit_deg = _tolerance(owner.sled if owner else None, tolerance)
    if folder is None:
        table = read_readings(readings or Path())
        if isinstance(table, Nested):
            _say_nested(table, (), limit_deg, as_json=as_json)
        else:
            _say_crossed(table, None, limit_deg, as_json=as_json)
        return
    found = _measured(folder, _ask(rig, owner, thickness, piece, fence_edge, cuts), nested=nested)
    from visioncheck.study.photos import lay_out, lay_out_nested

    if nested:
        _say_nested(*lay_out_nested(found), limit_deg, as_json=as_json)
        return
    laid = lay_out(found)
    _say_crossed(arrange(laid.readings, str(folder)), laid, limit_deg, as_json=as_json)


def _say_crossed(table: NDArray[np.float64], laid: Laid | None, limit_deg: float, *, as_json: bool) -> None:
    from visioncheck.study.gauge import gauge_study
    from visioncheck.study.words import study_json, study_lines

    result = gauge_study(table)
    photos = _photos_json(laid) if laid else {}
    lines = [*study_lines(result, limit_deg), *_photo_lines(laid)]
    _say("Repeatability study", lines, study_json(result, limit_deg) | photos, as_json=as_json)


def _say_nested(table: Nested, refused: Sequence[StudyReading], limit_deg: float, *, as_json: bool) -> None:
    from visioncheck.study.words import nested_json, nested_lines

    result = table.study()
    lines = [*nested_lines(result, limit_deg), *_refused_lines(refused)]
    _say("What spreads the readings", lines, nested_json(result, limit_deg) | _refused_json(refused), as_json=as_json)


def _say(title: str, lines: Sequence[LabelledLine], found: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        import json

        typer.echo(json.dumps(found, indent=2, ensure_ascii=False))
        return
    from visioncheck.present.terminal import print_report

    print_report(title, lines, cautions=False)


def _tolerance(sled: Sled | None, tolerance: str | None) -> float:
    from visioncheck.units import deg_from_slope, parse_slope

    if sled and not tolerance:
        return sled.tolerance_deg
    limit = deg_from_slope(parse_slope(tolerance or _USUAL_TOLERANCE))
    if not limit > 0:
        raise UserError("--tolerance must be larger than nothing; write for example 0.005in/ft or 0.3mm/m")
    return limit


def _ask(
    rig: Path | None,
    sled: SledFile | None,
    thickness: str | None,
    piece: str | None,
    fence_edge: str | None,
    cuts: int | None,
) -> Callable[[Path], MeasureRequest]:
    """Give what makes a request of each photo."""
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.request import MeasureRequest, read_rig

    told = read_piece_options(
        sled.sled.units if sled else None, thickness=thickness, piece=piece, fence_edge=fence_edge, cuts=cuts
    )
    return partial(MeasureRequest, sled_file=sled, rig_file=read_rig(rig) if rig else None, options=told)


def _measured(folder: Path, ask: Callable[[Path], MeasureRequest], *, nested: bool) -> list[StudyReading]:
    """Measure the folder's photos on all cores, with a bar."""
    from rich.console import Console
    from rich.progress import track

    from visioncheck.batch.run import cores, run_here, stop_on_interrupt
    from visioncheck.study.photos import find_study_photos, read_photo, settled

    photos = find_study_photos(folder, nested=nested)
    with stop_on_interrupt() as stop:
        finished = run_here(read_photo, photos, ask, cores(), stop)
        bar = track(finished, "Measuring", total=len(photos), console=Console(stderr=True), transient=True)
        found = [settled(photo, future) for photo, future in bar]
    if len(found) < len(photos):
        raise UserError(f"Stopped after {len(found)} of {len(photos)} photos; a study needs them all")
    return found


def _refused_lines(refused: Sequence[StudyReading]) -> list[LabelledLine]:
    from visioncheck.present.line import LabelledLine

    return [LabelledLine("Refused", f"{each.photo.path.parent.name}/{each.problem}") for each in refused]


def _refused_json(refused: Sequence[StudyReading]) -> dict[str, Any]:
    return {"refused": [{"photo": str(each.photo.path), "reason": each.problem} for each in refused]}


def _photo_lines(laid: Laid | None) -> list[LabelledLine]:
    from visioncheck.present.line import LabelledLine

    if laid is None:
        return []
    lines = _refused_lines(laid.refused)
    if laid.left_out:
        names = ", ".join(str(each.photo.path) for each in laid.left_out)
        lines.append(
            LabelledLine("Left out", f"{names}, so that every piece counts as often as the one with the fewest")
        )
    return lines


def _photos_json(laid: Laid) -> dict[str, Any]:
    return {
        "readings": [
            {"piece": piece, "person": person, "fence_error_deg": deg} for piece, person, deg in laid.readings
        ],
        **_refused_json(laid.refused),
        "left_out": [str(each.photo.path) for each in laid.left_out],
    }


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(study)
