"""Results as the log keeps them, back as data; and a reading in the shape that the picture is drawn from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from visioncheck.codes import Doubt, Note, Question
from visioncheck.errors import Refusal
from visioncheck.fence.travel import Travel
from visioncheck.flags import FlagCode
from visioncheck.quantity import Quantity
from visioncheck.reading.model import CornerReading, EdgeReading, LastJoint, Reading, StraightReading, Turned, TwoCuts
from visioncheck.results.model import (
    FromPhoto,
    RefusedResult,
    Result,
    TypedReadings,
    WithdrawnResult,
    piece_result,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from visioncheck.saw import PieceSide

    Array = NDArray[np.float64]

_CORNERS = 4


def quantity_from_json(found: Mapping[str, Any] | None, unit: str) -> Quantity | None:
    """Read what `quantity_json` wrote; None for anything else, such as nothing at all."""
    try:
        dof = math.inf if found is None or found.get("dof") is None else float(found["dof"])
        return None if found is None else Quantity(float(found["value"]), float(found["u"]), unit, dof)
    except (KeyError, TypeError, ValueError, AttributeError):
        return None


def travel_from_json(found: Mapping[str, Any]) -> Travel | None:
    """Read what `travel_json` wrote into a reading; None where the reading is not about the blade's travel."""
    said = found.get("travel")
    heel = quantity_from_json(said.get("heel_deg"), "deg") if isinstance(said, Mapping) else None
    if heel is None or said is None:
        return None
    rougher = said.get("rougher_wall")
    return Travel(
        heel,
        quantity_from_json(said.get("board_taper_deg"), "deg"),
        quantity_from_json(said.get("play_mm"), "mm"),
        quantity_from_json(said.get("run_out_mm"), "mm"),
        quantity_from_json(said.get("path_mm"), "mm"),
        rougher if rougher in {"left", "right"} else None,
    )


def flags_from_json(found: Mapping[str, Any]) -> tuple[str, ...]:
    """Take the codes of the quality flags."""
    flags = found.get("flags")
    return tuple(str(code) for code in flags) if isinstance(flags, list) else ()


def doubts_from_json(found: Mapping[str, Any]) -> tuple[Doubt, ...]:
    """Take what may be doubtful; of a log from before doubts had fields the codes alone, and those known."""
    told = {each["code"]: each.get("fields", {}) for each in found.get("doubts", ())}
    flags, known = flags_from_json(found), get_args(FlagCode)
    return tuple(Doubt(code, dict(told.get(code, {}))) for code in known if code in flags)


def budget_from_json(found: Mapping[str, Any]) -> dict[str, float]:
    """Take the standard uncertainty by source, deg."""
    budget = found.get("budget_deg")
    parts = budget.items() if isinstance(budget, dict) else ()
    return {str(source): float(u) for source, u in parts if isinstance(u, int | float)}


def question_from_json(found: Mapping[str, Any]) -> Question | None:
    """Take what is asked of the user; None where nothing is."""
    asked = found.get("question")
    return None if asked is None else Question(asked["code"], tuple(asked["choices"]), dict(asked["fields"]))


def notes_from_json(found: Mapping[str, Any]) -> tuple[Note, ...]:
    """Take the notes on a typed reading."""
    return tuple(Note(note["code"], dict(note["fields"])) for note in found.get("notes", ()))


def result_from_json(found: Mapping[str, Any]) -> Result:
    """Take a result as `as_json` wrote it, or as `schema_1.brought_up` gives an older one."""
    if "withdrawn" in found:
        return WithdrawnResult(str(found["withdrawn"]), found.get("photo"))
    if found.get("refusal") is not None:
        return _refused(str(found.get("photo", "")), found["refusal"])
    error = quantity_from_json(found.get("fence_error_deg"), "deg")
    question = question_from_json(found)
    tilt = quantity_from_json(found.get("blade_tilt_deg"), "deg")
    bow = quantity_from_json(found.get("fence_bow_mm"), "mm")
    heel = quantity_from_json(found.get("travel", {}).get("heel_deg"), "deg")
    if found.get("kind") == "typed":
        return TypedReadings(error, tilt, bow, heel, question, notes_from_json(found))
    size = quantity_from_json(found.get("fence_error_size_deg"), "deg")
    seen = FromPhoto(str(found.get("photo", "")), error, size, question, doubts_from_json(found))
    taper = quantity_from_json(found.get("taper_deg"), "deg")
    kinds = tuple(str(kind) for kind in found.get("open_kinds", ()))
    kind = str(found.get("piece") or found.get("kind"))
    return piece_result(kind, seen, taper=taper, widths=_widths(found), open_kinds=kinds, tilt=tilt, bow=bow, heel=heel)


def _widths(found: Mapping[str, Any]) -> tuple[Quantity, ...]:
    each = found.get("width_mm")
    read = [quantity_from_json(width, "mm") for width in each] if isinstance(each, list) else []
    return tuple(width for width in read if width is not None)


def _refused(photo: str, refusal: Mapping[str, Any]) -> RefusedResult:
    if refusal["case"] == "as told":
        said = str(refusal["fields"].get("sentence", ""))
        return RefusedResult(photo, sentence=said, parameter=refusal.get("parameter"))
    return RefusedResult(photo, Refusal(refusal["code"], photo, refusal["case"], **refusal["fields"]))


