"""``visioncheck survey``: the camera and the print measured together, once for a phone and its sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import InputError
from visioncheck.files import refuse_overwriting


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
    from rich.console import Console
    from rich.progress import track

    import visioncheck
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.terminal import print_report

    if picture is not None and picture.suffix.lower() != ".png":
        raise InputError("picture", f"<picture> {picture}: the picture is written as PNG; give it a name with .png")
    refuse_overwriting({"--output": output, "--picture": picture}, photos)
    found = visioncheck.survey(track(photos, "Reading photos", console=Console(stderr=True), transient=True), ruled)
    drawing = found.render() if picture is not None else None
    found.save(output)
    lines = [*found.lines("command"), LabelledLine("Rig file", str(output))]
    if picture is not None and drawing is not None:
        from visioncheck.files import write_whole

        write_whole(picture, drawing)
        lines.append(LabelledLine("Picture", str(picture)))
    print_report(f"Survey of {found.rig.photos} photos", lines, cautions=False)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(survey)
