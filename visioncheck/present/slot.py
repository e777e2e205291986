"""A measured slot, or the gap between two halves: in lines."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from visioncheck.fence.of_frame import Frame
from visioncheck.present.assumed import PARALLEL_ONLY
from visioncheck.present.line import LabelledLine
from visioncheck.present.mitre import format_frame
from visioncheck.present.slot_causes import explain_slot
from visioncheck.results.slot import SIDES, WALLS, taper_per_100mm
from visioncheck.units import MM_PER_IN, format_length, format_small

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import Reading, SlotReading
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

TURNED_OVER = ", turned over"


def slot_lines(reading: Reading, slot: SlotReading, sled: Sled | None) -> list[LabelledLine]:
    """Say a slot's widths, taper and straightness, and what they tell of the saw; of a gap its wedge."""
    units: UnitWorld = sled.units if sled else "mm"
    middle = reading.widths[len(reading.widths) // 2]
    places = ", ".join(_width_at(each.at_mm, each.width, units) for each in reading.widths)
    lines = [
        LabelledLine("Width", f"{fine_length(middle.width, units)} in the middle"),
        LabelledLine("Along it", f"{places}, from its open end" if reading.piece == "slot" else places),
        LabelledLine("Wedge" if reading.piece == "gap" else "Taper", _taper(reading, slot, units)),
        *gap_lines(reading),
    ]
    if reading.piece == "slot":
        lines.append(LabelledLine("Depth", _depth(slot, units, told=reading.thickness is not None)))
    for edge, wall in zip(WALLS, slot.walls, strict=True):
        rough = f"rough by {format_small(wall.scatter_mm, units)} (rms)"
        label = wall_name(reading, edge).removesuffix(TURNED_OVER)
        lines.append(LabelledLine(f"{label[0].upper()}{label[1:]}", f"{_straightness(wall.bow, units)}, {rough}"))
    return lines + [LabelledLine("Says", sentence) for sentence in _sentences(reading, slot, sled)]


def gap_lines(reading: Reading) -> list[LabelledLine]:
    """Where a gap is open, and which half was turned over."""
    if reading.piece != "gap":
        return []
    lines = [LabelledLine("Open", format_open(reading))]
    if reading.last_joint and reading.taper:
        frame = Frame(reading.last_joint.sides, reading.last_joint.cuts)
        size = replace(reading.taper, value=abs(reading.taper.value))
        lines.append(LabelledLine("Frame", format_frame(frame.shares(size))))
    if reading.turned_half:
        lines.append(
            LabelledLine("Turned over", f"the {reading.turned_half} half, as they lay at the saw; {PARALLEL_ONLY}")
        )
    return lines


def format_open(reading: Reading) -> str:
    """Say at which end a gap is open, as the picture shows it and by the straightedge where that is known."""
    end, wedge = reading.open_end, reading.taper
    if end is None or wedge is None or not reading.ways:
        return ""
    where = f"at its {reading.ways[end]} end in the picture"
    if reading.last_joint:
        where += f", at the {reading.last_joint.opens} of the frame"
    if reading.fence_edge is not None:
        where += ", at the straightedge" if end == reading.fence_edge else ", away from the straightedge"
    return where if abs(wedge.value) > wedge.expanded() else f"{where}, but by less than the ±"


def wall_name(reading: Reading, edge: int) -> str:
    """Name a wall: a gap's by its half, as it lay at the saw where that is known, else by its side of the picture."""
    if reading.piece == "slot":
        return f"{SIDES[WALLS.index(edge)]} wall"
    if reading.left_half is None:
        part = "piece" if reading.last_joint else "half"
        return f"{reading.ways[edge]} {part}" if reading.ways else part
    side = "left" if edge == reading.left_half else "right"
    return f"{side} half{TURNED_OVER if side == reading.turned_half else ''}"


def fine_length(value: Quantity, units: UnitWorld) -> str:
    """Write a length to the micrometre, or to a tenth of a thou: ``2.946 ± 0.028 mm``."""
    if units == "in":
        return f"{value.value / MM_PER_IN:.4f} ± {value.expanded() / MM_PER_IN:.4f} in"
    return f"{value.value:.3f} ± {value.expanded():.3f} mm"


def _depth(slot: SlotReading, units: UnitWorld, *, told: bool) -> str:
    """What the picture says of the thickness that the width hangs on."""
    if slot.depth is not None:
        run, digits = (MM_PER_IN, 2) if units == "in" else (1.0, 1)
        size, doubt = (f"{x / run:.{digits}f}" for x in (slot.depth.value, slot.depth.expanded()))
        seen = f"a wall's side face shows {size} ± {doubt} {units} deep"
        return f"{seen}, which the thickness told allows" if told else f"{seen}; no thickness was told"
    run = MM_PER_IN / 10 if units == "in" else 1.0
    change = format_small(abs(slot.by_thickness) * run, units)
    step = format_length(run, units)
    return f"not seen, so nothing tests the thickness; {step} more would make the width {change} less"


def _straightness(bow: Quantity, units: UnitWorld) -> str:
    doubt = format_small(bow.expanded(), units)
    if abs(bow.value) <= bow.expanded():
        return f"no bow shows (± {doubt})"
    return f"bowed {format_small(abs(bow.value), units)} ± {doubt} into the {'wood' if bow.value > 0 else 'slot'}"


def _width_at(at_mm: float, width: Quantity, units: UnitWorld) -> str:
    if units == "in":
        return f"{width.value / MM_PER_IN:.4f} in at {at_mm / MM_PER_IN:.1f} in"
    return f"{width.value:.3f} mm at {at_mm:.0f} mm"


def _taper(reading: Reading, slot: SlotReading, units: UnitWorld) -> str:
    assert reading.taper is not None
    taper = taper_per_100mm(slot)
    if units == "in":  # the same ratio: thou per 4 in is near enough to 100 mm, thou per inch is usual
        run, scale = "thou per inch", 10.0
    else:
        run, scale = "mm per 100 mm", 1.0
    digits = 2 if units == "in" else 3
    size, doubt = (f"{abs(x) * scale:.{digits}f}" for x in (taper.value, taper.expanded()))
    angle = f"{abs(reading.taper.value):.3f} ± {reading.taper.expanded():.3f}°"
    return f"{angle}, {size} ± {doubt} {run}"


def _sentences(reading: Reading, slot: SlotReading, sled: Sled | None) -> list[str]:
    """What a slot tells of the saw; a gap is made by two edges, and tells of the fence alone."""
    if reading.piece != "slot":
        return []
    return explain_slot(
        reading.widths[len(reading.widths) // 2].width,
        slot.widening,
        sled.tip_width_mm if sled else None,
        wall_scatter_mm=(slot.walls[0].scatter_mm, slot.walls[1].scatter_mm),
        units=sled.units if sled else "mm",
    )[1:]
