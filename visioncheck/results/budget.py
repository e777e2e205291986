"""Where a reading's uncertainty comes from: each number's parts by source."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from visioncheck.codes import OUTER_SIDE, TIGHT_JOINTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.reading.model import Reading

CutName = Literal["slot", "joint", "cut"]
_NAMES = {"strip": "taper", "slot": "taper", "gap": "wedge", "panel": "fence error"}


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainty of one number by source, taken as independent (JCGM 100:2008, 5.1.2).

    Parameters
    ----------
    name : str
        Of the number.
    unit : str
        ``"°"`` or ``" mm"``, as it is written behind a number.
    parts : mapping of str to float
    dof : float
        Degrees of freedom of the whole.
    cut : {"slot", "joint", "cut"}
        What the two walls are of, where it was read from walls: a slot, a frame's last joint, the cut of two halves.
    """

    name: str
    unit: str
    parts: Mapping[str, float]
    dof: float
    cut: CutName = "slot"

    @property
    def u(self) -> float:
        """Of all sources together."""
        return math.sqrt(sum(part**2 for part in self.parts.values()))

    @property
    def shares(self) -> list[tuple[str, float]]:
        """Each source's share of the variance, largest first."""
        ranked = sorted(self.parts.items(), key=lambda item: -item[1])
        return [(source, part**2 / self.u**2 if self.u else 0.0) for source, part in ranked]


def budgets_from_reading(reading: Reading) -> tuple[Budget, ...]:
    """Budgets of what a reading gives: its angle (a panel's fence error, a strip's taper), a strip's middle width."""
    found = []
    cut: CutName = "joint" if reading.last_joint else "slot" if reading.piece == "slot" else "cut"
    if reading.budget:
        number, name = reading.taper or reading.fence_error, _NAMES.get(reading.piece, "angle")
        if {OUTER_SIDE, TIGHT_JOINTS} & reading.budget.keys():  # what no taper shows, so it is the fence error's
            number, name = reading.fence_error or reading.fence_error_size, "fence error"
        if number is None:
            number = max((corner.angle for corner in reading.corners), key=lambda angle: angle.u)
            name = "least certain corner"
        found.append(Budget(name, "°", reading.budget, number.dof, cut))
    if reading.widths:
        middle = reading.widths[len(reading.widths) // 2]
        if middle.budget:
            found.append(Budget("middle width", " mm", middle.budget, middle.width.dof, cut))
    return tuple(found)
