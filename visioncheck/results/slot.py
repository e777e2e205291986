"""A slot or a gap for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.results.numbers import quantity_json

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import Reading, SlotReading
    from visioncheck.sled.model import Sled

_PER_MM = 100.0
SIDES = ("left", "right")
WALLS = (2, 0)
"""Edges of the reading: the left and the right wall for one who looks from the slot's start along it."""


def slot_json(reading: Reading, slot: SlotReading, sled: Sled | None) -> dict[str, Any]:
    """Write what a slot or gap has beyond a strip's keys.

    Returns
    -------
    dict
        ``widening_mm`` (width at its end less that at its start, over ``length_mm``), ``taper_mm_per_100mm``,
        ``walls`` (left and right as seen from its start, of a gap with their ``half`` as they lay at the saw, where
        known, in place of ``side``: ``edge``, ``bow_mm``, positive into the wood, and ``scatter_mm``),
        ``width_by_thickness`` (mm for each mm that the work is thicker), ``depth_mm`` (that a side face shows, or
        null), ``wedge_deg`` (a gap's), and with the blade's marked width
        ``nominal_mm`` and ``wider_mm``.
    """
    found: dict[str, Any] = {
        "length_mm": slot.length_mm,
        "widening_mm": quantity_json(slot.widening),
        "width_by_thickness": slot.by_thickness,
        "depth_mm": None if slot.depth is None else quantity_json(slot.depth),
        "taper_mm_per_100mm": quantity_json(taper_per_100mm(slot)),
        "walls": [
            {
                **(_half(reading, edge) if reading.piece == "gap" else {"side": side}),
                "edge": edge,
                "bow_mm": quantity_json(wall.bow),
                "scatter_mm": wall.scatter_mm,
            }
            for side, edge, wall in zip(SIDES, WALLS, slot.walls, strict=True)
        ],
    }
    if reading.piece == "gap" and reading.taper:
        return found | {"wedge_deg": quantity_json(reading.taper)}
    if sled and sled.tip_width_mm is not None:
        width = reading.widths[len(reading.widths) // 2].width
        found["nominal_mm"] = sled.tip_width_mm
        wider = quantity_json(width)
        found["wider_mm"] = wider | {"value": width.value - sled.tip_width_mm}
    return found


def _half(reading: Reading, edge: int) -> dict[str, Any]:
    if reading.left_half is None:
        return {}
    half = "left" if edge == reading.left_half else "right"
    return {"half": half, "turned_over": half == reading.turned_half}


def taper_per_100mm(slot: SlotReading) -> Quantity:
    """Give how much wider a slot becomes in 100 mm of its length, mm; positive towards its end."""
    return slot.widening.scaled(_PER_MM / slot.length_mm, "mm")
