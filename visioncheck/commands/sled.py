"""``visioncheck sled``: write a commented sled file by asking."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import UserError
from visioncheck.files import refuse_idle

if TYPE_CHECKING:
    from visioncheck.sled.write import Answers

# key of the answers: how it is asked
_QUESTIONS = {
    "name": "What do you call this sled",
    "tolerance": "Largest fence error you can live with (such as 0.005in/ft or 0.3mm/m; work: from what you build)",
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
    mitre: Annotated[str | None, typer.Option(help="Set off square on purpose by: 45deg, 22.5deg")] = None,
    forward: Annotated[
        str | None, typer.Option(help="With --mitre: its end that stands forward, left or right")
    ] = None,
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
    from visioncheck.sled.write import refuse_existing, write_sled

    refuse_existing(path)
    given = {
        "name": name, "tolerance": tolerance, "fence_side": fence_side, "pivot": pivot, "fence_length": fence_length,
        "adjuster_distance": adjuster_distance, "mitre": mitre, "forward": forward,
        "kind": kind, "leaves": leaves, "pitch": pitch,
        "clockwise": clockwise, "kerf": kerf, "tip_width": tip_width, "piece_side": piece_side,
    }  # fmt: skip
    given["kind"] = _adjuster_kind(given)
    if (mitre is None) != (forward is None):
        raise UserError("--mitre and --forward belong together; give both, or none for a square sled")
    written = write_sled(path, _answers(units, given, asking=not defaults))
    typer.echo(f"Wrote {path}: {written.name}, {written.pivot} end stays, {written.moving_end} end moves.")


def _adjuster_kind(given: dict[str, str | None]) -> str | None:
    """Take what moves the fence from the options about it, where it is not said; refuse what belongs to the other."""
    told = {kind: [f"--{key}" for key in about if given[key] is not None] for kind, about in _ABOUT.items()}
    named = [kind for kind, options in told.items() if options]
    kind = given["kind"] or (named[0] if len(named) == 1 else None)
    if kind is None and named:
        options = " and ".join(option for options in told.values() for option in options)
        raise UserError(f"{options} belong to different means; say which moves the fence with --kind shims or screw")
    for other, idle in told.items():
        if kind in _ABOUT and other != kind:
            refuse_idle(dict.fromkeys(idle, other), f"on a fence that is moved by {kind}")
    return kind


def _answers(units: str | None, given: dict[str, str | None], *, asking: bool) -> Answers:
    from visioncheck.sled.file import parse_sled
    from visioncheck.sled.write import default_answers, sled_text

    answers = default_answers(units or "mm")
    if units is None and asking:
        answers = default_answers(_ask(answers, "units", "Inches or millimetres: in or mm").units)
    for key, said in given.items():
        answers = answers if said is None else _with(answers, key, said)
    parse_sled(sled_text(answers), "the options")  # before asking: no answer could mend a wrong option
    for questions in (_QUESTIONS, _ABOUT["shims"] | _ABOUT["screw"], _LAST):
        for key, question in questions.items():
            if asking and given[key] is None and key in _QUESTIONS | _LAST | _ABOUT.get(answers.kind, {}):
                answers = _ask(answers, key, question)
    return answers


def _ask(answers: Answers, key: str, question: str) -> Answers:
    """Ask until the answer makes a sled; a slip costs one line, not the whole conversation."""
    from visioncheck.sled.file import parse_sled
    from visioncheck.sled.write import sled_text

    usual = getattr(answers, key)
    shown = ", ".join(usual) if key == "leaves" else usual
    while True:
        said = str(typer.prompt(question, default=shown))
        try:
            by_work = key == "tolerance" and said.strip().lower() == "work"
            asked = _from_work(answers) if by_work else _with(answers, key, said)
            parse_sled(sled_text(asked), "that answer")
        except UserError as problem:
            typer.echo(f"{problem}")
        else:
            return asked


def _from_work(answers: Answers) -> Answers:
    """Ask for the largest piece of work, and take the tolerance from it."""
    from dataclasses import replace

    import visioncheck
    from visioncheck.present.work import format_accepted, format_work, tolerance_text
    from visioncheck.work.asked import WORK_KINDS, sizes_of, usual_gap_mm

    kind = str(typer.prompt(f"What do you build: {', '.join(WORK_KINDS)}", default="drawer")).strip().lower()
    sizes = {name: str(typer.prompt(f"  {about[0].upper()}{about[1:]}")) for name, about in sizes_of(kind).items()}
    usual = f"{usual_gap_mm('in') / 25.4:g}in" if answers.units == "in" else f"{usual_gap_mm('mm'):g}mm"
    gap = str(typer.prompt("  Largest gap that you accept in its joints", default=usual))
    found = visioncheck.tolerance(kind, gap=gap, **sizes)  # type: ignore[arg-type]
    text = tolerance_text(found.tolerance_deg, "in" if answers.units == "in" else "mm")
    typer.echo(f"That asks for {text}. More about it: visioncheck tolerance {kind} --help")
    units = found.units
    return replace(
        answers, tolerance=text, work=f"{format_work(found.asked.work, units)}, {format_accepted(found.asked, units)}"
    )


def _with(answers: Answers, key: str, said: str) -> Answers:
    from dataclasses import replace

    if key == "leaves":
        return replace(answers, leaves=tuple(leaf.strip() for leaf in said.split(",") if leaf.strip()))
    changed: dict[str, Any] = {key: said.strip()}
    return replace(answers, **changed)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(sled)
