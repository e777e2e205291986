"""The blade against the sled's travel, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.fence.travel import rear_aside
from visioncheck.present.line import LabelledLine
from visioncheck.units import format_run, format_small

if TYPE_CHECKING:
    from visioncheck.fence.travel import Travel
    from visioncheck.quantity import Quantity
    from visioncheck.units import UnitWorld

_BLADE_MM = 250.0
"""Over which a heel is said where the blade's size is not known (a ten-inch blade has 254 mm)."""
TRAVEL_CAUTIONS = (
    "Unplug the saw before you touch blade, bars or trunnions; lift a board off only when the blade stands still.",
    "The saw's manual says how its blade or table is turned, and what has to be checked afterwards.",
)
_PLAN = (
    "cut a slot some 100 mm (4 in) deep into a board, stop the saw there and lift the board off when the blade stands;"
    " turn the board end for end and do the same from its other end; then a third one, pulled back as you would"
)


def travel_lines(travel: Travel, units: UnitWorld) -> list[LabelledLine]:
    """Say what slots tell of heel, play, run-out and the path, what they leave open, and what to do."""
    lines = [LabelledLine("Heel", _format_heel(travel, units))]
    if travel.board is not None:
        size = f"{travel.board.value:+.3f} ± {travel.board.expanded():.3f}°"
        lines.append(
            LabelledLine("Board", f"{size} of the tapers belongs to the sheet or the board, and has cancelled")
        )
    if travel.play is not None:
        lines.append(LabelledLine("Play", _format_play(travel.play, units)))
    if travel.run_out is not None:
        lines.append(LabelledLine("Run-out", _format_run_out(travel.run_out, units)))
    if travel.path is not None:
        lines.append(LabelledLine("Path", _format_path(travel.path, units)))
    if travel.rougher:
        said = f"the {travel.rougher} one is the rougher, so the rear of the blade stands towards it"
        lines.append(LabelledLine("Walls", f"{said}; torn grain does the same" if not travel.heel_shows else said))
    lines.append(LabelledLine("Do", _format_advice(travel)))
    missing = [
        name for name, seen in (("from the other end", travel.board), ("pulled back", travel.play)) if seen is None
    ]
    if missing:
        lines.append(LabelledLine("Plan", f"a slot {' and one '.join(missing)} would tell more: {_PLAN}"))
    return [*lines, *(LabelledLine("Caution", caution) for caution in TRAVEL_CAUTIONS)]


def _format_heel(travel: Travel, units: UnitWorld) -> str:
    heel = travel.heel
    size = f"{abs(heel.value):.3f} ± {heel.expanded():.3f}°"
    if travel.heel_shows:
        aside = _small(rear_aside(heel, _BLADE_MM), units)
        return f"{size}: the rear of a blade of {format_run(_BLADE_MM, units)} stands {aside} aside of its front"
    if heel.value < -heel.expanded():
        return (
            f"none: the slot is wider at its inner end by {size}, which no heel does; the work crept, or was not lifted"
            " straight"
        )
    return f"does not show within ± {heel.expanded():.3f}°"


def _format_play(play: Quantity, units: UnitWorld) -> str:
    if play.value > play.expanded():
        return f"pulled back, the slot is {_small(play, units)} wider: so much the sled moves aside in its bars"
    return f"does not show within ± {format_small(play.expanded(), units)}"


def _format_run_out(run_out: Quantity, units: UnitWorld) -> str:
    if run_out.value > run_out.expanded():
        return f"its inner end is {_small(run_out, units)} wider than the teeth: run-out, flutter or flex of the blade"
    return f"none shows beyond ± {format_small(run_out.expanded(), units)}"


def _format_path(path: Quantity, units: UnitWorld) -> str:
    if abs(path.value) <= path.expanded():
        return f"straight within ± {format_small(path.expanded(), units)}"
    side = "right" if path.value > 0 else "left"
    size = _small(path.scaled(1.0 if path.value > 0 else -1.0, "mm"), units)
    return f"both walls bow to the {side} by {size}: bars that are not straight or are loose, or work that crept"


def _small(quantity: Quantity, units: UnitWorld) -> str:
    value, unit = format_small(quantity.value, units).split(" ")
    return f"{value} ± {format_small(quantity.expanded(), units).split(' ')[0]} {unit}"


def _format_advice(travel: Travel) -> str:
    if travel.heel_shows:
        return (
            "unplug the saw and turn the blade (or the sled's bars against it) until one tooth, turned by hand from the"
            " front to the rear, stands alike to the sled's travel; then cut and measure fresh slots"
        )
    if travel.play is not None and travel.play.value > travel.play.expanded():
        return "take the play out of the bars before anything else: it hides what the blade does"
    return "leave the blade as it is: no heel shows"
