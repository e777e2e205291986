"""What a user says of a piece beyond what its photo shows: checked as typed, and as the log keeps it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.errors import InputError, UserError
from visioncheck.fence.mitre import FEWEST_SIDES, MOST_SIDES, read_nominal
from visioncheck.fence.straightness import Recut
from visioncheck.fence.typed_input import read_whole
from visioncheck.quantity import Quantity
from visioncheck.saw import PieceSide

if TYPE_CHECKING:
    from visioncheck.fence.signs import FrameEdge
    from visioncheck.units import UnitWorld

PIECES = ("corner", "panel", "strip", "slot", "gap", "bevel", "straight")
WAYS = ("top", "bottom", "left", "right")
RECUTS: tuple[Recut, Recut] = ("end for end", "second edge")
HALVES: tuple[PieceSide, PieceSide] = ("left", "right")
CUTS = ("fresh", "same")
FRAME_EDGES: tuple[FrameEdge, FrameEdge] = ("outer", "inner")
_BEARING: Mapping[str, tuple[str, ...]] = {
    "corner": ("thickness", "fence_edge", "nominal_deg", "edges", "recut", "cut"),
    "panel": ("thickness", "fence_edge", "cut"),
    "strip": ("thickness", "fence_edge", "cuts", "nominal_deg", "cut"),
    "slot": ("thickness", "slot"),
    "gap": ("thickness", "fence_edge", "turned_half", "frame", "frame_cuts", "at_fence", "cut"),
    "bevel": ("thickness", "fence_edge", "turned_half", "cut_edge", "nominal_deg"),
    "straight": ("thickness", "fence_edge"),
}
"""What may be told of each kind beside the kind itself."""
_OF_ONE_HALF = ("cut_edge", "nominal_deg")
"""Of a bevel, what two halves of it have not."""
_OF_TWO_HALVES, _OF_A_FRAME = ("fence_edge", "turned_half"), ("frame_cuts", "at_fence")
"""Of a gap: what the last joint of a frame has not, and what nothing else has."""
_U_BOARD_MM = 0.05
"""How unlike a board's thickness is from place to place (common practice, no source)."""
_TWO_SIDED_95 = 1.959964
"""A ± that a user tells is taken as the program says its own: at 95 % of a normal distribution."""


@dataclass(frozen=True)
class PieceOptions:
    """What the user says of a piece beyond what its photo shows; None where nothing is said.

    Attributes
    ----------
    thickness : Quantity or None
        Of the piece, mm, where no tag gives it.
    piece : {"corner", "panel", "strip", "slot", "gap", "bevel", "straight"} or None
        None: a slot where `slot` is told, a strip where `cuts` are, a corner where its corners can be nothing else;
        otherwise it is asked.
    fence_edge : {"top", "bottom", "left", "right"} or None
        Side of the PICTURE that the edge which lay on the fence points to, where no tag tells; of a bevel the face that
        lay on the table.
    cuts : int or None
        Number of successive cuts behind a strip.
    turned_half : {"left", "right"} or None
        Of a gap: the half that was turned over, as the halves lay at the saw, where no tag tells.
    edges : str or None
        Of a corner: the letters of the edge at the fence and of the fresh cut, ``"a,b"``, as the picture names them.
    nominal_deg : float or None
        Of an offcut or strip: the angle that the cut should have made with the edge at the fence; None: the sled's. Of
        a bevel: that with the face on the table; None: 90.
    recut : {"end for end", "second edge"} or None
        Of two photos: they are of two cuts of one board, and how the second was made.
    cut_edge : {"top", "bottom", "left", "right"} or None
        Of a bevel: side of the PICTURE that the cut points to.
    cut : {"fresh", "same"} or None
        Whether it is another cut, or the piece of the photo before; see `visioncheck.results.pieces`.
    slot : int or None
        Of a board with several slots: which, counted from 1 from the left of the picture, or from its top.
    frame : int or None
        Of a gap: it is the last joint of a frame of so many mitred sides.
    frame_cuts : int or None
        Mitre cuts in that frame; None: two a side.
    at_fence : {"outer", "inner"} or None
        The edge of its pieces, as they lie in the frame, that lay on the fence.
    """

    thickness: Quantity | None = None
    piece: str | None = None
    fence_edge: str | None = None
    cuts: int | None = None
    turned_half: PieceSide | None = None
    nominal_deg: float | None = None
    cut_edge: str | None = None
    recut: Recut | None = None
    cut: str | None = None
    edges: str | None = None
    slot: int | None = None
    frame: int | None = None
    frame_cuts: int | None = None
    at_fence: FrameEdge | None = None

    def as_json(self) -> dict[str, Any]:
        """Write what was told; nothing for what was not."""
        thickness = None if self.thickness is None else {"value": self.thickness.value, "u": self.thickness.u}
        every = dict(vars(self)) | {"thickness": None, "thickness_mm": thickness}
        return {key: value for key, value in every.items() if value is not None}

    @property
    def said(self) -> dict[str, Any]:
        """What is said, by field."""
        return {name: value for name, value in vars(self).items() if value is not None}

    @property
    def kind(self) -> str | None:
        """The kind of piece that is said, or that alone has what is said; None where nothing says it."""
        if self.piece is not None:
            return self.piece
        if self.slot is not None:
            return "slot"
        if self.frame is not None:
            return "gap"
        if self.cuts is not None:
            return "strip"
        return "corner" if self.edges is not None or self.recut is not None else None

    @property
    def idle(self) -> tuple[str, ...]:
        """Names of what is said and has no bearing on this kind of piece."""
        if self.kind is None:
            return ()
        without: tuple[str, ...] = _OF_ONE_HALF if self.turned_half is not None else ()
        if self.kind == "gap":
            without = _OF_A_FRAME if self.frame is None else _OF_TWO_HALVES
        known = {"piece", *_BEARING[self.kind]}.difference(without)
        return tuple(name for name in self.said if name not in known)

    def over(self, before: PieceOptions) -> PieceOptions:
        """What was said before, where it has a bearing on the kind as it is said now, and over it what is said here."""
        both = replace(before, **self.said)
        return replace(both, **dict.fromkeys(set(both.idle).difference(self.said)))


