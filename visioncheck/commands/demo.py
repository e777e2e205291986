"""``visioncheck demo``: a log of invented sleds to look at, and its report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

# beside the package in a checkout; an installed package has none
_FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new or empty folder for log and report.")],
    fixtures: Annotated[
        Path, typer.Option(metavar="FOLDER", help="The fixtures of visioncheck's source.", show_default=False)
    ] = _FIXTURES,
) -> None:
    """Build a log of three invented sleds from the example photos, and its report: a look at everything in a minute."""
    from visioncheck.demo import build_demo, require_fixtures
    from visioncheck.files import new_folder
    from visioncheck.log.store import Log
    from visioncheck.present.report_page import report_page

    require_fixtures(fixtures)
    with new_folder(folder) as made:
        with Log.open(made / "log", create=True) as log:
            build_demo(log, fixtures, made / "rig.json", typer.echo)
            page = report_page(log)
        (made / "report.html").write_bytes(page.encode())
    typer.echo(f"The log is {folder / 'log'}; try: visioncheck log trend {folder / 'log'}")
    typer.echo(f"Open the report in a browser: {(folder / 'report.html').resolve()}")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(demo)
