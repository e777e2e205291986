"""Typed readings of callipers, protractor or gauge: what each of them says of the fence."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.codes import Note, Question
from visioncheck.errors import InputError, UserError
from visioncheck.fence.mitre import FEWEST_SIDES, MOST_SIDES, made_at, read_nominal
from visioncheck.fence.of_frame import Frame
from visioncheck.fence.signs import (
    ButtedHalves,
    ClosedFrame,
    Cut,
    FourCuts,
    LastStrip,
    OneCut,
    blade_tilt,
    fence_error,
    strip_multiples,
)
from visioncheck.fence.straightness import fence_bow_from_gap, separate
from visioncheck.fence.travel import CutSlot, assess_travel, taper_of_widths
from visioncheck.fence.typed_input import (
    U_LENGTH_MM,
    TypedInput,
    angle_u_deg,
    length_u_mm,
    parse_angle,
    read_angle,
    read_cuts,
    read_height,
    read_length,
    read_saw,
    read_wedge,
    read_whole,
    require_choice,
)
from visioncheck.fence.typed_result import Inputs, TypedResult
from visioncheck.saw import LARGEST_ERROR_DEG, Saw

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

_KINDS = {"rear": "strip", "taper": "strip", "angle": "corner", "corners": "panel", "wedge": "gap", "frame": "frame"}
_KINDS |= {"lifted": "travel", "edge_gap": "straight", "bevel": "bevel", "bevel_wedge": "bevel"}
_MISFIT = (
    "<corners>: four cuts with one fence error miss these corners by {misfit:.3f}°, which chance makes in under 1 % of"
    " cases; was the piece cut once (<angle>), or are the corners not in the order cut (<unordered>)?"
)
_COMMA_MAY_BE_DECIMAL = re.compile(r"\s*\d+,\d+\s*[a-z\"']*\s*", re.IGNORECASE)
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
# what may be told of the saw, if only to see that the answer is the same; nominal: which angle the cut should have made
_OF_THE_SAW: dict[str, tuple[str, ...]] = dict.fromkeys(_COUNTS, ("side", "fence", "nominal"))
_OF_THE_SAW |= {"bevel": ("side", "nominal"), "bevel_wedge": (), "edge_gap": (), "lifted": ()}


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
    mode = _mode(given)
    _refuse_without_bearing(mode, {"side": side, "fence": fence, "nominal": nominal})
    nominal_deg = read_nominal(nominal)
    if mode == "bevel":
        # how the blade is tilted and how the fence is set say nothing of each other
        saw = replace(read_saw(sled, side, fence, None), nominal_deg=90.0 if nominal_deg is None else nominal_deg)
    else:
        saw = read_saw(sled, side, fence, nominal_deg)
    typed = TypedInput(
        given=dict(given),
        cuts=read_cuts(given),
        saw=saw,
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
    return replace(result, assumed={key: taken[key] for key in _COUNTS[mode] if told[key] is None})


def _refuse_without_bearing(mode: str, told: Mapping[str, object]) -> None:
    """Refuse what is told of the saw where nothing hangs on it, so that nobody believes that it counted."""
    for name, value in told.items():
        if value is not None and name not in _OF_THE_SAW[mode]:
            raise InputError(name, f"<{name}> has no bearing on <{mode}>; leave it out")


def _inputs(typed: TypedInput) -> Inputs:
    by_length = _mode(typed.given) == "rear" or "length" in typed.given
    u = (
        {"reading_mm": length_u_mm(typed), "length_mm": U_LENGTH_MM}
        if by_length
        else {"reading_deg": angle_u_deg(typed)}
    )
    return Inputs(dict(typed.given), typed.default_unit, typed.saw, u)


def _compute(typed: TypedInput) -> TypedResult:
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


def _from_widths(typed: TypedInput) -> TypedResult:
    import numpy as np

    from visioncheck.fence.squareness import taper_from_widths
    from visioncheck.quantity import Quantity

    widths = [read_length(typed, key, 1.0) for key in ("rear", "front")]
    length = Quantity(read_length(typed, "length", 10.0), U_LENGTH_MM, "mm")
    u_mm = length_u_mm(typed)
    taper = taper_from_widths(widths, u_mm**2 * np.eye(2), length)
    return TypedResult(_error(typed, LastStrip(taper, "rear", typed.cuts)), _strip_notes(typed))


def _from_taper(typed: TypedInput) -> TypedResult:
    from visioncheck.quantity import Quantity

    taper = Quantity(abs(read_angle(typed, "taper")), angle_u_deg(typed), "deg")
    wide = typed.given.get("wide")
    if wide is None:
        ask = Question("wider end", ("rear", "front"))
        error = _error(typed, LastStrip(taper, "rear", typed.cuts))
        return TypedResult(replace(error, value=abs(error.value)), _strip_notes(typed), ask)
    end: Any = require_choice("wide", wide, ("rear", "front"))
    return TypedResult(_error(typed, LastStrip(taper, end, typed.cuts)), _strip_notes(typed))


def _error(typed: TypedInput, cut: Cut, saw: Saw | None = None) -> Quantity:
    try:
        return fence_error(cut, saw or typed.saw)
    except ValueError as problem:
        raise InputError("cuts", f"<cuts> {typed.cuts}: {problem}") from None


def _strip_notes(typed: TypedInput) -> tuple[Note, ...]:
    multiples = strip_multiples(typed.cuts, typed.saw.nominal_deg)
    return (Note("counted", {"cuts": typed.cuts, "least": min(multiples), "most": max(multiples)}),)


def _from_angle(typed: TypedInput) -> TypedResult:
    from visioncheck.quantity import Quantity

    angle = Quantity(read_angle(typed, "angle"), angle_u_deg(typed), "deg")
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


def _from_two_cuts(typed: TypedInput, first: Quantity, made: Saw) -> TypedResult:
    from visioncheck.quantity import Quantity

    if "recut" not in typed.given:
        raise InputError("recut", "<again> also needs <recut>: end for end, or second edge")
    how: Any = require_choice("recut", typed.given["recut"], ("end for end", "second edge"))
    angle = Quantity(read_angle(typed, "again"), angle_u_deg(typed), "deg")
    second = fence_error(OneCut(angle), made)
    if not abs(second.value) <= LARGEST_ERROR_DEG:
        raise InputError("again", f"<again> {angle.value:g} is not within 5° of {made.nominal_deg:g}")
    parted = separate(first, second, how)
    return TypedResult(parted.error, two_cuts=(first, second, parted))


def _from_slots(typed: TypedInput) -> TypedResult:
    from visioncheck.quantity import Quantity

    length = read_length(typed, "length", 10.0)
    lifted, other, pulled = (
        _cut_slot(typed, key, length) if key in typed.given else None for key in ("lifted", "other_end", "pulled_back")
    )
    assert lifted is not None  # the mode is told by it
    tip = Quantity(read_length(typed, "tip", 0.3), length_u_mm(typed), "mm") if "tip" in typed.given else None
    return TypedResult(Quantity(0.0, 0.0, "deg"), travel=assess_travel(lifted, other, pulled, tip))


def _cut_slot(typed: TypedInput, key: str, length_mm: float) -> CutSlot:
    from visioncheck.quantity import Quantity

    text = typed.given[key]
    # 2,62 is one width with a decimal comma to many, and two to others
    widths = text.split(";") if ";" in text or _COMMA_MAY_BE_DECIMAL.fullmatch(text) else text.split(",")
    if len(widths) != 2:
        raise InputError(
            key,
            f"<{key}> needs two widths, at the open and near the inner end, such as 2.62mm;2.58mm, with points in the"
            " numbers and a semicolon between them",
        )
    parts = replace(typed, given=typed.given | {key: widths[0]}), replace(typed, given=typed.given | {key: widths[1]})
    open_mm, end_mm = (Quantity(read_length(each, key, 0.3), length_u_mm(typed), "mm") for each in parts)
    return CutSlot(taper_of_widths(open_mm, end_mm, length_mm), open_mm, end_mm)


def _from_edge_gap(typed: TypedInput) -> TypedResult:
    from visioncheck.quantity import Quantity

    where: Any = require_choice("opens", typed.given["opens"], ("middle", "ends"))
    gap = Quantity(read_length(typed, "edge_gap", 0.0), length_u_mm(typed), "mm")
    bow = fence_bow_from_gap(gap, where, read_length(typed, "length", 50.0))
    return TypedResult(Quantity(0.0, 0.0, "deg"), fence_bow=bow)


def _from_corners(typed: TypedInput) -> TypedResult:
    import numpy as np

    from visioncheck.fence.squareness import fit_panel, weigh_orders

    texts = typed.given["corners"].split(",")
    if len(texts) != 4 or typed.saw.nominal_deg != 90:
        raise InputError(
            "corners",
            "<corners> needs four angles of a right-angled panel with commas between, such as 90.02,90.03,90.01,89.94",
        )
    angles = [parse_angle("corners", text) for text in texts]
    covariance = angle_u_deg(typed) ** 2 * np.eye(4)
    orders = weigh_orders(angles, covariance) if "unordered" in typed.given else None
    fit = fit_panel(angles, covariance, shear=False) if orders is None else orders.fits[orders.best]
    if abs(fit.closure.value) > fit.closure.expanded():
        raise InputError("corners", _NO_CLOSURE.format(total=sum(angles), u=angle_u_deg(typed)))
    if fit.probability < checks.TYPED_CORNERS_CHANCE:
        raise InputError("corners", _MISFIT.format(misfit=float(abs(fit.residuals_deg).max())))
    notes = (Note("closure", {"off_deg": fit.closure.value, "expanded_deg": fit.closure.expanded()}),)
    if orders is not None and not orders.settled():
        ask = Question("order of cuts")
        return TypedResult(replace(orders.opening, value=abs(orders.opening.value)), notes, ask)
    return TypedResult(_error(typed, FourCuts(fit.opening)), notes)


def _from_wedge(typed: TypedInput) -> TypedResult:
    if typed.saw.nominal_deg != 90:
        raise InputError(
            "nominal", "<wedge> is for square cuts, or with <frame> for a mitred frame; leave <nominal> out"
        )
    wedge = read_wedge(typed)
    turned, opens = typed.given.get("turned"), typed.given.get("opens")
    if turned is None or opens is None:
        return TypedResult(wedge.scaled(0.5, "deg"), question=Question("half and opening"))
    half: Any = require_choice("turned", turned, ("left", "right"))
    where: Any = require_choice("opens", opens, ("straightedge", "far"))
    notes = (Note("turned over", {"half": half}),)
    return TypedResult(_error(typed, ButtedHalves(wedge, where, half)), notes)


def _from_bevel(typed: TypedInput) -> TypedResult:
    from visioncheck.quantity import Quantity

    angle = Quantity(read_angle(typed, "bevel"), angle_u_deg(typed), "deg")
    made = made_at(angle.value, typed.saw)
    if made is None:
        raise InputError(
            "bevel",
            f"<bevel> {angle.value:g} is not within 5° of the {typed.saw.nominal_deg:g}° that the blade should have"
            " made (<nominal>; 90 for an upright one)",
        )
    tilt = blade_tilt(OneCut(angle), made.piece, made.nominal_deg)
    return TypedResult(tilt, cut_height_mm=read_height(typed, "height"))


def _from_bevel_wedge(typed: TypedInput) -> TypedResult:
    wedge = read_wedge(typed, "bevel_wedge")
    height = read_height(typed, "height") or read_height(typed, "length")
    turned, opens = typed.given.get("turned"), typed.given.get("opens")
    if turned is None or opens is None:
        size = wedge.scaled(0.5, "deg")
        return TypedResult(size, question=Question("bevel half and opening"), cut_height_mm=height)
    half: Any = require_choice("turned", turned, ("left", "right"))
    where: Any = require_choice("opens", opens, ("straightedge", "far"))
    notes = (Note("turned over", {"half": half}),)
    return TypedResult(blade_tilt(ButtedHalves(wedge, where, half)), notes, cut_height_mm=height)


def _from_frame(typed: TypedInput) -> TypedResult:
    given = typed.given
    sides = read_whole(given, "frame", FEWEST_SIDES, MOST_SIDES)
    cuts = read_whole(given, "frame_cuts", 2, 4 * MOST_SIDES) if "frame_cuts" in given else 2 * sides
    frame, wedge = Frame(sides, cuts), read_wedge(typed)
    notes = (Note("frame", frame.shares(wedge)),)
    if "opens" not in given or "at_fence" not in given:
        return TypedResult(wedge.scaled(1 / cuts, "deg"), notes, Question("frame"))
    opens: Any = require_choice("opens", given["opens"], ("outside", "inside"))
    edge: Any = require_choice("at_fence", given["at_fence"], ("outer", "inner"))
    made = replace(frame, at_fence=edge).made(typed.saw, typed.sled_saw)
    return TypedResult(_error(typed, ClosedFrame(wedge, opens, cuts, edge), made), notes)
