"""A log to look at: three invented sleds over some months, from the fixtures' photos and simulated callipers."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from visioncheck.api.pieces import compute
from visioncheck.api.results import draft_entry
from visioncheck.api.survey import survey
from visioncheck.errors import InputError
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, RigFile, SledFile, read_rig, read_sled
from visioncheck.quantity import Quantity
from visioncheck.units import slope_from_deg

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from visioncheck.log.entry import EntryDraft
    from visioncheck.log.store import Log

_RULED_MM = 310.5  # as the fixtures' own notes say
_SURVEY_PHOTOS = 8
_START = datetime(2026, 1, 10, 10, 0, tzinfo=UTC)
_SEED = 20260110
# a strip's length between the two places measured, its width at the front end, and how callipers scatter
_LENGTH_MM, _FRONT_MM, _SCATTER_MM = 300.0, 30.0, 0.02
_CUTS, _MULTIPLE = 5, 4
_SIMULATED = "simulated calliper readings"
_COMPUTED = "computed photo"


@dataclass(frozen=True)
class Step:
    """One reading in a sled's story: of a photo, or of callipers that read a fence error of `error_deg`."""

    week: int
    error_deg: float = 0.0
    photo: str = ""
    told: PieceOptions = field(default_factory=PieceOptions)
    adjusted: str = ""


def _typed(*readings: tuple[int, float]) -> tuple[Step, ...]:
    return tuple(Step(week, error_deg) for week, error_deg in readings)


# What happens to each sled. The photos' fence errors are what they are (0.085°, 0.093°, −0.041° and 0.015° in
# truth); the simulated readings lead up to them.
STORIES: dict[str, tuple[Step, ...]] = {
    "alder-lane": (
        *_typed((0, 0.002), (1, 0.003), (3, 0.001), (5, 0.004), (7, 0.018), (9, 0.035), (11, 0.052), (13, 0.071)),
        Step(15, photo="corner-2.jpg"),
        Step(16, photo="panel-2.jpg", told=PieceOptions(piece="panel")),
        Step(16, -0.002, adjusted="1 turn of the adjusting screw anticlockwise"),
        *_typed((17, -0.001), (18, -0.003), (20, -0.001), (22, -0.002), (23, -0.002)),
    ),
    "harbour-shed": (
        *_typed((2, -0.001), (4, -0.002), (6, -0.004), (8, -0.012), (10, -0.019), (13, -0.027), (16, -0.034)),
        Step(19, photo="strip-1.jpg", told=PieceOptions(Quantity(12.3, 0.3, "mm"), "strip", "left", _CUTS)),
    ),
    "quince-yard": (
        *_typed((4, 0.058), (8, 0.060), (12, 0.059), (17, 0.061), (21, 0.060)),
        Step(22, photo="corner-1.jpg", adjusted="5/16 turn of the adjusting screw clockwise"),
    ),
}


def build_demo(log: Log, fixtures: Path, rig_path: Path, say: Callable[[str], None]) -> None:
    """Fill a new log with the stories: photos measured for real, the rest simulated and marked so.

    Parameters
    ----------
    log : Log
        A new log, open for writing.
    fixtures : Path
        The folder of the repository's fixtures.
    rig_path : Path
        Where to write the rig.
    say : callable
        Told what is being done, one line each.

    Raises
    ------
    UserError
        The fixtures are not there, or something cannot be written.
    """
    photos = fixtures / "photos" / "light-a4"
    say(f"Surveying the phone and its printed sheet from {_SURVEY_PHOTOS} photos.")
    rig = _survey([photos / f"survey-{k}.jpg" for k in range(1, _SURVEY_PHOTOS + 1)], rig_path)
    for name, steps in STORIES.items():
        sled = read_sled(fixtures / "sleds" / f"{name}.toml")
        measured = sum(bool(step.photo) for step in steps)
        say(f"{sled.sled.name}: measuring {measured} photo(s), simulating {len(steps) - measured} readings.")
        chance = random.Random(f"{_SEED} {name}")  # noqa: S311 - a story, not a secret
        for number, step in enumerate(steps):
            time = _START + timedelta(weeks=step.week, minutes=30 * number)
            if step.photo:
                asked = MeasureRequest(photos / step.photo, sled_file=sled, rig_file=rig, options=step.told)
                outcome = measure_piece(asked)
                attach_outcome(log, outcome, note=_COMPUTED, adjusted=step.adjusted, time=time)
            else:
                log.attach(_simulated(step, sled, chance, time))


def require_fixtures(fixtures: Path) -> None:
    """Say where the demo's photos can be had, when they are not there.

    Raises
    ------
    UserError
        They are not there.
    """
    if not (fixtures / "photos" / "light-a4" / "survey-1.jpg").is_file():
        raise InputError(
            "fixtures",
            f"The demo's photos are not in {fixtures}: they come with visioncheck's source folder, not with the "
            "installed package; say where its fixtures are with <fixtures>.",
        )


def _survey(paths: list[Path], rig_path: Path) -> RigFile:
    return read_rig(survey(paths, ruled=f"{_RULED_MM}mm").save(rig_path))


def _simulated(step: Step, sled: SledFile, chance: random.Random, time: datetime) -> EntryDraft:
    """Reckon widths of a strip as callipers would have read them, through the arithmetic of every typed reading."""
    rear_mm = _FRONT_MM + _LENGTH_MM * slope_from_deg(_MULTIPLE * step.error_deg)
    found = compute(
        sled=sled,
        cuts=_CUTS,
        rear=f"{chance.gauss(rear_mm, _SCATTER_MM):.2f}mm",
        front=f"{chance.gauss(_FRONT_MM, _SCATTER_MM):.2f}mm",
        length=f"{_LENGTH_MM:.0f}mm",
    )
    return replace(draft_entry(found, note=_SIMULATED, adjusted=step.adjusted), time=time)
