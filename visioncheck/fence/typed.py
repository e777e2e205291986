"""Typed readings of callipers, protractor or gauge: what each of them says of the fence."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.codes import Note, Question
from visioncheck.errors import InputError, UserError
from visioncheck.fence.mitre import FEWEST_SIDES, MOST_SIDES, frame_corner_deg, made_at, read_nominal, require_setting
from visioncheck.fence.signs import (
    ButtedHalves,
    ClosedFrame,
    Cut,
    FourCuts,
    LastStrip,
    OneCut,
    blade_tilt,
    fence_error,
    strip_multiple,
)
from visioncheck.fence.straightness import FenceBow, Separated, fence_bow_from_gap, separate
from visioncheck.fence.travel import CutSlot, Travel, assess_travel, taper_of_widths
from visioncheck.saw import LARGEST_ERROR_DEG, Saw

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.errors import Field
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

# standard uncertainty of one reading when nothing is said; common practice, no source
_U_CALLIPERS_MM = 0.02
_U_PROTRACTOR_DEG = 0.05
_U_LENGTH_MM = 0.5
_USUAL_CUTS = 5
_KINDS = {"rear": "strip", "taper": "strip", "angle": "corner", "corners": "panel", "wedge": "gap", "frame": "frame"}
_KINDS |= {"lifted": "travel", "edge_gap": "straight", "bevel": "bevel", "bevel_wedge": "bevel"}
_MISFIT = (
    "<corners>: four cuts with one fence error miss these corners by {misfit:.3f}°, which chance makes in under 1 % of"
    " cases; was the piece cut once (<angle>), or are the corners not in the order cut (<unordered>)?"
)
_NO_CLOSURE = (
    "<corners>: the four sum to {total:.3f}°, and four corners sum to 360°; read them again, or say with <u> how well"
    " you read one (now {u:.3g}°)"
)
# what each reading's sign hangs on; the rear and front ends of a strip change places with the fence's side
_COUNTS = {
    "rear": ("piece_side",),
    "taper": ("piece_side",),
    "angle": ("fence", "piece_side"),
    "corners": ("fence", "piece_side"),
    "wedge": ("fence",),
    "frame": ("fence", "piece_side"),
    "bevel": ("piece_side",),
    "bevel_wedge": (),
    "edge_gap": (),
    "lifted": (),
}


@dataclass(frozen=True, slots=True)
class _Typed:
    """What was typed, and the saw it came from."""

    given: dict[str, str]
    cuts: int
    saw: Saw
    default_unit: str | None
    sled_saw: Saw | None = None


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a typed result was reckoned from, whole enough to reckon it again.

    Parameters
    ----------
    typed : mapping of str to str
        As it was typed, by the names of the parameters.
    units : {"in", "mm"} or None
        The unit of bare numbers; None: none were allowed.
    saw : Saw
        How the saw was taken to stand.
    u : mapping of str to float
        Standard uncertainty that each kind of reading was given: ``reading_mm``, ``reading_deg``, ``length_mm``.
    """

    typed: Mapping[str, str]
    units: str | None
    saw: Saw
    u: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class TypedResult:
    """Fence error, what else there is to say, what is missing to know its sign, and the kind of test piece.

    `assumed` is what gives it its sign and was neither typed nor in a sled's file: ``fence``, ``piece_side``.
    `inputs` is what it was reckoned from. Of the kind ``bevel`` the error is the blade's tilt, and
    `cut_height_mm` the height of the cut where it is known. `two_cuts` are both cuts' own errors, and what they say
    together; `fence_bow` is what stands in the place of an error of the kind ``straight``,
    and `travel` of the kind ``travel``.
    """

    error: Quantity
    notes: tuple[Note, ...] = ()
    question: Question | None = None
    kind: str = ""
    assumed: Mapping[str, str] = field(default_factory=dict)
    inputs: Inputs | None = None
    cut_height_mm: float = 0.0
    two_cuts: tuple[Quantity, Quantity, Separated] | None = None
    fence_bow: FenceBow | None = None
    travel: Travel | None = None


