"""``visioncheck survey``: the camera and the print measured together, once for a phone and its sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError


def survey(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="6 to 12 photos of the bare sheets.")],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="RIG.json", help="The rig file to write.")],
    ruled: Annotated[
        str | None,
        typer.Option(help='What a rule reads from the first to the last saddle point, such as 310.5mm or "12 7/32in".'),
    ] = None,
    picture: Annotated[Path | None, typer.Option(help="Draw the print's errors as arrows, PNG.")] = None,
) -> None:
    """Measure the phone's lens and the printed sheets from several photos of the bare sheets."""
    from visioncheck.units import parse_length

    ruled_mm = None if ruled is None else parse_length(ruled)
    if ruled_mm is not None and ruled_mm <= 0:
        raise UserError(f"--ruled {ruled!r} is not a length above zero; write what the rule reads, such as 310.5mm")
    from rich.console import Console
    from rich.progress import track

    from visioncheck.camera.rig import save_rig
    from visioncheck.measuring.sheets import read_sheets, survey_sheets

    paths = track(photos, "Reading photos", console=Console(stderr=True), transient=True)
    surveyed = survey_sheets(read_sheets(paths), ruled_mm)
    found, rig = surveyed.survey, surveyed.rig
    drawing = None
    if picture is not None:
        from visioncheck.present.print_errors import draw_print

        drawing = draw_print(found, rig.paper)
    save_rig(rig, output)
    if picture is not None and drawing is not None:
        from visioncheck.files import write_whole

        write_whole(picture, drawing)

    from visioncheck.present.correction import Line
    from visioncheck.present.naming import error_sentence
    from visioncheck.present.survey_lines import MISFIT, survey_lines
    from visioncheck.present.terminal import print_report

    lines = [*survey_lines(found, rig), Line("Rig file", str(output))]
    lines += [Line("Left out", error_sentence(refusal)) for refusal in surveyed.unread]
    lines += [Line("Left out", f"{name}: {MISFIT}") for name in surveyed.left_out]
    lines += [] if picture is None else [Line("Picture", str(picture))]
    print_report(f"Survey of {rig.photos} photos", lines, cautions=False)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(survey)
