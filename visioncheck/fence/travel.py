"""The blade against the sled's travel: what slots that end in the board tell of heel, play, run-out and a curved path.

A blade that is turned by the angle a against the travel cuts with its front teeth, and those behind them stand aside
by their distance times tan a. A place of a slot is passed by as much of the blade as the sled went on beyond it, so
that a slot from which the board is lifted widens from its inner end towards its open one at the angle a, over the
length of the blade in the board: one wall runs with the travel and the other at the angle a to it. Pulling the board
back passes nothing that was not passed before; if the slot is wider then, the sled has play. What the sheet or the
board add to the taper changes sign where the board is turned end for end; the blade's part does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from visioncheck import checks
from visioncheck.quantity import Quantity
from visioncheck.uncertainty import welch_satterthwaite

if TYPE_CHECKING:
    from collections.abc import Iterable

Wall = Literal["left", "right"]


@dataclass(frozen=True, slots=True)
class CutSlot:
    """A slot that ends in the board.

    Attributes
    ----------
    taper : Quantity
        Between its walls, deg; positive where it is the wider at its open end.
    open_mm, end_mm : Quantity
        Its widths at its open end and near its inner one.
    scatter_mm : (2,) tuple of float or None
        Roughness of its left and right wall, for the operator, who sees it from its inner end.
    bows_mm : (2,) tuple of Quantity or None
        How far the middles of its left and right wall stand into the wood.
    """

    taper: Quantity
    open_mm: Quantity
    end_mm: Quantity
    scatter_mm: tuple[float, float] | None = None
    bows_mm: tuple[Quantity, Quantity] | None = None


@dataclass(frozen=True, slots=True)
class Travel:
    """What the slots say.

    Attributes
    ----------
    heel : Quantity
        Angle between blade and travel, deg; negative where the slot is the wider at its inner end, which no heel does.
    board : Quantity or None
        What belongs to the board or the sheet in the tapers, deg, where slots from both ends tell.
    play : Quantity or None
        How much wider the slot is that was pulled back, mm.
    run_out : Quantity or None
        How much wider than the teeth the inner end is, mm: what is left is run-out, flutter and flex.
    path : Quantity or None
        How far the middle of the path stands to the right of its ends, mm: both walls bowed alike.
    rougher : {"left", "right"} or None
        The wall that is clearly the rougher one: the rear of the blade stands towards it.
    """

    heel: Quantity
    board: Quantity | None = None
    play: Quantity | None = None
    run_out: Quantity | None = None
    path: Quantity | None = None
    rougher: Wall | None = None

    @property
    def heel_shows(self) -> bool:
        """Whether a heel stands out of the ±."""
        return self.heel.value > self.heel.expanded()


def assess_travel(
    lifted: CutSlot, other_end: CutSlot | None = None, pulled_back: CutSlot | None = None, tip: Quantity | None = None
) -> Travel:
    """Say what slots tell of the blade against the travel.

    Parameters
    ----------
    lifted : CutSlot
        The board was lifted off where the slot ends, or the blade stopped there.
    other_end : CutSlot or None
        Likewise, from the board's other end, turned end for end on the saw and lying the same way in the photo.
    pulled_back : CutSlot or None
        The board was pulled back through the slot.
    tip : Quantity or None
        Width over the teeth, mm.
    """
    heel, board = lifted.taper, None
    if other_end is not None:
        heel, board = (_half(lifted.taper, other_end.taper, sign) for sign in (1.0, -1.0))
    return Travel(
        heel=heel,
        board=board,
        play=None if pulled_back is None else _difference(pulled_back.open_mm, lifted.open_mm),
        run_out=None if tip is None else _difference(lifted.end_mm, tip),
        path=None if lifted.bows_mm is None else _half(lifted.bows_mm[1], lifted.bows_mm[0], -1.0),
        rougher=_rougher(each.scatter_mm for each in (lifted, other_end) if each is not None),
    )


def taper_of_widths(open_mm: Quantity, end_mm: Quantity, length_mm: float) -> Quantity:
    """Taper, deg, of a slot from its widths near both ends; positive where it is the wider at its open end."""
    more = _difference(open_mm, end_mm)
    return Quantity(math.degrees(math.atan(more.value / length_mm)), math.degrees(more.u / length_mm), "deg", more.dof)


def rear_aside(heel: Quantity, length_mm: float) -> Quantity:
    """How far the rear of the blade stands aside over a length of it, mm."""
    return heel.scaled(math.radians(1.0) * length_mm, "mm")


def _difference(first: Quantity, second: Quantity) -> Quantity:
    dof = welch_satterthwaite([first.u, second.u], [first.dof, second.dof])
    return Quantity(first.value - second.value, math.hypot(first.u, second.u), first.unit, dof)


def _half(first: Quantity, second: Quantity, sign: float) -> Quantity:
    dof = welch_satterthwaite([first.u, second.u], [first.dof, second.dof])
    return Quantity((first.value + sign * second.value) / 2, math.hypot(first.u, second.u) / 2, first.unit, dof)


def _rougher(scatters: Iterable[tuple[float, float] | None]) -> Wall | None:
    """The wall that is rougher in every slot, by the ratio that counts."""
    seen = [each for each in scatters if each is not None]
    for k, wall in enumerate(("left", "right")):
        if seen and all(each[k] > checks.SLOT_ROUGHER * each[1 - k] for each in seen):
            return "left" if wall == "left" else "right"
    return None
