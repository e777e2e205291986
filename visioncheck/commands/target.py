"""`visioncheck target`: the sheets to print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def target(
    paper: Annotated[str, typer.Option(help="a4, letter, a3 or tabloid.")] = "a4",
    field: Annotated[str, typer.Option(help="light, or dark for pale workpieces.")] = "light",
    sheets: Annotated[int, typer.Option(help="How many sheets lie side by side, 1 to 7.")] = 1,
    output: Annotated[Path, typer.Option("-o", "--output", help="Folder for the PDFs.")] = Path(),
) -> None:
    """Write the target's sheets and the piece tags as PDFs to print at 100 %."""
    from visioncheck.errors import UserError
    from visioncheck.files import refuse_overwriting, write_whole
    from visioncheck.printed.draw import draw_sheets, draw_tags
    from visioncheck.printed.layout import PAPERS, SHEETS, target_layout

    if paper not in PAPERS:
        raise UserError(f"--paper {paper!r} is not known; choose one of {', '.join(PAPERS)}")
    if field not in {"light", "dark"}:
        raise UserError(f"--field {field!r} is not known; choose light or dark")
    if not 1 <= sheets <= SHEETS:
        raise UserError(f"--sheets {sheets} is not possible; choose 1 to {SHEETS}")
    sheets_pdf, tags_pdf = output / f"{paper}-{field}.pdf", output / f"tags-{paper}.pdf"
    refuse_overwriting({"--output": sheets_pdf, "the tags in --output": tags_pdf}, [])
    write_whole(sheets_pdf, draw_sheets(target_layout(paper), "dark" if field == "dark" else "light", sheets))
    typer.echo(f"wrote {sheets_pdf}")
    write_whole(tags_pdf, draw_tags(PAPERS[paper]))
    typer.echo(f"wrote {tags_pdf}")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(target)
