"""Two cuts of one board, and how straight a fence is: in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.fence.straightness import rock_deg
from visioncheck.present.line import LabelledLine
from visioncheck.reading.model import is_curved
from visioncheck.units import format_run, format_small

if TYPE_CHECKING:
    from visioncheck.fence.straightness import FenceBow
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import EdgeReading, StraightReading, TwoCuts
    from visioncheck.units import UnitWorld

_HOW = {
    "end for end": "the board turned over end for end, the same edge on the fence",
    "second edge": "the board's other edge on the fence",
}


def two_cuts_lines(how: str, first: Quantity, second: Quantity, seat: Quantity) -> list[LabelledLine]:
    """Say what each cut alone would have said, and what the board's edge has in it."""
    each = f"{first.value:+.3f} ± {first.expanded():.3f}° and {second.value:+.3f} ± {second.expanded():.3f}°"
    lines = [LabelledLine("Two cuts", f"{_HOW[how]}; each alone says {each}")]
    shows = abs(seat.value) > seat.expanded()
    size = f"{abs(seat.value):.3f} ± {seat.expanded():.3f}°"
    if how == "end for end":
        turned = f"makes the board lie turned by {size} on the fence"
        said = turned if shows else f"does not show within ± {seat.expanded():.3f}°"
        return [*lines, LabelledLine("Its edge", f"that it is not straight {said}; the fence's error is free of it")]
    if shows:
        said = (
            f"the two edges differ by twice {size}, so one of them or both are not straight, and which does not show;"
            " the ± holds if one of them is: cut once more with the board turned over end for end, or joint both edges"
        )
    else:
        said = f"the two agree within ± {2 * seat.expanded():.3f}°, so neither edge is at fault by more"
    return [*lines, LabelledLine("Edges", said)]


def reading_of_two_cuts(cuts: TwoCuts) -> list[LabelledLine]:
    """Say a photo's two cuts."""
    return two_cuts_lines(cuts.how, cuts.first, cuts.second, cuts.seat)


def reference_lines(edge: EdgeReading, error: Quantity, units: UnitWorld) -> list[LabelledLine]:
    """Say what a bow of the edge at the fence means for one cut; nothing where it does not matter beside the ±."""
    rock = rock_deg(edge.bow, edge.length_mm)
    if abs(edge.bow.value) <= 3 * edge.bow.u or not (is_curved(edge.bow) or rock > error.expanded()):
        return []
    size = f"{format_small(abs(edge.bow.value), units)} ± {format_small(edge.bow.expanded(), units)}"
    over = format_run(edge.length_mm, units)
    if rock:
        said = f"bulges by {size} over {over}: on a straight fence the board can roll by ± {rock:.3f}° on it"
    else:
        said = f"is hollow by {size} over {over}: an offcut of a longer board has another direction than the whole edge"
    return [LabelledLine("Its edge", f"the one at the fence {said}; two cuts of a board tell it apart")]


def straight_lines(straight: StraightReading | FenceBow, units: UnitWorld, other: str = "") -> list[LabelledLine]:
    """Say how straight a fence is."""
    bow, over = straight.bow, format_run(straight.length_mm, units)
    doubt = format_small(bow.expanded(), units)
    if abs(bow.value) <= bow.expanded():
        said = f"straight within ± {doubt} over {over}"
    else:
        way = "hollow: its middle stands back from" if bow.value > 0 else "bulging: its middle stands towards"
        size = format_small(abs(bow.value), units).split(" ")[0]
        said = f"{size} ± {doubt} over {over}, {way} the work"
    lines = [LabelledLine("Fence's bow", said)]
    if straight.sheet is not None:
        sheet = f"{format_small(straight.sheet.value, units)} ± {format_small(straight.sheet.expanded(), units)}"
        beside = f" ({other})" if other else ""
        lines.append(LabelledLine("Reversal", f"the sheet's own bow there, {sheet}, has cancelled{beside}"))
    return lines
