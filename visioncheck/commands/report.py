"""``visioncheck report``: the sleds of a log on one page to read, keep and print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError


def report(
    log: Annotated[Path, typer.Argument(metavar="LOG", help="The log's folder.")],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="REPORT.html", help="The page to write.")] = Path(
        "report.html"
    ),
    sled: Annotated[str | None, typer.Option(metavar="NAME", help="This sled alone.")] = None,
) -> None:
    """Write a report on the sleds of a log: one HTML file with pictures, charts and corrections, worst first."""
    if output.suffix.lower() not in {".html", ".htm"}:
        raise UserError(f"{output} must end in .html.")

    from visioncheck.commands.log import say_passed_over
    from visioncheck.files import refuse_overwriting, write_text
    from visioncheck.log.store import Log
    from visioncheck.present.report_page import report_page

    refuse_overwriting({"--output": output}, [log / "log.sqlite", log / "records.txt"])
    with Log.open(log, readonly=True) as open_log:
        page = report_page(open_log, sled)
    write_text(output, page)
    say_passed_over(open_log)
    typer.echo(f"Wrote {output}.")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(report)