def parameter_of(field: str) -> str:
    """How a field is called where it is given."""
    return field.removesuffix("_deg")


def _field_of(parameter: str) -> str:
    return "nominal_deg" if parameter == "nominal" else parameter


def require_bearing(options: PieceOptions) -> None:
    """Refuse what is said and has no bearing on the kind of piece that is said.

    Raises
    ------
    InputError
        Naming the parameter.
    """
    if not options.idle:
        return
    name = parameter_of(options.idle[0])
    if options.idle[0] in _OF_A_FRAME and options.kind == "gap":
        raise InputError(name, f"<{name}> is of a frame's last joint; say <frame> too, the number of its sides")
    if options.frame is not None and options.idle[0] in _OF_TWO_HALVES:
        raise InputError(name, f"<{name}> has no bearing on a frame's last joint (<frame>); leave one of the two out")
    if options.idle[0] in _BEARING[str(options.kind)]:
        raise InputError(name, f"<{name}> has no bearing on two halves (<turned_half>); leave one of the two out")
    raise InputError(name, f"<{name}> has no bearing on <piece={options.kind}>; leave it out")


def require_kind(options: PieceOptions) -> None:
    """Refuse what is said of one kind of piece where the kind is not said, or is another.

    Raises
    ------
    InputError
        Naming the parameter.
    """
    require_bearing(options)
    if options.turned_half is not None and options.kind is None:
        raise InputError(
            "turned_half",
            "<turned_half> goes with the gap between two halves; say <piece=gap> or <piece=bevel> too, or leave it out",
        )
    for name in _OF_A_FRAME:
        if getattr(options, name) is not None and options.kind is None:
            raise InputError(name, f"<{name}> goes with a frame's last joint; say <frame> too, or leave it out")
    if options.cut_edge is not None and options.kind is None:
        raise InputError("cut_edge", "<cut_edge> goes with a board on its edge; say <piece=bevel> too, or leave it out")


def options_from_json(reading: Mapping[str, Any]) -> PieceOptions:
    """What the user had said of the piece of a reading that the log keeps."""
    told = reading.get("told", {})
    thick = told.get("thickness_mm")
    kept = PieceOptions(
        thickness=None if thick is None else Quantity(thick["value"], thick["u"], "mm"),
        piece=told.get("piece"),
        fence_edge=told.get("fence_edge"),
        cuts=told.get("cuts"),
        turned_half=told.get("turned_half"),
        nominal_deg=told.get("nominal_deg"),
        cut_edge=told.get("cut_edge"),
        recut=told.get("recut"),
        cut=told.get("cut"),
        edges=told.get("edges"),
        slot=told.get("slot"),
        frame=told.get("frame"),
        frame_cuts=told.get("frame_cuts"),
        at_fence=told.get("at_fence"),
    )
    # earlier versions took and kept what had no bearing
    return PieceOptions().over(kept)


