"""``visioncheck sled``: write a commented sled file by asking."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

    from visioncheck.correction.write_sled import Answers

# key of the answers: how it is asked
_QUESTIONS = {
    "name": "What do you call this sled",
    "tolerance": "Largest fence error you can live with (such as 0.005in/ft or 0.3mm/m)",
    "fence_side": "Where is the fence: rear (between you and the work) or front",
    "pivot": "Which end of the fence stays when you adjust it: left or right",
    "fence_length": "Length of the fence",
    "adjuster_distance": "Distance from the pivot to the place where you move the fence",
    "kind": "What moves it: shims (feeler leaves against a stop) or screw",
}
_ABOUT = {
    "shims": {"leaves": "Leaves you own, with commas between"},
    "screw": {
        "pitch": "Travel of the screw in one turn",
        "clockwise": "A clockwise turn moves the fence there: forward or back",
    },
}
_LAST = {
    "kerf": "Width of the blade's cut, as measured",
    "tip_width": "Width over the teeth, as the blade is marked",
    "piece_side": "Side of the blade that you keep test pieces from: left or right",
}


def sled(
    path: Annotated[Path, typer.Argument(metavar="NEW.toml", help="File to write; never written over.")],
    units: Annotated[str | None, typer.Option(help="in or mm")] = None,
    name: Annotated[str | None, typer.Option(help="What you call the sled")] = None,
    tolerance: Annotated[str | None, typer.Option(help="0.005in/ft, 0.3mm/m")] = None,
    fence_side: Annotated[str | None, typer.Option(help="rear or front")] = None,
    pivot: Annotated[str | None, typer.Option(help="The end that stays: left or right")] = None,
    fence_length: Annotated[str | None, typer.Option(help="Length of the fence")] = None,
    adjuster_distance: Annotated[str | None, typer.Option(help="From the pivot to the adjuster")] = None,
    kind: Annotated[str | None, typer.Option(help="What moves the fence: shims or screw")] = None,
    leaves: Annotated[str | None, typer.Option(help="Leaves you own, with commas between")] = None,
    pitch: Annotated[str | None, typer.Option(help="Travel of the screw in one turn")] = None,
    clockwise: Annotated[str | None, typer.Option(help="A clockwise turn moves the fence: forward or back")] = None,
    kerf: Annotated[str | None, typer.Option(help="Width of the blade's cut")] = None,
    tip_width: Annotated[str | None, typer.Option(help="Width over the teeth")] = None,
    piece_side: Annotated[str | None, typer.Option(help="Side that test pieces are kept from")] = None,
    defaults: Annotated[bool, typer.Option("--defaults", help="Ask nothing; usual answers for the rest.")] = False,
) -> None:
    """Write a commented description of your crosscut sled, by asking."""
    from visioncheck.correction.write_sled import refuse_existing, write_sled

    refuse_existing(path)
    given = {
        "name": name, "tolerance": tolerance, "fence_side": fence_side, "pivot": pivot, "fence_length": fence_length,
        "adjuster_distance": adjuster_distance, "kind": kind, "leaves": leaves, "pitch": pitch,
        "clockwise": clockwise, "kerf": kerf, "tip_width": tip_width, "piece_side": piece_side,
    }  # fmt: skip
    answers = _answers(units, given, (lambda _, usual: usual) if defaults else _ask)
    written = write_sled(path, answers)
    typer.echo(f"Wrote {path}: {written.name}, {written.pivot} end stays, {written.moving_end} end moves.")


def _ask(question: str, usual: str) -> str:
    return str(typer.prompt(question, default=usual)).strip()


def _answers(units: str | None, given: dict[str, str | None], ask: Callable[[str, str], str]) -> Answers:
    from dataclasses import replace

    from visioncheck.correction.write_sled import default_answers

    units = units or ask("Inches or millimetres: in or mm", "mm")
    usual = default_answers(units)

    def answer(questions: dict[str, str]) -> dict[str, str]:
        shown = {key: ", ".join(usual.leaves) if key == "leaves" else getattr(usual, key) for key in questions}
        return {key: given[key] or ask(question, shown[key]) for key, question in questions.items()}

    answers = answer(_QUESTIONS)
    answers |= answer(_ABOUT.get(answers["kind"], {}))
    answers |= answer(_LAST)
    leaves = answers.pop("leaves", "")
    owned = tuple(leaf.strip() for leaf in leaves.split(",") if leaf.strip())
    return replace(usual, leaves=owned or usual.leaves, **answers)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(sled)
