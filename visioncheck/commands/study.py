"""``visioncheck study``: how well readings repeat, by analysis of variance."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError

_USUAL_TOLERANCE = "0.3mm/m"


def study(
    readings: Annotated[
        Path, typer.Option(metavar="CSV", help="Table of fence errors: piece,person,value in degrees.")
    ],
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="Take the tolerance from this sled.")] = None,
    tolerance: Annotated[str | None, typer.Option(help=f"0.005in/ft, 0.3mm/m; {_USUAL_TOLERANCE} if not said.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Study how well repeated readings of several pieces agree, and how many to average."""
    import json

    from visioncheck.correction.terminal import print_report
    from visioncheck.fence.study import gauge_study
    from visioncheck.fence.study_words import read_readings, study_json, study_lines

    limit_deg = _tolerance(sled, tolerance)
    result = gauge_study(read_readings(readings))
    if as_json:
        typer.echo(json.dumps(study_json(result, limit_deg), indent=2))
    else:
        print_report("Repeatability study", study_lines(result, limit_deg), cautions=False)


def _tolerance(sled: Path | None, tolerance: str | None) -> float:
    from visioncheck.correction.sled import load_sled
    from visioncheck.units import deg_from_slope, parse_slope

    if sled and not tolerance:
        return load_sled(sled).tolerance_deg
    limit = deg_from_slope(parse_slope(tolerance or _USUAL_TOLERANCE))
    if not limit > 0:
        raise UserError("--tolerance must be larger than nothing; write for example 0.005in/ft or 0.3mm/m")
    return limit


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(study)
