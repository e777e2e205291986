"""The library's functions: photos to a rig, a photo to a correction, typed readings to the same, and the log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from visioncheck.api.results import Measurement, TypedMeasurement, explained, owner
from visioncheck.errors import InputError
from visioncheck.given import StrPath, as_length, as_path, as_rig, as_sled
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from visioncheck.api.survey import SurveyResult
    from visioncheck.camera.rig import Rig
    from visioncheck.measuring.options import PieceOptions
    from visioncheck.measuring.request import RigFile, SledFile
    from visioncheck.sled.model import Sled

_THICKEST_MM = 200.0


def measure(
    photo: StrPath | tuple[StrPath, StrPath],
    *,
    rig: RigFile | Rig | SurveyResult | StrPath | None = None,
    sled: SledFile | Sled | StrPath | None = None,
    piece: str | None = None,
    thickness: str | Quantity | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    turned_half: str | None = None,
    nominal: str | float | None = None,
    cut_edge: str | None = None,
    recut: str | None = None,
    cut: str | None = None,
    edges: str | Sequence[str] | None = None,
    slot: int | None = None,
    frame: int | None = None,
    frame_cuts: int | None = None,
    at_fence: str | None = None,
) -> Measurement:
    """Measure a test piece in one photo, or in two with the piece turned a quarter turn in between.

    Parameters
    ----------
    photo : str or Path, or two of them
        The photo; or the pair, of which the first gives the terms.
    rig : optional
        What `survey` or `load_rig` gave, or the rig file's path. Without one the sheet's own errors are in the ±.
    sled : optional
        What `load_sled` gave, or the sled file's path. Without one there is neither verdict nor correction.
    piece : {"corner", "panel", "strip", "slot", "gap", "bevel", "straight"}, optional
        What kind of piece it is; where the photo alone cannot tell, the result has a `question`.
    thickness : str or Quantity, optional
        Of the piece, where no tag tells: ``"18mm"``, ``"3/4in"``, ``"12.3mm±0.1mm"``.
    fence_edge : {"top", "bottom", "left", "right"}, optional
        Side of the picture that the edge which lay on the fence points to, where no tag tells.
    cuts : int, optional
        Successive cuts behind a strip: 5 all round a panel.
    turned_half : {"left", "right"}, optional
        Of a gap: the half that was turned over, as they lay at the saw.
    nominal : str or float, optional
        Of an offcut or strip: the angle, deg, that the cut should have made with the edge at the fence, where it is not
        the sled's.
    cut_edge : {"top", "bottom", "left", "right"}, optional
        Of a bevel, side of the picture that the cut points to; `fence_edge` is then the face that lay on the table.
    recut : {"end for end", "second edge"}, optional
        Of two photos: they are of one board after each of two cuts, and how the second was made.
    cut : {"fresh", "same"}, optional
        For `pool` and the log: a cut of its own, or the piece of the photo before; otherwise pieces of one size are
        one.
    edges : str or two of them, optional
        Of a corner: the letters of its edge at the fence and of the fresh cut, as the picture names them: ``"a,b"``.
    slot : int, optional
        Of a board with several slots: which, counted from 1 from the left of the picture, or from its top where they
        lie one below the other.
    frame, frame_cuts, at_fence : int, int, {"outer", "inner"}, optional
        Of a gap: it is the last joint of a frame of so many mitred sides; how many mitre cuts the frame has, where not
        two a side; the edge of its pieces, as they lie in the frame, that was on the fence.

    Returns
    -------
    Measurement
        With `value`, `verdict`, `correction`, `question` and `doubts`.

    Raises
    ------
    Refusal
        The photo cannot be measured honestly.
    UserError
        A file cannot be read, or what is told cannot be, contradicts itself or the photo.

    Examples
    --------
    >>> import visioncheck
    >>> photo = "fixtures/photos/light-a4/corner-2.jpg"
    >>> found = visioncheck.measure(photo, sled="fixtures/sleds/alder-lane.toml")
    >>> found.value.unit, found.verdict.value, [doubt.code for doubt in found.doubts]
    ('deg', 'cannot tell', ['no-rig'])
    >>> visioncheck.measure(photo, piece="banana")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    visioncheck.errors.InputError: piece 'banana' is not known; choose one of corner, ..., gap, bevel, straight
    >>> visioncheck.measure(photo, thickness=visioncheck.Quantity(0.75, 0.01, "inch"))
    Traceback (most recent call last):
    visioncheck.errors.InputError: thickness is in 'inch', which is no unit of length; write it such as '18mm'
    """
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.request import MeasureRequest

    first, second = _one_or_two(photo)
    sled_file, rig_file = as_sled(sled), as_rig(rig)
    told = _told(
        owner(sled_file),
        thickness,
        piece=piece,
        fence_edge=fence_edge,
        cuts=None if cuts is None else _count(cuts),
        turned_half=turned_half,
        nominal=nominal,
        cut_edge=cut_edge,
        recut=recut,
        cut=cut,
        edges=edges,
        slot=slot,
        frame=frame,
        frame_cuts=frame_cuts,
        at_fence=at_fence,
    )
    outcome = measure_piece(MeasureRequest(first, second, sled_file, rig_file, told))
    if outcome.problem is not None:
        raise explained(outcome.problem)
    return Measurement(outcome.without_pixels())


def compute(
    *,
    sled: SledFile | Sled | StrPath | None = None,
    cuts: int | None = None,
    rear: str | None = None,
    front: str | None = None,
    length: str | None = None,
    taper: str | float | None = None,
    wide: str | None = None,
    angle: str | float | None = None,
    corners: str | Iterable[str | float] | None = None,
    unordered: bool = False,
    wedge: str | float | None = None,
    turned: str | None = None,
    opens: str | None = None,
    side: str | None = None,
    fence: str | None = None,
    nominal: str | float | None = None,
    frame: int | None = None,
    frame_cuts: int | None = None,
    at_fence: str | None = None,
    again: str | float | None = None,
    recut: str | None = None,
    edge_gap: str | None = None,
    lifted: str | None = None,
    other_end: str | None = None,
    pulled_back: str | None = None,
    tip: str | None = None,
    bevel: str | float | None = None,
    bevel_wedge: str | float | None = None,
    height: str | None = None,
    u: str | None = None,
) -> TypedMeasurement:
    """Compute the fence error and its correction from readings of callipers, protractor or feeler gauge.

    Give one reading: `rear` with `front` and `length`, or `taper`, `angle`, `corners` or `wedge`. Lengths are text
    with their unit; angles are degrees, or text such as ``"0.1deg"`` or ``"1.7mm/m"``.

    Parameters
    ----------
    sled : optional
        What `load_sled` gave, or the sled file's path.
    cuts : int, optional
        Successive cuts behind the strip, each with the fresh edge on the fence; 5 if not said.
    rear, front, length : str
        Widths of the last strip at its rear (nearest to you) and front ends, and the distance between the two.
    taper, wide : str
        Taper of the last strip, and its wider end: ``"rear"`` or ``"front"``.
    angle : str or float
        Corner between fence edge and fresh cut.
    corners, unordered : four of str or float, bool
        Corners of a panel cut all round, in the order cut; or round the panel, the first cut not known.
    wedge, turned, opens : str
        Gap of two halves, one turned over, of a board with parallel edges: an angle, or a width with `length`; the
        half turned over, ``"left"`` or ``"right"``; where the gap is open, ``"straightedge"`` or ``"far"``.
    side, fence : str, optional
        Side of the blade the piece was on, and of the work the fence was on, where they are not the sled's.
    nominal : str or float, optional
        The angle that the cut should have made, deg, where it is not the sled's.
    frame, frame_cuts, at_fence : int, int, str
        With `wedge`: it is the gap left in a frame of so many sides; how many mitre cuts the frame has, where not two a
        side; the edge of its pieces that was on the fence, ``"outer"`` or ``"inner"``. `opens` is then ``"outside"`` or
        ``"inside"``.
    again, recut : str or float, str
        With `angle`: the corner of a second cut of the same board, and how that was made, ``"end for end"`` or
        ``"second edge"``.
    edge_gap : str
        For the fence's bow in place of its error: how far the edges of two boards, each planed until it fits the fence,
        stand apart when put together, over `length`; `opens` is ``"middle"`` or ``"ends"``.
    lifted, other_end, pulled_back, tip : str
        For the blade against the sled's travel: widths of a slot that ends in the board, at its open and near its inner
        end, ``"2.62mm,2.58mm"``, `length` apart; of one from the board's other end, of one pulled back; over the teeth.
    bevel, bevel_wedge, height : str or float, str or float, str
        For the blade's tilt in place of the fence's error: the corner between the face that lay on the table and the
        cut, or the gap of two halves of its thickness, one turned over (as for `wedge`); the height of the cut.
    u : str, optional
        Standard uncertainty of one reading: ``"0.01mm"``, ``"0.02deg"``.

    Raises
    ------
    UserError
        Something is missing, too much, or no such number; names it.

    Examples
    --------
    A strip 0.32 mm wider at its rear over 300 mm shows four times the fence's error: (1/4) atan(0.32/300) deg.

    >>> import visioncheck
    >>> found = visioncheck.compute(cuts=5, rear="30.42mm", front="30.10mm", length="300mm")
    >>> f"{found.value.value:.4f} ± {found.value.expanded():.4f} {found.value.unit}"
    '0.0153 ± 0.0026 deg'
    >>> visioncheck.compute(rear="30.42mm", front=30.10, length="300mm")
    Traceback (most recent call last):
    visioncheck.errors.InputError: front 30.1 does not say its unit; write it as text, such as '30.42mm'
    """
    from visioncheck.fence.typed import compute_typed

    lengths = {"rear": rear, "front": front, "length": length, "height": height, "edge_gap": edge_gap, "u": u}
    lengths |= {"lifted": lifted, "other_end": other_end, "pulled_back": pulled_back, "tip": tip}
    for name, each in lengths.items():
        if each is not None and not isinstance(each, str):
            raise InputError(name, f"<{name}> {each!r:.60} does not say its unit; write it as text, such as '30.42mm'")
    words = {"wide": wide, "turned": turned, "opens": opens, "unordered": "yes" if unordered else None}
    words |= {"at_fence": at_fence, "recut": recut}
    words |= {
        "frame": None if frame is None else str(frame),
        "frame_cuts": None if frame_cuts is None else str(frame_cuts),
    }
    angles = {
        "taper": taper,
        "angle": angle,
        "again": again,
        "wedge": wedge,
        "bevel": bevel,
        "bevel_wedge": bevel_wedge,
    }
    given = {name: each for name, each in (lengths | words).items() if each is not None}
    given |= {name: _angle(name, each) for name, each in angles.items() if each is not None}
    if corners is not None:
        each_corner = corners.split(",") if isinstance(corners, str) else corners
        given["corners"] = ",".join(_angle("corners", each) for each in each_corner)
    if cuts is not None:
        given["cuts"] = str(_count(cuts))
    sled_file = as_sled(sled)
    return TypedMeasurement(compute_typed(given, owner(sled_file), side, fence, nominal), sled_file)


def load_sled(path: StrPath) -> SledFile:
    """Read a sled file: the sled, and the text that the log keeps.

    Raises
    ------
    UserError
        Naming the file and the line (broken TOML) or the key (a value that cannot be).

    Examples
    --------
    >>> import visioncheck
    >>> visioncheck.load_sled("fixtures/sleds/alder-lane.toml").sled.name
    'Alder Lane'
    """
    from visioncheck.measuring.request import read_sled

    return read_sled(as_path("path", path, "a sled file"))


def _one_or_two(photo: object) -> tuple[Path, Path | None]:
    if isinstance(photo, tuple | list):
        if len(photo) != 2:
            raise InputError("photo", f"<photo> is one photo or two of one piece, and {len(photo)} are given")
        return as_path("photo", photo[0], "a photo"), as_path("photo", photo[1], "a photo")
    return as_path("photo", photo, "a photo"), None


def _told(owner: Sled | None, thickness: str | Quantity | None, **others: object) -> PieceOptions:
    """Check what is told of the piece; a thickness that is not text must say its unit."""
    from visioncheck.measuring.options import read_piece_options

    units = owner.units if owner else None
    typed = thickness if isinstance(thickness, str) else None
    told = read_piece_options(units, thickness=typed, **others)
    if thickness is None or typed is not None:
        return told
    length = as_length("thickness", thickness, "'18mm'")
    if length.value >= _THICKEST_MM:
        raise InputError("thickness", f"<thickness> of {length.value:g} mm is no board's; write it such as '18mm'")
    return replace(told, thickness=length)


def _count(cuts: object) -> int:
    if isinstance(cuts, bool) or not isinstance(cuts, int) or cuts < 2:
        raise InputError("cuts", f"<cuts> {cuts!r:.60} is no count of cuts; write 2 or more, 5 all round a panel")
    return cuts


def _angle(name: str, given: object) -> str:
    """Write an angle as the typed readings take it; a bare number is degrees."""
    if isinstance(given, str):
        return given.strip()
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise InputError(name, f"<{name}> {given!r:.60} is no angle; write degrees, or text such as '0.1deg'")
    return f"{given:.9f}".rstrip("0").rstrip(".")