def read_piece_options(units: UnitWorld | None = None, **told: object) -> PieceOptions:
    """Read what the user typed of a piece.

    Parameters
    ----------
    units : {"mm", "in"} or None
        The unit of a bare number.
    **told
        By the names in `TOLD`; None where nothing is said.

    Raises
    ------
    InputError
        Naming the parameter; something cannot be, or has no bearing on the kind of piece.

    Examples
    --------
    >>> read_piece_options(thickness="18mm", edges="a,b").edges
    'a,b'
    """
    said = {name: value for name, value in told.items() if value is not None}
    for name, kind in (("slot", "slot"), ("frame", "gap")):
        if name in said:
            said.setdefault("piece", kind)
    read = PieceOptions(**{_field_of(name): _READERS[name](value, units) for name, value in said.items()})
    require_bearing(read)
    return read


def _one_of(name: str, known: Sequence[str]) -> Callable[[Any, UnitWorld | None], Any]:
    """A reader of one word of several."""

    def read(given: object, _: UnitWorld | None) -> str:
        if given not in known:
            raise InputError(name, f"<{name}> {given!r:.60} is not known; choose one of {', '.join(known)}")
        return str(given)

    return read


def _slot(given: int | str, _: UnitWorld | None) -> int:
    """Which of several slots: a number that was typed, or one."""
    text = str(given).strip()
    if isinstance(given, bool) or not text.isdecimal() or not 1 <= int(text[:4]) <= checks.SLOT_MOST_NUMBER:
        raise InputError("slot", f"<slot> {given!r:.40} is no number of a slot; count from 1")
    return int(text)


def _edges(given: str | Sequence[str], _: UnitWorld | None) -> str:
    """Two letters, typed ``a,b``, ``ab`` or ``A B``, or two of them."""
    letters = [each for each in "".join(given).lower() if each not in ", -/"]
    if len(letters) != 2 or letters[0] == letters[1] or not all(each in ascii_lowercase for each in letters):
        raise InputError(
            "edges",
            f"<edges> {given!r} does not name two edges; give the letters of the edge at the fence and of the fresh"
            " cut, as the picture names them: a,b",
        )
    return ",".join(letters)


def _thickness(text: str, units: UnitWorld | None) -> Quantity:
    """A thickness as typed; its uncertainty as told after ±, or by how finely it was typed."""
    from visioncheck.units import last_digit_mm, parse_length, split_doubt

    told, doubt = split_doubt(text)
    try:
        value = parse_length(told, units)
        expanded = None if doubt is None else parse_length(doubt, units)
    except UserError as problem:
        raise InputError("thickness", f"<thickness>: {problem}") from None
    if not 0 < value < checks.THICKEST_MM:
        raise InputError(
            "thickness", f"<thickness> {text} is not a board's thickness; give it like 18mm, 3/4in or 12.3mm±0.1mm"
        )
    if expanded is None:
        # rectangular within half a step of the last digit (JCGM 100:2008, 4.3.7), and a board is not all alike
        return Quantity(value, math.hypot(last_digit_mm(told, units) / math.sqrt(12), _U_BOARD_MM), "mm")
    if not 0 < expanded < value:
        raise InputError(
            "thickness", f"<thickness> {text}: what follows ± is to be above 0 and below the thickness itself"
        )
    return Quantity(value, expanded / _TWO_SIDED_95, "mm")


_READERS: Mapping[str, Callable[[Any, UnitWorld | None], Any]] = {
    "thickness": _thickness,
    "piece": _one_of("piece", PIECES),
    "fence_edge": _one_of("fence_edge", WAYS),
    "cuts": lambda given, _: given,
    "turned_half": _one_of("turned_half", HALVES),
    "nominal": lambda given, _: read_nominal(given),
    "cut_edge": _one_of("cut_edge", WAYS),
    "recut": _one_of("recut", RECUTS),
    "cut": _one_of("cut", CUTS),
    "edges": _edges,
    "slot": _slot,
    "frame": lambda given, _: read_whole({"frame": str(given)}, "frame", FEWEST_SIDES, MOST_SIDES),
    "frame_cuts": lambda given, _: read_whole({"frame_cuts": str(given)}, "frame_cuts", 2, 4 * MOST_SIDES),
    "at_fence": _one_of("at_fence", FRAME_EDGES),
}
TOLD = tuple(_READERS)
"""What a user may say of a piece, by the name that it is given by."""