def compute_typed(
    given: Mapping[str, str],
    sled: Sled | None = None,
    side: str | None = None,
    fence: str | None = None,
    nominal: str | float | None = None,
) -> TypedResult:
    """Reckon the fence error from readings as they were typed.

    Parameters
    ----------
    given : mapping of str to str
        What was typed, by the names of the parameters: ``rear``, ``front``, ``length``, ``taper``, ``wide``,
        ``angle``, ``corners``, ``unordered``, ``wedge``, ``turned``, ``opens``, ``frame``, ``frame_cuts``,
        ``at_fence``, ``bevel``, ``bevel_wedge``, ``height``, ``again``, ``recut``,
        ``edge_gap``, ``lifted``, ``other_end``, ``pulled_back``, ``tip``, ``cuts``, ``u``.
    sled : Sled or None
        Gives the units of bare numbers, and the sides where they are not said.
    side : {"left", "right"} or None
        Side of the blade the piece was on.
    fence : {"rear", "front"} or None
        Side of the work the fence was on.
    nominal : str, float or None
        The angle that the cut should have made, deg; None: the sled's.

    Raises
    ------
    InputError
        Something is missing, too much, or no such number; names the parameter.
    """
    typed = _Typed(
        given=dict(given),
        cuts=_cuts(given),
        saw=_saw(sled, side, fence, read_nominal(nominal)),
        default_unit=sled.units if sled else None,
        sled_saw=sled.saw if sled else None,
    )
    result = replace(_compute(typed), inputs=_inputs(typed))
    if not abs(result.error.value) <= LARGEST_ERROR_DEG:
        what = "lean the blade by" if result.kind == "bevel" else "put the fence out by"
        raise UserError(
            f"These readings {what} {result.error.value:.2f}°; check them, the side of the blade and the nominal angle"
        )
    if sled or result.question:
        return result
    told = {"fence": fence, "piece_side": side}
    taken = {"fence": typed.saw.fence, "piece_side": typed.saw.piece}
    return replace(result, assumed={key: taken[key] for key in _COUNTS[_mode(given)] if told[key] is None})


def _inputs(typed: _Typed) -> Inputs:
    by_length = _mode(typed.given) == "rear" or "length" in typed.given
    u = {"reading_mm": _u_length(typed), "length_mm": _U_LENGTH_MM} if by_length else {"reading_deg": _u_angle(typed)}
    return Inputs(dict(typed.given), typed.default_unit, typed.saw, u)


def _saw(sled: Sled | None, side: str | None, fence: str | None, nominal_deg: float | None) -> Saw:
    usual = Saw() if sled is None else sled.saw
    piece: Any = _require_choice("side", side or usual.piece, ("left", "right"))
    where: Any = _require_choice("fence", fence or usual.fence, ("rear", "front"))
    told = Saw(where, piece)
    if nominal_deg is None:
        # the fence stands as it does, whichever side of the blade the piece was on
        nominal_deg = 90.0 + told.sense * usual.sense * (usual.nominal_deg - 90.0)
    elif sled is not None:
        require_setting(nominal_deg, usual)
    return replace(told, nominal_deg=nominal_deg)


def _cuts(given: Mapping[str, str]) -> int:
    text = given.get("cuts", str(_USUAL_CUTS))
    if not text.strip().isdecimal() or len(text) > 4:
        raise InputError("cuts", f"<cuts> {text!r} is no number of cuts; write a whole number such as 5")
    return int(text)


def _require_choice(name: str, value: str, choices: tuple[str, ...]) -> str:
    if value not in choices:
        raise InputError(name, f"<{name}> is {value!r}; it must be {' or '.join(choices)}")
    return value


