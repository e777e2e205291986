"""``visioncheck survey``: the camera and the print measured together, once for a phone and its sheets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.camera.rig import Rig
    from visioncheck.camera.survey import Survey
    from visioncheck.correction.words import Line
    from visioncheck.photo.load import Exif
    from visioncheck.points.model import TargetPoints

_PRINTED_FLAT_MM = 0.15
"""A local error above it is worth a word: a good print's are a third of it; common practice, no source."""


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
    points, exif, size = _read(photos)

    from visioncheck.camera.rig import save_rig
    from visioncheck.camera.survey import survey as measure

    found = measure(points, size[0], size[1], ruled_mm)
    drawing = None
    if picture is not None:
        from visioncheck.camera.draw_print import draw_print

        drawing = draw_print(found, points[0].paper)
    rig = _rig(found, points, exif, ruled_mm)
    save_rig(rig, output)
    if picture is not None and drawing is not None:
        from visioncheck.files import write_whole

        write_whole(picture, drawing)

    from visioncheck.correction.terminal import print_report
    from visioncheck.correction.words import Line

    lines = [*_lines(found, rig), Line("Rig file", str(output))]
    lines += [] if picture is None else [Line("Picture", str(picture))]
    print_report(f"Survey of {len(photos)} photos", lines, cautions=False)


def _read(paths: Sequence[Path]) -> tuple[list[TargetPoints], Exif, tuple[int, int]]:
    """Points of every photo; all by one phone at one zoom and size, all of one target."""
    from rich.console import Console
    from rich.progress import track

    from visioncheck.photo.load import load_photo
    from visioncheck.points.find import find_points

    points: list[TargetPoints] = []
    first: tuple[Exif, tuple[int, int]] | None = None
    hashes: dict[str, Path] = {}
    for path in track(paths, "Reading photos", console=Console(stderr=True), transient=True):
        photo = load_photo(path)
        if photo.sha256 in hashes:
            raise UserError(f"{path}: is the same photo as {hashes[photo.sha256]}; give each photo once")
        hashes[photo.sha256] = path
        here = photo.exif, (int(photo.bgr.shape[1]), int(photo.bgr.shape[0]))
        first = first or here
        _same_camera(path, paths[0], here, first)
        points.append(find_points(photo))
        if (points[-1].paper, points[-1].field) != (points[0].paper, points[0].field):
            raise UserError(
                f"{path}: shows a {points[-1].paper} sheet with a {points[-1].field} field, {paths[0]} a"
                f" {points[0].paper} sheet with a {points[0].field} one; survey each target by itself"
            )
    assert first is not None  # typer asks for at least one photo
    return points, *first


def _same_camera(
    path: Path, path_first: Path, here: tuple[Exif, tuple[int, int]], first: tuple[Exif, tuple[int, int]]
) -> None:
    (exif, size), (exif_first, size_first) = here, first
    if size != size_first:
        raise UserError(
            f"{path}: is {size[0]} x {size[1]} pixels, {path_first} is {size_first[0]} x {size_first[1]}; use photos of"
            " one phone, as the camera stored them"
        )
    for what, mine, other in (
        ("phone", exif.model, exif_first.model),
        ("lens", exif.focal_mm, exif_first.focal_mm),
        ("zoom", exif.focal_35mm, exif_first.focal_35mm),
    ):
        if mine != other:
            raise UserError(
                f"{path}: was taken with another {what} than {path_first} ({mine or 'unknown'}, {other or 'unknown'});"
                " survey one phone at one zoom at a time"
            )


def _rig(found: Survey, points: Sequence[TargetPoints], exif: Exif, ruled_mm: float | None) -> Rig:
    from datetime import datetime

    from visioncheck.camera.rig import Rig

    return Rig(
        lens=found.lens,
        paper=points[0].paper,
        field=points[0].field,
        sheet=found.sheet,
        index=found.index,
        points_mm=found.points_mm,
        covariance=found.covariance,
        scale_u_rel=found.scale_u_rel,
        ruled_mm=ruled_mm,
        residual_px=found.residual_px,
        photos=len(points),
        make=exif.make,
        model=exif.model,
        focal_mm=exif.focal_mm,
        date=datetime.now().astimezone().isoformat(timespec="seconds"),
    )


def _lines(found: Survey, rig: Rig) -> list[Line]:
    """Say what was found, the print first: that is what the user can do something about."""
    import numpy as np

    from visioncheck.correction.words import Line

    across, down = 100 * (found.print_scale - 1)
    local = float(np.linalg.norm(found.local_mm, axis=1).max())
    known = 100 * 2 * found.scale_u_rel
    lines = [
        Line("Print", f"{across:+.2f} % across, {down:+.2f} % down (scale known to ± {known:.2g} %)"),
        Line("", f"corners off square by {abs(found.shear_deg):.3f}°; rest at most {local:.2f} mm"),
        Line("Lens", f"focal length {found.lens.f_px:.1f} ± {2 * found.lens_u[0]:.1f} px, {_beyond(found)}"),
        Line("Points", f"{len(found.index)} surveyed, residual {found.residual_px:.3f} px"),
        Line(
            "Photos",
            f"tilted {found.tilts_deg.min():.0f}° to {found.tilts_deg.max():.0f}°; the sheet's own right angles are"
            f" known to ± {2 * found.angle_u_deg:.4f}°",
        ),
    ]
    if local > _PRINTED_FLAT_MM:
        lines.append(Line("Note", "the print is uneven; it is measured and allowed for, but glue the sheet down flat"))
    if rig.ruled_mm is None:
        lines.append(
            Line("Note", "lengths rest on the page as laid out; give --ruled for lengths to trust (angles need none)")
        )
    if found.advice:
        lines.append(Line("Better", found.advice))
    return lines


def _beyond(found: Survey) -> str:
    """Say what the lens does beyond the usual model."""
    parts = []
    if found.lens.smooth.shape[1]:
        parts.append("a smooth correction beyond the usual distortion")
    if any(found.lens.lateral):
        blue, _, red = (1e6 * rate for rate in found.lens.lateral)
        parts.append(f"colour fringes (blue {blue:+.0f}, red {red:+.0f} millionths of the radius)")
    return " and ".join(parts) if parts else "usual distortion"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(survey)
