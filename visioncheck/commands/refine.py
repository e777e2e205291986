"""``visioncheck refine``: a rig that knows its sheet better, from the pieces that a log keeps."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError


def refine(
    rig: Annotated[Path, typer.Argument(metavar="RIG.json", help="What survey or refine wrote.")],
    log: Annotated[Path, typer.Argument(metavar="LOG", help="The log that keeps the pieces' photos.")],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="NEW.json", help="The refined rig file to write.")],
) -> None:
    """Refine a rig by the pairs (measure --turned) and four-cut panels that a log keeps of its sheet.

    They show by how much the print is out of square with the wood as the reference, however the phone was held. The
    given rig file and the readings in the log stay as they are.
    """
    from visioncheck.files import require_writable

    require_writable(output)
    if output.exists():
        raise UserError(f"-o {output} is there already; the refined rig is a file of its own, so give it a new name")

    from visioncheck.camera.rig import save_rig
    from visioncheck.log.store import Log
    from visioncheck.measuring.refine_rig import refine_by_log
    from visioncheck.measuring.request import read_rig
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.refined_lines import refined_lines
    from visioncheck.present.terminal import print_report

    file = read_rig(rig)
    with Log.open(log, readonly=True) as open_log:
        found = refine_by_log(open_log, file)
    save_rig(found.rig, output)
    lines = [*refined_lines(found, str(log)), LabelledLine("Rig file", str(output))]
    print_report(f"Refined rig, from {rig}", lines, cautions=False)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(refine)