def _compute(typed: _Typed) -> TypedResult:
    modes = {
        "rear": (_from_widths, {"rear", "front", "length"}, {"cuts"}),
        "taper": (_from_taper, {"taper"}, {"wide", "cuts"}),
        "angle": (_from_angle, {"angle"}, {"again", "recut"}),
        "lifted": (_from_slots, {"lifted", "length"}, {"other_end", "pulled_back", "tip"}),
        "edge_gap": (_from_edge_gap, {"edge_gap", "length", "opens"}, set[str]()),
        "corners": (_from_corners, {"corners"}, {"unordered"}),
        "wedge": (_from_wedge, {"wedge"}, {"turned", "opens", "length"}),
        "bevel": (_from_bevel, {"bevel"}, {"height"}),
        "bevel_wedge": (_from_bevel_wedge, {"bevel_wedge"}, {"turned", "opens", "length", "height"}),
        "frame": (_from_frame, {"wedge", "frame"}, {"frame_cuts", "opens", "at_fence", "length"}),
    }
    mode = _mode(typed.given)
    reckoning, needs, may = modes[mode]
    missing = sorted(needs - typed.given.keys())
    if missing:
        raise InputError(missing[0], f"<{mode}> also needs {' and '.join(f'<{key}>' for key in missing)}")
    foreign = sorted(typed.given.keys() - needs - may - {"u"})
    if foreign:
        raise InputError(foreign[0], f"<{foreign[0]}> does not belong to <{mode}>; leave it out")
    return replace(reckoning(typed), kind=_KINDS[mode])


def _mode(given: Mapping[str, str]) -> str:
    """The one reading that was typed, by the option that begins it."""
    chosen = [mode for mode in _COUNTS if mode in given and mode != "frame"]
    if len(chosen) != 1:
        raise InputError(
            "rear",
            "Give one reading: <rear> with <front> and <length>, or <taper>, <angle>, <corners>, <wedge>, <bevel>,"
            " <bevel_wedge>, <edge_gap> or <lifted>",
        )
    return "frame" if chosen[0] == "wedge" and "frame" in given else chosen[0]


def _from_widths(typed: _Typed) -> TypedResult:
    import numpy as np

    from visioncheck.fence.squareness import taper_from_widths
    from visioncheck.quantity import Quantity

    widths = [_length(typed, key, 1.0) for key in ("rear", "front")]
    length = Quantity(_length(typed, "length", 10.0), _U_LENGTH_MM, "mm")
    u_mm = _u_length(typed)
    taper = taper_from_widths(widths, u_mm**2 * np.eye(2), length)
    return TypedResult(_error(typed, LastStrip(taper, "rear", typed.cuts)), _strip_notes(typed))


def _from_taper(typed: _Typed) -> TypedResult:
    from visioncheck.quantity import Quantity

    taper = Quantity(abs(_angle(typed, "taper")), _u_angle(typed), "deg")
    wide = typed.given.get("wide")
    if wide is None:
        ask = Question("wider end", ("rear", "front"))
        error = _error(typed, LastStrip(taper, "rear", typed.cuts))
        return TypedResult(replace(error, value=abs(error.value)), _strip_notes(typed), ask)
    end: Any = _require_choice("wide", wide, ("rear", "front"))
    return TypedResult(_error(typed, LastStrip(taper, end, typed.cuts)), _strip_notes(typed))


def _error(typed: _Typed, cut: Cut, saw: Saw | None = None) -> Quantity:
    try:
        return fence_error(cut, saw or typed.saw)
    except ValueError as problem:
        raise InputError("cuts", f"<cuts> {typed.cuts}: {problem}") from None


def _strip_notes(typed: _Typed) -> tuple[Note, ...]:

    multiple = strip_multiple(typed.cuts, typed.saw.nominal_deg)
    uncut = typed.cuts - 1 < round(360 / (180 - typed.saw.nominal_deg))
    return (Note("counted", {"cuts": typed.cuts, "multiple": multiple, "outer_side_uncut": uncut}),)


