"""Options that several commands have alike."""

from __future__ import annotations

from typing import Annotated

import typer

CutEdge = Annotated[
    str | None, typer.Option(help="Of a bevel: the cut, as the picture shows it: top, bottom, left, right.")
]
Nominal = Annotated[
    str | None,
    typer.Option(help="The angle that the cut should have made with the edge at the fence: 45, 67.5; else the sled's."),
]
Frame = Annotated[
    int | None,
    typer.Option(metavar="N", help="The gap is the last joint of a mitred frame of N sides, the others tight."),
]
FrameCuts = Annotated[int | None, typer.Option(help="With --frame: its mitre cuts, where they are not two a side.")]
AtFence = Annotated[
    str | None, typer.Option(help="With --frame: the edge of its pieces that was on the fence, outer or inner.")
]
Slot = Annotated[
    int | None,
    typer.Option(
        min=1,
        metavar="N",
        help="Of a board with several slots: which, counted from the left of the picture, or from its top where they"
        " lie one below the other.",
    ),
]
Edges = Annotated[
    str | None,
    typer.Option(
        metavar="a,b",
        help="Of a corner: its edge at the fence and the fresh cut, by their letters in the picture; for work of any"
        " shape.",
    ),
]
