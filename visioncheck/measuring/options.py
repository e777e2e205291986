"""What a user says of a piece beyond what its photo shows: checked as typed, and as the log keeps it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from string import ascii_lowercase
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.errors import InputError, UserError
from visioncheck.fence.mitre import read_nominal
from visioncheck.fence.straightness import Recut
from visioncheck.quantity import Quantity
from visioncheck.saw import PieceSide

if TYPE_CHECKING:
    from visioncheck.units import UnitWorld

PIECES = ("corner", "panel", "strip", "slot", "gap", "bevel", "straight")
WAYS = ("top", "bottom", "left", "right")
RECUTS: tuple[Recut, Recut] = ("end for end", "second edge")
HALVES: tuple[PieceSide, PieceSide] = ("left", "right")
CUTS = ("fresh", "same")
_BEARING: Mapping[str, tuple[str, ...]] = {
    "corner": ("thickness", "fence_edge", "nominal_deg", "edges", "recut", "cut"),
    "panel": ("thickness", "fence_edge", "cut"),
    "strip": ("thickness", "fence_edge", "cuts", "nominal_deg", "cut"),
    "slot": ("thickness", "slot"),
    "gap": ("thickness", "fence_edge", "turned_half", "cut"),
    "bevel": ("thickness", "fence_edge", "turned_half", "cut_edge", "nominal_deg"),
    "straight": ("thickness", "fence_edge"),
}
"""What may be told of each kind beside the kind itself."""
_OF_ONE_HALF = ("cut_edge", "nominal_deg")
"""Of a bevel, what two halves of it have not."""
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
        if self.cuts is not None:
            return "strip"
        return "corner" if self.edges is not None or self.recut is not None else None

    @property
    def idle(self) -> tuple[str, ...]:
        """Names of what is said and has no bearing on this kind of piece."""
        if self.kind is None:
            return ()
        halves = _OF_ONE_HALF if self.turned_half is not None else ()
        known = {"piece", *_BEARING[self.kind]}.difference(halves)
        return tuple(name for name in self.said if name not in known)

    def over(self, before: PieceOptions) -> PieceOptions:
        """What was said before, where it has a bearing on the kind as it is said now, and over it what is said here."""
        both = replace(before, **self.said)
        return replace(both, **dict.fromkeys(set(both.idle).difference(self.said)))


def parameter_of(field: str) -> str:
    """How a field is called where it is given."""
    return field.removesuffix("_deg")


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
    )
    # earlier versions took and kept what had no bearing
    return PieceOptions().over(kept)


def read_piece_options(
    thickness: str | None = None,
    piece: str | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    units: UnitWorld | None = None,
    turned_half: str | None = None,
    nominal: str | float | None = None,
    cut_edge: str | None = None,
    recut: str | None = None,
    cut: str | None = None,
    edges: str | Sequence[str] | None = None,
    slot: int | str | None = None,
) -> PieceOptions:
    """Read what the user typed of a piece; `units` is the unit of a bare number.

    Raises
    ------
    InputError
        Naming the parameter; something cannot be, or has no bearing on the kind of piece.
    """
    choices = {"piece": (piece, PIECES), "fence_edge": (fence_edge, WAYS), "turned_half": (turned_half, HALVES)}
    choices |= {"cut_edge": (cut_edge, WAYS), "recut": (recut, RECUTS)}
    choices["cut"] = (cut, CUTS)
    for name, (value, known) in choices.items():
        if value is not None and value not in known:
            raise InputError(name, f"<{name}> {value!r} is not known; choose one of {', '.join(known)}")
    number = _slot(slot)
    piece = piece if piece is not None or number is None else "slot"
    half = None if turned_half is None else HALVES[HALVES.index(turned_half)]
    again = None if recut is None else RECUTS[RECUTS.index(recut)]
    thick = None if thickness is None else _thickness(thickness, units)
    told = PieceOptions(
        thick, piece, fence_edge, cuts, half, read_nominal(nominal), cut_edge, again, cut, _edges(edges), number
    )
    require_bearing(told)
    return told


def _slot(given: int | str | None) -> int | None:
    """Which of several slots: a number that was typed, or one."""
    if given is None:
        return None
    text = str(given).strip()
    if isinstance(given, bool) or not text.isdecimal() or not 1 <= int(text[:4]) <= checks.SLOT_MOST_NUMBER:
        raise InputError("slot", f"<slot> {given!r:.40} is no number of a slot; count from 1")
    return int(text)


def _edges(given: str | Sequence[str] | None) -> str | None:
    """Two letters, typed ``a,b``, ``ab`` or ``A B``, or two of them."""
    if given is None:
        return None
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
