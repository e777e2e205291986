"""What one photo says of one workpiece."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.codes import Doubt, Question
from visioncheck.quantity import Quantity
from visioncheck.saw import PieceSide
from visioncheck.uncertainty import Size

Array = NDArray[np.float64]

UNKNOWN_KIND = "unknown"


def is_curved(bow: Quantity) -> bool:
    """Whether a bow, mm, is one to warn of and no chance."""
    return abs(bow.value) > max(checks.EDGE_BOW_MM, 3 * bow.u)


@dataclass(frozen=True)
class EdgeReading:
    """One straight edge of the top face.

    Attributes
    ----------
    start_mm, end_mm : (2,) ndarray
        Its fitted line's ends (the piece's corners), table frame, plane of the top face.
    start_px, end_px : (2,) ndarray
        The same in the picture.
    stations_px : (n, 2) ndarray
        Where the edge was seen, px.
    residuals_mm : (n,) ndarray
        Distance of each station from the fitted line, positive to the outside.
    weights : (n,) ndarray
        0 … 1: how far each station counted.
    bow : Quantity
        Sagitta of the edge, mm.
    """

    start_mm: Array
    end_mm: Array
    start_px: Array
    end_px: Array
    stations_px: Array
    residuals_mm: Array
    weights: Array
    bow: Quantity

    @property
    def length_mm(self) -> float:
        """Length between the corners."""
        return float(np.linalg.norm(self.end_mm - self.start_mm))


@dataclass(frozen=True)
class EdgeCover:
    """A stretch of an edge that was left out, since something lies there.

    Attributes
    ----------
    edge : int
        Number of the edge.
    lies : str
        ``"against"`` the piece, or ``"over"`` its edge.
    start_px, end_px : (2,) ndarray
        Of the stretch, in the stored picture.
    near : str
        Where along the edge, in the picture as it is shown: ``"left end"``, ``"right end"``, ``"upper end"``,
        ``"lower end"`` or ``"middle"``.
    """

    edge: int
    lies: str
    start_px: Array
    end_px: Array
    near: str


@dataclass(frozen=True)
class CornerReading:
    """One corner: its place (table frame, mm) and its interior angle; it is where `edges` meet."""

    at_mm: Array
    at_px: Array
    angle: Quantity
    edges: tuple[int, int]


@dataclass(frozen=True)
class WidthReading:
    """A width of a strip at a distance along it from its `near` end, mm; its standard uncertainty by source, mm."""

    at_mm: float
    width: Quantity
    budget: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class WallReading:
    """One wall of a slot: how far its middle stands off its ends' chord, into the wood positive, and its roughness.

    `scatter_mm` is the standard deviation of its stations about its straight line.
    """

    bow: Quantity
    scatter_mm: float


@dataclass(frozen=True)
class SlotReading:
    """What a slot or a gap tells beyond its widths and taper.

    Attributes
    ----------
    walls : (2,) tuple of WallReading
        Left and right wall for one who looks from the slot's start along it: edges 2 and 0 of the reading.
    widening : Quantity
        How much wider it is at its end than at its start, mm.
    length_mm : float
        Over which that is.
    floor_seen : bool
        Whether the table or a floor shows in it beside a wall.
    by_thickness : float
        How much wider it would be read, mm, for each mm that the work is thicker.
    depth : Quantity or None
        How deep a wall's side face shows, mm: the thickness where the table shows beyond it, and at most that
        otherwise; None where its lower end is not seen, so that nothing tests the thickness told.
    """

    walls: tuple[WallReading, WallReading]
    widening: Quantity
    length_mm: float
    floor_seen: bool
    by_thickness: float
    depth: Quantity | None


@dataclass(frozen=True)
class Turned:
    """The second photo of a pair, and by how much the piece was turned in between, deg, clockwise as seen positive.

    `surveyed` tells whether the sheet's shape came from a survey, or from the turn itself.
    """

    photo: str
    turn_deg: float
    surveyed: bool


@dataclass(frozen=True)
class TwoCuts:
    """A second cut of the same board: its photo, how it was made, each cut's own error, and the seat.

    Attributes
    ----------
    how : {"end for end", "second edge"}
    first, second : Quantity
        Fence errors, deg.
    seat : Quantity
        What the board's edge has in them, deg; see `visioncheck.fence.straightness.Separated`.
    """

    photo: str
    how: str
    first: Quantity
    second: Quantity
    seat: Quantity


@dataclass(frozen=True)
class LastJoint:
    """Of a gap that is the last joint of a mitred frame: the frame, and where the joint is open.

    Attributes
    ----------
    sides, cuts : int
        Of the frame, and its mitre cuts.
    opens : {"outside", "inside"}
        The end of the joint where it is the wider.
    at_fence : {"outer", "inner"} or None
        The edge of the pieces, as they lie in the frame, that lay on the fence, where known.
    """

    sides: int
    cuts: int
    opens: str
    at_fence: str | None


@dataclass(frozen=True)
class StraightReading:
    """A fence's bow, mm, positive where it is hollow, over a length; and the sheet's, where a reversal told it."""

    bow: Quantity
    length_mm: float
    sheet: Quantity | None = None
    photo: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PanelFit:
    """Least squares of a four-cut panel's corners.

    Parameters
    ----------
    opening : Quantity
        How far three corners open beyond a right angle, and the fourth closes three times, deg.
    shear : Quantity or None
        What an affine error of the sheet (or of the instrument) adds to the corners alternately, deg.
    opening_shear_covariance : float
        Covariance of the two, deg².
    weights : (4,) array
        How the opening follows from the four corners.
    residuals_deg : (4,) array
        Reading less fit, in the order of the corners cut.
    chi2 : float
        Weighted sum of squared residuals.
    chi2_dof : int
        Independent readings less parameters.
    probability : float
        Chance of so large a `chi2` when the panel is what it should be; small: an edge is not straight, the
        piece moved between cuts, or the order of the cuts is wrong.
    closure : Quantity
        Sum of the corners less 360°, deg.
    """

    opening: Quantity
    shear: Quantity | None
    opening_shear_covariance: float
    weights: Array
    residuals_deg: Array
    chi2: float
    chi2_dof: int
    probability: float
    closure: Quantity


@dataclass(frozen=True)
class Reading:
    """All that was read from one photo.

    Attributes
    ----------
    piece : str
        ``"corner"``, ``"panel"``, ``"strip"``, ``"slot"``, ``"gap"`` or ``"bevel"``; `UNKNOWN_KIND` while it is asked.
    open_kinds : tuple of str
        The kinds that it may be, the likeliest first, where the photo does not tell; empty otherwise.
    edges : tuple of EdgeReading
        The straight ones, in order round the piece; of four-sided work edge i runs from corner i to corner i + 1.
    corners : tuple of CornerReading
        Where edges meet; of four-sided work corner i lies between edge i - 1 and edge i.
    perpendicularity : Size or None
        Width, mm, of the zone square to the fence edge that holds the cut over its length.
    taper : Quantity or None
        Angle between a strip's long edges, deg; positive where it is wider at `widths[-1]`.
    widths : tuple of WidthReading
        Of a strip or slot, from one end to the other.
    thickness : Quantity or None
        From the tag, or as it was given.
    fence_edge, cut_edge : int or None
        Numbers of the edges, where known; of a gap the end that the straightedge lay at.
    ways : tuple of str
        The side of the picture as it is shown that each edge lies on: ``"top"``, ``"bottom"``, ``"left"``, ``"right"``.
    names : tuple of str
        The letter of each edge: ``"a"`` lies at the top of the picture as it is shown, the others follow clockwise.
    assumed : mapping of str to str
        What was taken for want of a sled and gives `fence_error` its sign: ``"fence"`` (rear or front) and
        ``"piece_side"`` (of the blade, left or right).
    nominal_deg : float
        The angle that the cut should have made with the fence edge, of the piece that this is.
    other_half : {"left", "right"} or None
        Side of the blade that the piece was on, where its corner tells that it is not the one that was told.
    fence_error : Quantity or None
        e, deg; see the conventions; None where its sign cannot be known.
    tilt : Quantity or None
        Of a bevel: how far the blade's top leans to the operator's right, deg; no error of the fence.
    tilt_size : Quantity or None
        Its size alone, where the way cannot be known.
    cut_height_mm : float
        Of a bevel: how high the cut was, table to top.
    fence_error_size : Quantity or None
        |e|, deg, where only its size can be known.
    question : Question or None
        What the user must say for the error to be known.
    budget : mapping of str to float
        Standard uncertainty of the headline reading by source, deg.
    turned : Turned or None
        The second photo, where the reading is the mean of two.
    two_cuts : TwoCuts or None
        Where the reading is of two cuts of one board.
    straight : StraightReading or None
        Of a board's edge that was planed to fit the fence.
    slot : SlotReading or None
        Of a slot or a gap; `widths` and `taper` are its own then, edges 0 and 2 its walls.
    open_end : int or None
        Of a gap: the end, edge 1 or 3, where it is the wider.
    turned_half : {"left", "right"} or None
        Of a gap: the half that was turned over, as the halves lay at the saw.
    left_half : int or None
        Of a gap: the wall, edge 0 or 2, that is the left half's.
    last_joint : LastJoint or None
        Of a gap that is one.
    covers : tuple of EdgeCover
        What lies at the edges and was left out.
    doubts : tuple of Doubt
        What it may suffer from, in the order in which a person would mend it.
    """

    photo: str
    piece: str
    edges: tuple[EdgeReading, ...]
    corners: tuple[CornerReading, ...]
    taper: Quantity | None = None
    widths: tuple[WidthReading, ...] = ()
    thickness: Quantity | None = None
    fence_edge: int | None = None
    cut_edge: int | None = None
    nominal_deg: float = 90.0
    other_half: PieceSide | None = None
    fence_error: Quantity | None = None
    fence_error_size: Quantity | None = None
    tilt: Quantity | None = None
    tilt_size: Quantity | None = None
    cut_height_mm: float = 0.0
    question: Question | None = None
    open_kinds: tuple[str, ...] = ()
    panel: PanelFit | None = None
    tag_id: int | None = None
    budget: Mapping[str, float] = field(default_factory=dict)
    perpendicularity: Size | None = None
    turned: Turned | None = None
    two_cuts: TwoCuts | None = None
    straight: StraightReading | None = None
    slot: SlotReading | None = None
    open_end: int | None = None
    turned_half: PieceSide | None = None
    left_half: int | None = None
    last_joint: LastJoint | None = None
    ways: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    assumed: Mapping[str, str] = field(default_factory=dict)
    covers: tuple[EdgeCover, ...] = ()
    doubts: tuple[Doubt, ...] = ()

    @property
    def flags(self) -> tuple[str, ...]:
        """The doubts' codes, see `visioncheck.flags`."""
        return tuple(each.code for each in self.doubts)

    @property
    def is_four_sided(self) -> bool:
        """Whether four straight edges meet in four corners."""
        return len(self.edges) == len(self.corners) == 4

    @property
    def is_surveyed(self) -> bool:
        """Whether the sheet's shape came from a survey."""
        return "no-rig" not in self.flags and (self.turned is None or self.turned.surveyed)
