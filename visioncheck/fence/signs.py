"""The one place where the fence error gets its sign, for photos and typed readings alike.

The fence error e is the angle by which the fence is turned counter-clockwise, seen from above, from its nominal
angle to the blade: ``e > 0`` when its right end is too far forward. Seen from above, x runs to the operator's
right and y forward, the way the sled is pushed.

A fence turned by e points along the angle e (right) and 180° + e (left); the blade's cut along 90° (forward)
and −90°. The work stands in front of a rear fence and behind a front fence. The corner between fence edge and
fresh cut is therefore::

    rear fence,  piece left of the blade    (180 + e) − 90 = 90 + e
    rear fence,  piece right of the blade    90 − e        = 90 − e
    front fence, piece left of the blade     270 − (180 + e) = 90 − e
    front fence, piece right of the blade    e − (−90)     = 90 + e

Every other test cut shows how far that same corner opens beyond its nominal angle: a panel at three corners, the
strip of several cuts in how much wider its end at the fence is, two butted halves in their wedge. All of it is proved
in the tests by cutting polygons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from visioncheck import checks
from visioncheck.saw import FenceSide, PieceSide, Saw

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from visioncheck.quantity import Quantity

StripEnd = Literal["fence", "far", "rear", "front"]
WedgeEnd = Literal["straightedge", "far"]
FrameFace = Literal["outside", "inside"]
FrameEdge = Literal["outer", "inner"]


@dataclass(frozen=True, slots=True)
class OneCut:
    """One cut: the interior angle, deg, between the edge that lay on the fence and the fresh cut."""

    angle: Quantity


@dataclass(frozen=True, slots=True)
class FourCuts:
    """A panel cut all round: how far its corners open, deg, as `PanelFit.opening` has it."""

    opening: Quantity


@dataclass(frozen=True, slots=True)
class LastStrip:
    """The strip taken by the last of several successive cuts.

    Parameters
    ----------
    taper : Quantity
        Angle between its long sides, deg; positive where the end `wide_end` is the wider.
    wide_end : {"fence", "far", "rear", "front"}
        An end of the strip as it lay at the saw: the one at the fence, the other, or the one nearest to the operator
        and farthest from them.
    cuts : int
        Number of successive cuts, at least 2.
    """

    taper: Quantity
    wide_end: StripEnd
    cuts: int


@dataclass(frozen=True, slots=True)
class ButtedHalves:
    """One cut through a board with parallel edges, one half turned over and the fresh edges butted.

    Both halves stand against one straightedge, the half that was not turned with its fence edge, the other with
    the edge opposite. Seen from the saw the left half lies on the left again.

    Parameters
    ----------
    wedge : Quantity
        Angle between the fresh edges, deg; positive where the gap opens towards `open_end`.
    open_end : {"straightedge", "far"}
        An end of the gap.
    turned : {"left", "right"}
        Which half was turned over, as they lay at the saw.
    """

    wedge: Quantity
    open_end: WedgeEnd
    turned: PieceSide


@dataclass(frozen=True, slots=True)
class ClosedFrame:
    """A frame or ring of mitred pieces, all cut against one fence setting, laid together but for its last joint.

    Parameters
    ----------
    wedge : Quantity
        Angle between the two faces of the joint that is left, deg.
    opens : {"outside", "inside"}
        Where that joint is open: towards the outside of the frame, or towards its middle.
    cuts : int
        Mitre cuts in the frame: two a piece, or one a piece where each side is butted from two.
    at_fence : {"outer", "inner"}
        The edge of the pieces, as they lie in the frame, that lay on the fence.
    """

    wedge: Quantity
    opens: FrameFace
    cuts: int
    at_fence: FrameEdge


Cut = OneCut | FourCuts | LastStrip | ButtedHalves | ClosedFrame


def fence_error(cut: Cut, saw: Saw) -> Quantity:
    """Reckon the signed fence error e, deg, from what was measured and how the saw stood.

    Parameters
    ----------
    cut : OneCut, FourCuts, LastStrip, ButtedHalves or ClosedFrame
        What was measured.
    saw : Saw
        How it was cut.

    Raises
    ------
    ValueError
        A strip of less than 2 cuts, or a nominal angle to which no closed panel belongs.

    Notes
    -----
    Halves, rear fence, right half turned: the left half meets the straightedge at 90 + e, and so does the right half
    with what was its far corner, 180 − (90 − e). For e > 0 they touch at the far end and gape at the straightedge.
    Turning the left half instead mirrors that, so the half that was turned stands for the piece.

    A frame of n sides: the corners at the outer edges are to be 90° − 180°/n, and the 2 n of them make up the
    (n − 2)·180° within a closed polygon. Where each is larger by d, they make up 2 n d too much: the last joint meets
    at the inside and gapes by 2 n d at the outside. The corners at the inner edges are their supplements, smaller by d.
    """
    match cut:
        case OneCut(angle):
            opening, piece = replace(angle, value=angle.value - saw.nominal_deg), saw.piece
        case FourCuts():
            opening, piece = cut.opening, saw.piece
        case LastStrip():
            opening, piece = _strip_opening(cut, saw), saw.piece
        case ButtedHalves():
            opening = cut.wedge.scaled(0.5 if cut.open_end == "far" else -0.5, "deg")
            piece = cut.turned
        case ClosedFrame():
            too_large = (cut.opens == "outside") == (cut.at_fence == "outer")
            opening = cut.wedge.scaled((1.0 if too_large else -1.0) / cut.cuts, "deg")
            piece = saw.piece
    return opening.scaled(Saw(saw.fence, piece).sense, "deg")


def blade_tilt(cut: OneCut | ButtedHalves, piece: PieceSide = "left", nominal_deg: float = 90.0) -> Quantity:
    """Reckon how far the blade's top leans to the operator's right, deg, from the cut through a board's thickness.

    Seen along the cut by the operator, x to the right and up instead of forward, the table is where a rear fence is
    from above. A blade whose top leans to the right stands to the table as it would stand to a fence that is turned
    counter-clockwise; so the fence error's sign is the tilt's, wherever the fence is.

    Parameters
    ----------
    cut : OneCut or ButtedHalves
        The corner between the face that lay on the table and the cut; or halves butted with one turned over, the
        straightedge along that face of the half that was not.
    piece : {"left", "right"}
        Side of the blade that the piece was on; of halves it does not matter.
    nominal_deg : float
        The corner that the blade is to make: 90 for an upright one.
    """
    return fence_error(cut, Saw("rear", piece, nominal_deg))


def _strip_opening(strip: LastStrip, saw: Saw) -> Quantity:
    wider_at_fence = strip.wide_end in {"fence", saw.fence}
    taper = strip.taper.scaled(1 if wider_at_fence else -1, "deg")
    return error_per_taper(taper, strip_multiples(strip.cuts, saw.nominal_deg))


def error_per_taper(taper: Quantity, multiples: tuple[int, ...]) -> Quantity:
    """What a strip's taper says of e, deg, where it carries one of these multiples of it.

    With two of them e lies between both quotients, rectangular (JCGM 100:2008, 4.3.7), and the board's outer side
    adds what it may be out by itself, `checks.BOARD_SIDE_U_DEG`.
    """
    if len(multiples) == 1:
        return taper.scaled(1 / multiples[0], "deg")
    least, most = sorted(1 / multiple for multiple in multiples)
    share, half = (least + most) / 2, (most - least) / 2
    u = math.hypot(share * taper.u, share * checks.BOARD_SIDE_U_DEG, half * taper.value / math.sqrt(3))
    return replace(taper, value=share * taper.value, u=u)


def strip_multiples(cuts: int, nominal_deg: float) -> tuple[int, ...]:
    """How many times e the strip taken by the last of `cuts` successive cuts carries; both, where it may be either.

    Every cut is made with the fresh edge of the one before on the fence, so each adds e to the direction of
    its edge. Once round the panel, at its fourth cut where it is right-angled, the strip's outer side is the edge that
    lay on the fence for the first cut, or from the fifth on a cut a full round earlier: it carries 4 e, whatever the
    board was before. With fewer cuts the outer side is the board's own. It carries ``cuts`` times e where the board
    was square all round, and ``cuts − 1`` times where that side was made true to the first cut.

    Raises
    ------
    ValueError
        With fewer than 2 cuts, or when the nominal angle belongs to no closed panel.
    """
    sides = panel_sides(nominal_deg)
    if cuts < 2:
        raise ValueError("a strip carries the fence error from the second cut on")
    if sides is None:
        raise ValueError(f"no panel closes with corners of {nominal_deg:g}°")
    return (sides,) if cuts >= sides else (cuts, cuts - 1)


def panel_sides(nominal_deg: float) -> int | None:
    """How many sides a panel has whose corners are all of this angle; None where none closes."""
    sides = 360.0 / (180.0 - nominal_deg) if 0 < nominal_deg < 180 else 0.0
    return round(sides) if sides > 2.5 and abs(sides - round(sides)) < 1e-6 else None


def at_the_saw(towards_fence: NDArray[np.float64], fence: FenceSide) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Forward and right, as the saw has them, in the plane of a picture that shows the piece as it lay there.

    Parameters
    ----------
    towards_fence : (2,) ndarray
        Direction, x right and y down, out of the piece to the fence.
    fence : {"rear", "front"}
        Where the fence stood.

    Returns
    -------
    forward, right : (2,) ndarray
        Both of the length of `towards_fence`.
    """
    forward = -towards_fence if fence == "rear" else towards_fence
    # x right, y down: right is a quarter turn clockwise from forward, as seen
    return forward, forward[::-1] * [-1.0, 1.0]
