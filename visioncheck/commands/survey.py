"""``visioncheck survey``: the camera and the print measured together, once for a phone and its sheets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.errors import Refusal, UserError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.photo.load import Exif
    from visioncheck.points.model import TargetPoints


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
    points, exif, size, named, unread = _read(photos)

    from visioncheck.camera.from_photos import rig_of
    from visioncheck.camera.rig import save_rig
    from visioncheck.camera.survey import survey as measure

    found = measure(points, size[0], size[1], ruled_mm)
    drawing = None
    if picture is not None:
        from visioncheck.present.print_errors import draw_print

        drawing = draw_print(found, points[0].paper)
    rig = rig_of(found, points, exif, ruled_mm)
    save_rig(rig, output)
    if picture is not None and drawing is not None:
        from visioncheck.files import write_whole

        write_whole(picture, drawing)

    from visioncheck.present.correction import Line
    from visioncheck.present.survey_lines import MISFIT, survey_lines
    from visioncheck.present.terminal import print_report

    lines = [*survey_lines(found, rig), Line("Rig file", str(output))]
    lines += [Line("Left out", reason) for reason in unread]
    lines += [Line("Left out", f"{named[which]}: {MISFIT}") for which in found.left_out]
    lines += [] if picture is None else [Line("Picture", str(picture))]
    print_report(f"Survey of {rig.photos} photos", lines, cautions=False)


def _read(
    paths: Sequence[Path],
) -> tuple[list[TargetPoints], Exif, tuple[int, int], list[Path], list[str]]:
    """Points of every photo; all by one phone at one zoom and size, all of one target.

    Also the paths of those photos, and why the others cannot be read.
    """
    from rich.console import Console
    from rich.progress import track

    from visioncheck.camera.from_photos import require_same_camera, require_same_target
    from visioncheck.photo.load import load_photo
    from visioncheck.points.find import find_points

    points: list[TargetPoints] = []
    named: list[Path] = []
    unread: list[str] = []
    first: tuple[Exif, tuple[int, int]] | None = None
    hashes: dict[str, Path] = {}
    for path in track(paths, "Reading photos", console=Console(stderr=True), transient=True):
        photo = load_photo(path)
        if photo.sha256 in hashes:
            raise UserError(f"{path}: is the same photo as {hashes[photo.sha256]}; give each photo once")
        hashes[photo.sha256] = path
        here = photo.exif, (int(photo.bgr.shape[1]), int(photo.bgr.shape[0]))
        first = first or here
        require_same_camera(path, paths[0], here, first)
        try:
            found = find_points(photo)
        except Refusal as refusal:
            unread.append(str(refusal))
            continue
        require_same_target(path, named[0] if named else path, found, points[0] if points else found)
        points.append(found)
        named.append(path)
    assert first is not None  # typer asks for at least one photo
    if not points:
        raise UserError(f"no photo can be used; {unread[0]}")
    return points, *first, named, unread


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(survey)
