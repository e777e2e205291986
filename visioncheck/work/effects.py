"""What a fence error does to a joint, a panel, a box or a mitred frame; and the error that an accepted fault allows.

Everything follows from one thing: a sawn end stands off its nominal angle by the fence error e. Signs do not matter
here, only what opens; each formula is exact, and proved in the tests by sawing the parts and putting them together.

**Joint.** A sawn end, w wide, lies with one corner against a straight edge: the other corner stands off by
``w tan e``. Two sawn ends against each other, one board turned over, are at 2 e to each other: ``w tan 2e``.

**Panel.** Sawn at both ends with the same edge at the fence it is a parallelogram with sides w and l and the angles
90 ± e. Each end misses a square, laid along the edge, by ``w tan e``. The diagonals squared are
``w² + l² ± 2 w l sin e``; their difference is ``2 w l sin e / √(w² + l²)`` to the third order in e.

**Box.** Two sides, d long and h high, butt with their sawn ends against front and back (so do rabbets, housings and
the shoulders of other joints). Held upright on a flat table each joint touches along one edge and is open by
``h tan e`` at the other, at the top in one corner and at the bottom in the next, where the two sides lean opposite
ways. Pulled tight instead, with front and back flat, one side climbs from the front at the angle e and the other
falls as much. With the front corners at (0, 0, 0) and (b, 0, 0) the back ones are at (0, d cos e, d sin e) and
(b, d cos e, −d sin e). The plane through the two front corners and the second back one is ``z = −y tan e``, above
which the last corner stands by ``(d sin e + d cos e tan e) cos e = d sin 2e``: the box rocks by that on a flat table.

**Frame.** Each of n sticks, w wide, is mitred at both ends. A mitre is ``w / cos(180°/n)`` long, and two neighbours,
pressed together, make a corner that is 2 e too wide or too narrow. Clamped all at once, each joint is open by
``mitre · tan 2e`` at its heel or toe. Put together one after the other, all of ``2 n e`` is left to the last one:
``mitre · tan 2ne``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Code = Literal["gap", "last_gap", "wind", "diagonals"]
WorkKind = Literal["joint", "panel", "box", "drawer", "frame"]


@dataclass(frozen=True, slots=True)
class Effect:
    """One fault that a fence error makes: ``reach · tan(times · e)`` or ``reach · sin(times · e)``, mm.

    Parameters
    ----------
    code : {"gap", "last_gap", "wind", "diagonals"}
        The fault: a joint open at one end, the last joint of a frame, how far a box rocks, how far two diagonals
        differ.
    reach_mm : float
        The length over which the error shows.
    times : float
        How many times the fence error stands there.
    law : {"tan", "sin"}
        Which of the two it is.
    """

    code: Code
    reach_mm: float
    times: float = 1.0
    law: Literal["tan", "sin"] = "tan"

    def fault_mm(self, error_deg: float) -> float:
        """Give the size of the fault that a fence error of either sign makes, mm."""
        function = math.tan if self.law == "tan" else math.sin
        return self.reach_mm * function(math.radians(self.times * abs(error_deg)))

    def allowed_deg(self, fault_mm: float) -> float:
        """Give the fence error at which the fault is as large as this, deg; infinite where none makes it so large."""
        ratio = fault_mm / self.reach_mm
        if self.law == "sin" and ratio >= 1:
            return math.inf
        return math.degrees(math.atan(ratio) if self.law == "tan" else math.asin(ratio)) / self.times


@dataclass(frozen=True, slots=True)
class Work:
    """A piece of work that the sled is for.

    Parameters
    ----------
    kind : {"joint", "panel", "box", "drawer", "frame"}
        What it is.
    sizes_mm : dict of str to float
        As it was described: ``width``, ``length``, ``depth``, ``height``.
    effects : tuple of Effect
        What a fence error does to it, the plainest first.
    sides : int
        Of a frame.
    ends : int
        Of a joint: sawn ends in it.
    """

    kind: WorkKind
    sizes_mm: dict[str, float]
    effects: tuple[Effect, ...]
    sides: int = 4
    ends: int = 1


def joint(width_mm: float, ends: int = 1) -> Work:
    """One sawn end against a straight edge, or two against each other (`ends` 2)."""
    return Work("joint", {"width": width_mm}, (Effect("gap", width_mm, ends),), ends=ends)


def panel(width_mm: float, length_mm: float) -> Work:
    """A panel sawn at both ends; `width_mm` lies along the cut."""
    across = 2 * width_mm * length_mm / math.hypot(width_mm, length_mm)
    effects = (Effect("gap", width_mm), Effect("diagonals", across, law="sin"))
    return Work("panel", {"width": width_mm, "length": length_mm}, effects)


def box(depth_mm: float, height_mm: float, kind: Literal["box", "drawer"] = "box") -> Work:
    """A box or drawer: `depth_mm` is the length of the sides whose sawn ends butt against front and back."""
    effects = (Effect("gap", height_mm), Effect("wind", depth_mm, 2, "sin"))
    return Work(kind, {"depth": depth_mm, "height": height_mm}, effects)


def frame(width_mm: float, sides: int = 4) -> Work:
    """A mitred frame of `sides` equal sticks, each `width_mm` wide as seen from the front."""
    mitre_mm = width_mm / math.cos(math.pi / sides)
    effects = (Effect("gap", mitre_mm, 2), Effect("last_gap", mitre_mm, 2 * sides))
    return Work("frame", {"width": width_mm}, effects, sides=sides)