def _from_angle(typed: _Typed) -> TypedResult:
    from visioncheck.quantity import Quantity

    angle = Quantity(_angle(typed, "angle"), _u_angle(typed), "deg")
    made = made_at(angle.value, typed.saw) if typed.saw.is_mitre else typed.saw
    if made is None:
        raise InputError(
            "nominal",
            f"<angle> {angle.value:g} is not within 5° of {typed.saw.nominal_deg:g}, which the cut"
            f" should have made by <nominal> or the sled, nor of {180 - typed.saw.nominal_deg:g}, the other half's",
        )
    error = fence_error(OneCut(angle), made)
    if "again" in typed.given:
        return _from_two_cuts(typed, error, made)
    if "recut" in typed.given:
        raise InputError("recut", "<recut> goes with <again>, the corner of the second cut")
    if made.piece == typed.saw.piece:
        return TypedResult(error)
    return TypedResult(error, (Note("other half", {"piece_side": made.piece, "nominal_deg": made.nominal_deg}),))


def _from_two_cuts(typed: _Typed, first: Quantity, made: Saw) -> TypedResult:
    from visioncheck.quantity import Quantity

    if "recut" not in typed.given:
        raise InputError("recut", "<again> also needs <recut>: end for end, or second edge")
    how: Any = _require_choice("recut", typed.given["recut"], ("end for end", "second edge"))
    angle = Quantity(_angle(typed, "again"), _u_angle(typed), "deg")
    second = fence_error(OneCut(angle), made)
    if not abs(second.value) <= LARGEST_ERROR_DEG:
        raise InputError("again", f"<again> {angle.value:g} is not within 5° of {made.nominal_deg:g}")
    parted = separate(first, second, how)
    return TypedResult(parted.error, two_cuts=(first, second, parted))


def _from_slots(typed: _Typed) -> TypedResult:
    from visioncheck.quantity import Quantity

    length = _length(typed, "length", 10.0)
    lifted, other, pulled = (
        _cut_slot(typed, key, length) if key in typed.given else None for key in ("lifted", "other_end", "pulled_back")
    )
    assert lifted is not None  # the mode is told by it
    tip = Quantity(_length(typed, "tip", 0.3), _u_length(typed), "mm") if "tip" in typed.given else None
    return TypedResult(Quantity(0.0, 0.0, "deg"), travel=assess_travel(lifted, other, pulled, tip))


def _cut_slot(typed: _Typed, key: str, length_mm: float) -> CutSlot:
    from visioncheck.quantity import Quantity

    widths = re.split(r"[,;]", typed.given[key])
    if len(widths) != 2:
        raise InputError(key, f"<{key}> needs two widths, at the open and near the inner end, such as 2.62mm;2.58mm")
    parts = replace(typed, given=typed.given | {key: widths[0]}), replace(typed, given=typed.given | {key: widths[1]})
    open_mm, end_mm = (Quantity(_length(each, key, 0.3), _u_length(typed), "mm") for each in parts)
    return CutSlot(taper_of_widths(open_mm, end_mm, length_mm), open_mm, end_mm)


def _from_edge_gap(typed: _Typed) -> TypedResult:
    from visioncheck.quantity import Quantity

    where: Any = _require_choice("opens", typed.given["opens"], ("middle", "ends"))
    gap = Quantity(_length(typed, "edge_gap", 0.0), _u_length(typed), "mm")
    bow = fence_bow_from_gap(gap, where, _length(typed, "length", 50.0))
    return TypedResult(Quantity(0.0, 0.0, "deg"), fence_bow=bow)


