"""Cuts that are not square: which half of a cut a corner belongs to, and the corners of regular frames."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.errors import InputError
from visioncheck.saw import LARGEST_ERROR_DEG

if TYPE_CHECKING:
    from visioncheck.saw import Saw

FEWEST_SIDES, MOST_SIDES = 3, 60


def made_at(angle_deg: float, saw: Saw) -> Saw | None:
    """Tell which half of a cut a corner belongs to: both halves' corners make 180° together.

    Parameters
    ----------
    angle_deg : float
        Corner between the edge that lay on the fence and the cut.
    saw : Saw
        As the piece is said to have been cut.

    Returns
    -------
    Saw or None
        `saw` where the corner is near its nominal angle; the other half's where it is near that one's; None where it is
        near neither, by the largest error that a fence may have.

    Notes
    -----
    Where the wrong one of a board's two parallel edges is taken for the one at the fence, its corner is the other
    half's too. Both the corner's error and the sense then change sign, so the fence error stays.
    """
    for each in (saw, saw.other_half):
        if abs(angle_deg - each.nominal_deg) <= LARGEST_ERROR_DEG:
            return each
    return None


def require_setting(nominal_deg: float, sled: Saw, parameter: str = "nominal") -> None:
    """Refuse an angle that the sled's file does not say: its log and its move would be another setting's.

    Raises
    ------
    InputError
        Naming the parameter.
    """
    if made_at(nominal_deg, sled) is None:
        raise InputError(
            parameter,
            f"<{parameter}> asks for a corner of {nominal_deg:g}°; by its file the sled makes {sled.nominal_deg:g}°;"
            " give each setting a sled file of its own (mitre and forward in its [fence]), or leave the sled out",
        )


def read_nominal(given: str | float | None) -> float | None:
    """Read a nominal angle, deg, as it was typed; None for None.

    Raises
    ------
    InputError
        It is no angle that a piece can be cut at.
    """
    if given is None:
        return None
    bare = str(given).strip().removesuffix("deg").removesuffix("°").strip()
    try:
        angle = float(bare)
    except ValueError:
        angle = math.nan
    low, high = checks.NOMINAL_LEAST_DEG, checks.NOMINAL_MOST_DEG
    if not low <= angle <= high:
        raise InputError(
            "nominal",
            f"<nominal> {given} is no angle from {low:g} to {high:g} degrees between the edge at the fence and the cut;"
            " write it such as 45 or 67.5",
        )
    return angle


def frame_corner_deg(sides: int) -> float:
    """Corner at the outer edge of a piece of a regular frame: half of the polygon's own (90° − 180°/n)."""
    return 90.0 - 180.0 / sides
