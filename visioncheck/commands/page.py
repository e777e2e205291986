"""``visioncheck page``: a page for the phone at the saw."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from visioncheck.errors import UserError


def page(
    log: Annotated[Path, typer.Option(metavar="LOG", help="The log's folder; made where there is none.")],
    lan: Annotated[
        bool, typer.Option("--lan", help="Let phones on the network in; otherwise this computer alone.")
    ] = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="With --lan: not encrypted; then browsers give no view of the camera.")
    ] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")] = 8765,
    address: Annotated[
        str | None, typer.Option(metavar="IP", help="With --lan: this computer's address, where it has several.")
    ] = None,
    sleds: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Folder of sled files; LOG/sleds if not said.")
    ] = None,
    rigs: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Folder of rig files; LOG/rigs if not said.")
    ] = None,
    new_address: Annotated[
        bool, typer.Option("--new-address", help="Make a new secret address; phones that know the old one are out.")
    ] = False,
) -> None:
    """Serve a page for the phone: take the photo at the saw, get the answer there."""
    try:
        from visioncheck.page.serve import serve
    except ModuleNotFoundError as missing:
        if str(missing.name).startswith("visioncheck"):
            raise
        raise UserError(
            f"The page needs packages that are not installed ({missing.name}); install them with:"
            " pip install 'visioncheck[page]'"
        ) from None
    for option, folder in (("--sleds", sleds), ("--rigs", rigs)):
        if folder is not None and not folder.is_dir():
            raise UserError(f"{option} {folder} is no folder; make it, or name another")
    serve(
        log,
        lan=lan,
        plain=plain,
        address=address,
        port=port,
        sleds=sleds or log / "sleds",
        rigs=rigs or log / "rigs",
        new_address=new_address,
    )


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(page)
