"""`visioncheck measure`: from photos to angles, fence error and correction."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from visioncheck.errors import Refusal, UserError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from visioncheck.correction.correct import Correction
    from visioncheck.correction.sled import Sled
    from visioncheck.measure import Measured

_PIECES = ("corner", "panel", "strip")
_WAYS = ("top", "bottom", "left", "right")
# a typed thickness is taken as good to ±0.5 mm, any value alike: u = 0.5/√3 (JCGM 100:2008, 4.3.7)
_U_THICKNESS_MM = 0.29
_SOME_REFUSED, _ALL_REFUSED = 1, 2


@dataclass(frozen=True)
class _Outcome:
    """What became of one photo: a reading, or the reason why not."""

    path: Path
    measured: Measured | None = None
    correction: Correction | None = None
    problem: UserError | None = None


def measure(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of a test piece on the target.")],
    rig: Annotated[Path | None, typer.Option(metavar="RIG.json", help="What visioncheck survey wrote.")] = None,
    sled: Annotated[Path | None, typer.Option(metavar="SLED.toml", help="The sled to correct.")] = None,
    thickness: Annotated[str | None, typer.Option(help="Of the piece, where it has no tag: 18mm, 3/4in.")] = None,
    piece: Annotated[str | None, typer.Option(help="corner, panel or strip; otherwise told by its shape.")] = None,
    fence_edge: Annotated[
        str | None,
        typer.Option(help="Edge (or strip end) at the fence as the picture shows it: top, bottom, left, right."),
    ] = None,
    cuts: Annotated[
        int | None, typer.Option(min=2, help="Successive cuts behind a strip, 5 all round a panel.")
    ] = None,
    picture: Annotated[Path | None, typer.Option(metavar="OUT.png", help="Write the annotated picture.")] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Show where the uncertainty comes from.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Measure a test piece in photos: its angles, the fence error and the correction."""
    _check_choice("--piece", piece, _PIECES)
    _check_choice("--fence-edge", fence_edge, _WAYS)
    _check_picture(picture, photos)

    from visioncheck.camera.rig import load_rig
    from visioncheck.correction.sled import load_sled
    from visioncheck.measure import measure_photo
    from visioncheck.quantity import Quantity

    owner = load_sled(sled) if sled else None
    surveyed = load_rig(rig) if rig else None
    thick = Quantity(_thickness_mm(thickness, owner), _U_THICKNESS_MM, "mm") if thickness else None
    outcomes = [
        _measure_one(path, owner, lambda each: measure_photo(each, surveyed, thick, piece, owner, fence_edge, cuts))
        for path in _with_bar(photos)
    ]
    _draw(outcomes[0], picture, owner)
    if as_json:
        _say_json(outcomes, budget=budget)
    else:
        _say(outcomes, owner, budget=budget)
    for outcome in outcomes:
        if outcome.problem:
            typer.echo(f"visioncheck: {outcome.problem}", err=True)
    refused = sum(1 for outcome in outcomes if outcome.problem)
    if refused:
        raise typer.Exit(_ALL_REFUSED if refused == len(outcomes) else _SOME_REFUSED)


def _check_choice(option: str, value: str | None, choices: Sequence[str]) -> None:
    if value is not None and value not in choices:
        raise UserError(f"{option} {value!r} is not known; choose one of {', '.join(choices)}")


def _check_picture(picture: Path | None, photos: Sequence[Path]) -> None:
    """Everything that can be wrong with the output is said before the long work."""
    if picture is None:
        return
    if len(photos) > 1:
        raise UserError("--picture draws one photo; measure them one by one to get a picture of each")
    if picture.suffix.lower() != ".png":
        raise UserError(f"--picture {picture}: the picture is written as PNG; give it a name that ends in .png")
    if picture.resolve() == photos[0].resolve():
        raise UserError(f"--picture {picture} is the photo itself; choose another name")


def _thickness_mm(text: str, sled: Sled | None) -> float:
    from visioncheck.units import parse_length

    try:
        value = parse_length(text, sled.units if sled else None)
    except UserError as problem:
        raise UserError(f"--thickness: {problem}") from None
    if not 0 < value < 200:
        raise UserError(f"--thickness {text} is not a board's thickness; give it like 18mm or 3/4in")
    return value


def _with_bar(photos: Sequence[Path]) -> Iterator[Path]:
    if len(photos) == 1:
        yield photos[0]
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(photos, "Measuring", console=Console(stderr=True), transient=True)


def _measure_one(path: Path, sled: Sled | None, run: Callable[[Path], Measured]) -> _Outcome:
    from visioncheck.correction.correct import correct

    try:
        measured = run(path)
    except UserError as problem:
        return _Outcome(path, problem=problem)
    error = measured.reading.fence_error
    return _Outcome(path, measured, correct(error, sled) if error and sled else None)


def _draw(outcome: _Outcome, picture: Path | None, sled: Sled | None) -> None:
    if picture is None or outcome.measured is None:
        return
    from visioncheck.report.picture import draw_reading

    draw_reading(outcome.measured.photo, outcome.measured.reading, outcome.correction, picture, sled)


def _say_json(outcomes: Sequence[_Outcome], *, budget: bool) -> None:
    import json

    found = [_json_of(outcome, budget=budget) for outcome in outcomes]
    typer.echo(json.dumps(found[0] if len(found) == 1 else found, indent=2, ensure_ascii=False))


def _json_of(outcome: _Outcome, *, budget: bool) -> dict[str, Any]:
    from visioncheck.report.as_json import reading_json, refused_json

    if outcome.measured is None:
        code = outcome.problem.code if isinstance(outcome.problem, Refusal) else None
        return refused_json(outcome.path.name, str(outcome.problem), code)
    reading = outcome.measured.reading
    found = reading_json(reading, outcome.correction)
    return found | {"budget_deg": dict(reading.budget)} if budget else found


def _say(outcomes: Sequence[_Outcome], sled: Sled | None, *, budget: bool) -> None:
    from visioncheck.correction.terminal import print_report
    from visioncheck.report.lines import budget_lines, reading_lines

    last_corrected = max((k for k, outcome in enumerate(outcomes) if outcome.correction), default=None)
    for k, outcome in enumerate(outcomes):
        if outcome.measured is None:
            continue
        reading = outcome.measured.reading
        title = f"{sled.name}: {reading.photo}" if sled else reading.photo
        with_budget = budget and bool(reading.budget)
        # the cautions stand once, below everything
        print_report(title, reading_lines(reading, sled), cautions=k == last_corrected and not with_budget)
        if with_budget:
            print_report("Standard uncertainty by source", budget_lines(reading.budget), cautions=k == last_corrected)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(measure)
