"""``visioncheck demo``: a log of invented sleds to look at, and its report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError

# beside the package in a checkout; an installed package has none
_FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new or empty folder for log and report.")],
    fixtures: Annotated[
        Path, typer.Option(metavar="FOLDER", help="The fixtures of visioncheck's source.", show_default=False)
    ] = _FIXTURES,
) -> None:
    """Build a log of three invented sleds from the example photos, and its report: a look at everything in a minute."""
    _require_empty(folder)

    from visioncheck.demo import build_demo, require_fixtures
    from visioncheck.files import write_whole
    from visioncheck.log.store import Log
    from visioncheck.report.sleds import report_page

    require_fixtures(fixtures)
    log, report = folder / "log", folder / "report.html"
    with Log.open(log, create=True) as open_log:
        build_demo(open_log, fixtures, folder / "rig.json", typer.echo)
        write_whole(report, report_page(open_log).encode())
    typer.echo(f"The log is {log}; try: visioncheck log trend {log}")
    typer.echo(f"Open the report in a browser: {report.resolve()}")


def _require_empty(folder: Path) -> None:
    try:
        found = next(folder.iterdir(), None) if folder.exists() else None
    except OSError as error:
        raise UserError(f"{folder} cannot be used ({error.strerror}); name a new folder for the demo.") from error
    if found is not None:
        raise UserError(f"{folder} is not empty ({found.name}); name a new folder for the demo.")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(demo)