def reading_from_json(found: Mapping[str, Any]) -> Reading | None:
    """Build the reading that `reading_json` wrote, as far as a page needs it: lines and corners, no stations.

    Returns
    -------
    Reading or None
        None where the JSON does not say where the corners stand in the picture: a typed reading, or one of
        another make.
    """
    try:
        corners = tuple(_corner(k, each) for k, each in enumerate(found["corners"]))
        if "edges" not in found and len(corners) != _CORNERS:
            return None
        return Reading(
            photo=str(found.get("photo", "")),
            piece=str(found.get("piece", "")),
            edges=_edges(found, corners),
            names=tuple(str(each["name"]) for each in found.get("edges", ())),
            corners=corners,
            taper=quantity_from_json(found.get("taper_deg"), "deg"),
            fence_edge=_edge_number(found, "fence_edge"),
            cut_edge=_edge_number(found, "cut_edge"),
            open_end=_edge_number(found, "open_end"),
            left_half=_edge_number(found, "left_half"),
            turned_half=_half(found.get("turned_half")),
            last_joint=_last_joint(found.get("frame")),
            nominal_deg=float(found.get("nominal_deg", 90.0)),
            other_half=_half(found.get("other_half")),
            ways=tuple(str(side) for side in found.get("edge_sides", ())),
            assumed={str(key): str(value) for key, value in found.get("assumed", {}).items()},
            fence_error=quantity_from_json(found.get("fence_error_deg"), "deg"),
            two_cuts=_two_cuts(found.get("two_cuts")),
            straight=_straight(found),
            tilt=quantity_from_json(found.get("blade_tilt_deg"), "deg"),
            cut_height_mm=float(found.get("tilt", {}).get("cut_height_mm", 0.0)),
            fence_error_size=quantity_from_json(found.get("fence_error_size_deg"), "deg"),
            question=question_from_json(found),
            open_kinds=tuple(str(kind) for kind in found.get("open_kinds", ())),
            turned=None if found.get("turned") is None else Turned(**found["turned"]),
            budget=budget_from_json(found),
            doubts=doubts_from_json(found),
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        return None


def _two_cuts(found: Mapping[str, Any] | None) -> TwoCuts | None:
    if found is None:
        return None
    first, second, seat = (quantity_from_json(found[f"{key}_deg"], "deg") for key in ("first", "second", "seat"))
    if first is None or second is None or seat is None:
        raise ValueError("two cuts without their errors")
    return TwoCuts(str(found["photo"]), str(found["how"]), first, second, seat)


def _last_joint(found: Mapping[str, Any] | None) -> LastJoint | None:
    if found is None:
        return None
    return LastJoint(int(found["sides"]), int(found["cuts"]), str(found["opens"]), found.get("at_fence"))


def _straight(found: Mapping[str, Any]) -> StraightReading | None:
    bow = quantity_from_json(found.get("fence_bow_mm"), "mm")
    if bow is None:
        return None
    return StraightReading(bow, float(found["length_mm"]), quantity_from_json(found.get("sheet_bow_mm"), "mm"))


def _corner(k: int, found: Mapping[str, Any]) -> CornerReading:
    at_mm, at_px = _place(found)
    angle = quantity_from_json(found["angle_deg"], "deg")
    if angle is None or not (np.isfinite(at_mm).all() and np.isfinite(at_px).all()):
        raise ValueError("a corner without its angle or place")
    first, second = (int(each) for each in found.get("edges", ((k - 1) % _CORNERS, k)))
    return CornerReading(at_mm, at_px, angle, (first, second))


def _place(found: Mapping[str, Any]) -> tuple[Array, Array]:
    """On the table, mm, and in the picture, px."""
    at_mm, at_px = (np.array([float(found[f"x_{unit}"]), float(found[f"y_{unit}"])]) for unit in ("mm", "px"))
    return at_mm, at_px


def _edges(found: Mapping[str, Any], corners: Sequence[CornerReading]) -> tuple[EdgeReading, ...]:
    """As listed, or from corner to corner."""
    if "edges" in found:
        return tuple(_edge(_place(each["start"]), _place(each["end"])) for each in found["edges"])
    places = [(corner.at_mm, corner.at_px) for corner in corners]
    return tuple(_edge(a, b) for a, b in pairwise((*places, places[0])))


def _edge(start: tuple[Array, Array], end: tuple[Array, Array]) -> EdgeReading:
    return EdgeReading(
        start_mm=start[0],
        end_mm=end[0],
        start_px=start[1],
        end_px=end[1],
        stations_px=np.zeros((0, 2)),
        residuals_mm=np.zeros(0),
        weights=np.zeros(0),
        bow=Quantity(0.0, 0.0, "mm"),
    )


def _edge_number(found: Mapping[str, Any], key: str) -> int | None:
    number = found.get(key)
    if number is None:
        return None
    if number not in range(len(found.get("edges", range(_CORNERS)))):
        raise ValueError("no such edge")
    return int(number)


def _half(found: str | None) -> PieceSide | None:
    if found not in {None, "left", "right"}:
        raise ValueError("no such half")
    return "left" if found == "left" else "right" if found else None