def _from_corners(typed: _Typed) -> TypedResult:
    import numpy as np

    from visioncheck.fence.squareness import fit_panel, weigh_orders

    texts = typed.given["corners"].split(",")
    if len(texts) != 4 or typed.saw.nominal_deg != 90:
        raise InputError(
            "corners",
            "<corners> needs four angles of a right-angled panel with commas between, such as 90.02,90.03,90.01,89.94",
        )
    angles = [_plain_angle("corners", text) for text in texts]
    covariance = _u_angle(typed) ** 2 * np.eye(4)
    orders = weigh_orders(angles, covariance) if "unordered" in typed.given else None
    fit = fit_panel(angles, covariance, shear=False) if orders is None else orders.fits[orders.best]
    if abs(fit.closure.value) > fit.closure.expanded():
        raise InputError("corners", _NO_CLOSURE.format(total=sum(angles), u=_u_angle(typed)))
    if fit.probability < checks.TYPED_CORNERS_CHANCE:
        raise InputError("corners", _MISFIT.format(misfit=float(abs(fit.residuals_deg).max())))
    notes = (Note("closure", {"off_deg": fit.closure.value, "expanded_deg": fit.closure.expanded()}),)
    if orders is not None and not orders.settled():
        ask = Question("order of cuts")
        return TypedResult(replace(orders.opening, value=abs(orders.opening.value)), notes, ask)
    return TypedResult(_error(typed, FourCuts(fit.opening)), notes)


def _from_wedge(typed: _Typed) -> TypedResult:
    if typed.saw.nominal_deg != 90:
        raise InputError(
            "nominal", "<wedge> is for square cuts, or with <frame> for a mitred frame; leave <nominal> out"
        )
    wedge = _wedge(typed)
    turned, opens = typed.given.get("turned"), typed.given.get("opens")
    if turned is None or opens is None:
        return TypedResult(wedge.scaled(0.5, "deg"), question=Question("half and opening"))
    half: Any = _require_choice("turned", turned, ("left", "right"))
    where: Any = _require_choice("opens", opens, ("straightedge", "far"))
    notes = (Note("turned over", {"half": half}),)
    return TypedResult(_error(typed, ButtedHalves(wedge, where, half)), notes)


def _from_bevel(typed: _Typed) -> TypedResult:
    from visioncheck.quantity import Quantity

    angle = Quantity(_angle(typed, "bevel"), _u_angle(typed), "deg")
    if not abs(angle.value - 90.0) <= LARGEST_ERROR_DEG:
        raise InputError("bevel", f"<bevel> {angle.value:g} is not within 5° of the 90° of an upright blade")
    return TypedResult(blade_tilt(OneCut(angle), typed.saw.piece), cut_height_mm=_height(typed, "height"))


def _from_bevel_wedge(typed: _Typed) -> TypedResult:
    wedge = _wedge(typed, "bevel_wedge")
    height = _height(typed, "height") or _height(typed, "length")
    turned, opens = typed.given.get("turned"), typed.given.get("opens")
    if turned is None or opens is None:
        size = wedge.scaled(0.5, "deg")
        return TypedResult(size, question=Question("bevel half and opening"), cut_height_mm=height)
    half: Any = _require_choice("turned", turned, ("left", "right"))
    where: Any = _require_choice("opens", opens, ("straightedge", "far"))
    notes = (Note("turned over", {"half": half}),)
    return TypedResult(blade_tilt(ButtedHalves(wedge, where, half)), notes, cut_height_mm=height)


def _height(typed: _Typed, key: str) -> float:
    return _length(typed, key, 5.0) if key in typed.given else 0.0


