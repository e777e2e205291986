"""A short report on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from visioncheck.present.cautions import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.present.line import LabelledLine


def print_report(title: str, lines: Sequence[LabelledLine], *, cautions: bool, console: Console | None = None) -> None:
    """Print labelled lines under a title; the cautions once, below, where something is to be done at the saw."""
    console = console or Console(highlight=False)
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")  # a long path is broken, not cut
    for line in lines:
        table.add_row(Text(line.label), Text(line.text))
    console.print(Text(title, style="bold"))
    console.print(table)
    if cautions:
        console.print()
        for caution in CAUTIONS:
            console.print(Text(f"! {caution}", style="yellow"))