def _from_frame(typed: _Typed) -> TypedResult:
    given = typed.given
    sides = _whole(given, "frame", FEWEST_SIDES, MOST_SIDES)
    cuts = _whole(given, "frame_cuts", 2, 4 * MOST_SIDES) if "frame_cuts" in given else 2 * sides
    wedge, outer_deg = _wedge(typed), frame_corner_deg(sides)
    each = wedge.scaled(1 / cuts, "deg")
    joints = cuts // 2
    joint = wedge.scaled(1 / joints, "deg")
    fields: dict[str, Field] = {"sides": sides, "cuts": cuts, "joints": joints, "corner_deg": outer_deg}
    fields |= {"joint_deg": joint.value, "joint_u_deg": joint.expanded()}
    fields |= {"cut_deg": each.value, "cut_u_deg": each.expanded()}
    notes = (Note("frame", fields),)
    if "opens" not in given or "at_fence" not in given:
        return TypedResult(each, notes, Question("frame"))
    opens: Any = _require_choice("opens", given["opens"], ("outside", "inside"))
    edge: Any = _require_choice("at_fence", given["at_fence"], ("outer", "inner"))
    nominal = outer_deg if edge == "outer" else 180.0 - outer_deg
    if typed.sled_saw is not None:
        require_setting(nominal, typed.sled_saw, "frame")
    made = made_at(nominal, typed.saw) if typed.saw.is_mitre else replace(typed.saw, nominal_deg=nominal)
    if made is None:
        raise InputError(
            "frame",
            f"<frame> {sides} needs corners of {nominal:g}°, and by <nominal> or the sled the cuts are to make"
            f" {typed.saw.nominal_deg:g}°; set the sled to {180 / sides:g}° off square, or mend what is told of it",
        )
    return TypedResult(_error(typed, ClosedFrame(wedge, opens, cuts, edge), made), notes)


def _whole(given: Mapping[str, str], name: str, least: int, most: int) -> int:
    text = given[name].strip()
    if not text.isdecimal() or len(text) > 4 or not least <= int(text) <= most:
        raise InputError(name, f"<{name}> {text!r} is no whole number from {least} to {most}")
    return int(text)


def _wedge(typed: _Typed, key: str = "wedge") -> Quantity:
    """A gap between two faces: an angle, or its width where it is open and the length from there to its tip."""
    from visioncheck.quantity import Quantity

    if "length" in typed.given:
        import numpy as np

        from visioncheck.fence.squareness import taper_from_widths

        gap, length = _length(typed, key, 0.0), _length(typed, "length", 10.0)
        covariance = np.diag([_u_length(typed) ** 2, 0.0])
        return taper_from_widths([gap, 0.0], covariance, Quantity(length, _U_LENGTH_MM, "mm"))
    return Quantity(abs(_angle(typed, key)), _u_angle(typed), "deg")


def _length(typed: _Typed, key: str, least_mm: float) -> float:
    from visioncheck.units import parse_length

    try:
        length = parse_length(typed.given[key], typed.default_unit)
    except UserError as problem:
        raise InputError(key, f"<{key}>: {problem}") from None
    if not least_mm <= length <= 10_000:
        raise InputError(key, f"<{key}> is {length:g} mm; it should lie between {least_mm:g} mm and 10 m")
    return length


def _angle(typed: _Typed, key: str) -> float:
    return _plain_angle(key, typed.given[key])


def _plain_angle(name: str, text: str) -> float:
    """Read degrees, bare or with their sign, or a slope."""
    from visioncheck.units import deg_from_slope, parse_slope

    bare = text.strip().removesuffix("deg").removesuffix("°").strip()
    try:
        value = float(bare) if set(bare) <= set("0123456789.+-") else deg_from_slope(parse_slope(text))
    except (ValueError, UserError):
        raise InputError(
            name, f"<{name}>: {text!r} is no angle; write for example 90.05, 0.1deg or 0.02in/ft"
        ) from None
    if not abs(value) < 360:
        raise InputError(name, f"<{name}>: {text!r} is no angle below a full turn")
    return value


def _u_length(typed: _Typed) -> float:
    from visioncheck.units import parse_length

    if "u" not in typed.given:
        return _U_CALLIPERS_MM
    try:
        u_mm = parse_length(typed.given["u"], typed.default_unit)
    except UserError as problem:
        raise InputError("u", f"<u>: {problem}") from None
    return _positive_u(u_mm)


def _u_angle(typed: _Typed) -> float:
    return _positive_u(_angle(typed, "u")) if "u" in typed.given else _U_PROTRACTOR_DEG


def _positive_u(u: float) -> float:
    if not u > 0 or not math.isfinite(u):
        raise InputError("u", "<u> must be larger than nothing: no reading is exact")
    return u
