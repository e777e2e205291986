"""Results for other programs and for the log: schema 2."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from visioncheck.correction.correct import correct
from visioncheck.fence.of_frame import Frame
from visioncheck.reading.model import TwoCuts
from visioncheck.results.advice import correction_json
from visioncheck.results.basis import basis_of_typed
from visioncheck.results.numbers import error_json, quantity_json
from visioncheck.results.slot import slot_json
from visioncheck.results.straight import straight_json, two_cuts_json
from visioncheck.results.tilt import tilt_json
from visioncheck.results.travel import travel_json
from visioncheck.uncertainty import absolute_value

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from visioncheck.codes import Question
    from visioncheck.correction.correct import Correction
    from visioncheck.fence.typed_result import Inputs, TypedResult
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import CornerReading, EdgeReading, LastJoint, PanelFit, Reading, WidthReading
    from visioncheck.results.model import RefusedResult, WithdrawnResult
    from visioncheck.sled.model import Sled
    from visioncheck.uncertainty import Size

SCHEMA = 2


def reading_json(reading: Reading, correction: Correction | None = None, sled: Sled | None = None) -> dict[str, Any]:
    """Write a reading for JSON, complete enough to draw it on its photo again; keys that do not apply are absent.

    Parameters
    ----------
    reading : Reading
        What the photo says.
    correction : Correction or None
        What to do about its fence error, where the sled is known.
    sled : Sled or None
        Whose blade cut a slot.

    Returns
    -------
    dict
        ``schema``, ``kind``, ``photo``, ``status``, ``piece``, ``flags``, ``doubts`` (the flags with what was seen),
        ``corners`` (places in mm in the table frame of sheet 0 and in px of the stored picture, angles in deg), then
        what applies of ``fence_edge`` and ``cut_edge`` (edge i runs from corner i to corner i + 1; of work that is not
        four-sided ``edges`` gives the straight ones, with their letters and ends, and each corner the numbers of the
        two that meet there), ``edge_sides`` (the side of the picture that each edge lies on), of a gap ``open_end``
        (the end, edge 1 or 3, where it is the wider), ``left_half`` (the wall, edge 0 or 2, that is the left half's)
        and ``turned_half``, or of a frame's last joint ``frame`` (``sides``, ``cuts``, where it ``opens``,
        ``each_joint_deg``, ``at_fence``), of a bevel ``blade_tilt_deg`` and ``tilt``, ``two_cuts``, ``fence_bow_mm``,
        ``nominal_deg`` (where the cut was not to be
        square), ``other_half`` (the side of the blade that the piece was on, where its corner tells another than was
        told), ``assumed`` (``fence`` and ``piece_side`` as taken for want of a sled, for the sign), ``taper_deg``,
        ``width_mm``, ``thickness_mm``, ``fence_error_deg`` (signed; with ``in_per_ft`` and ``mm_per_m``),
        ``fence_error_size_deg`` (where the sign cannot be known; with the 95 % interval of the size, ``low`` to
        ``high``), ``perpendicularity_mm`` (the zone that holds the cut, likewise), ``panel`` (how well four equal cuts
        fit), ``covers`` (what lies at an edge and was left out: ``against`` the piece or ``over`` its edge, and near
        which end), ``turned`` (the second photo of a pair), ``question`` (what is asked of the user then),
        ``open_kinds`` (the kinds that the piece may be, where that is asked), ``budget_deg`` (standard uncertainty by
        source), ``tag`` (the piece tag's number) and ``correction``; of a slot or gap also what
        `visioncheck.results.slot.slot_json` gives.
        Infinite degrees of freedom are null.
    """
    found: dict[str, Any] = {"schema": SCHEMA, "kind": reading.piece, "photo": reading.photo, "status": "measured"}
    if reading.question:
        found["question"] = _question_json(reading.question)
    if reading.open_kinds:
        found["open_kinds"] = list(reading.open_kinds)
    found |= {"piece": reading.piece, "flags": list(reading.flags)}
    found["doubts"] = [{"code": each.code, "fields": dict(each.fields)} for each in reading.doubts]
    found |= _places_json(reading)
    known: dict[str, Any] = {"fence_edge": reading.fence_edge, "cut_edge": reading.cut_edge}
    known |= {"edge_sides": list(reading.ways) or None, "open_end": reading.open_end}
    known |= {"left_half": reading.left_half, "turned_half": reading.turned_half}
    known |= {"nominal_deg": reading.nominal_deg if reading.nominal_deg != 90 else None}
    known |= {"other_half": reading.other_half}
    found |= {key: value for key, value in known.items() if value is not None}
    found |= _sizes_json(reading)
    if reading.slot:
        found |= slot_json(reading, reading.slot, sled)
    found |= _error_json(reading, sled)
    if reading.turned:
        found["turned"] = asdict(reading.turned)
    found |= _of_several_json(reading)
    if reading.budget:
        found["budget_deg"] = dict(reading.budget)
    if reading.tag_id is not None:
        found["tag"] = reading.tag_id
    if correction:
        found["correction"] = correction_json(correction)
    return found


def _error_json(reading: Reading, sled: Sled | None) -> dict[str, Any]:
    """Write the fence error, or its size, or the blade's tilt; and what was taken for want of a sled."""
    assumed = {"assumed": dict(reading.assumed)} if reading.assumed else {}
    if reading.fence_error:
        return error_json(reading.fence_error) | assumed
    if reading.tilt:
        return tilt_json(reading.tilt, sled, reading.cut_height_mm) | assumed
    if reading.fence_error_size is None:
        return {}
    size = absolute_value(reading.fence_error_size)
    return {"fence_error_size_deg": quantity_json(reading.fence_error_size) | {"low": size.low, "high": size.high}}


def _places_json(reading: Reading) -> dict[str, Any]:
    corners = [_corner_json(each) for each in reading.corners]
    if reading.is_four_sided or not reading.edges:
        return {"corners": corners}
    edges = [_edge_json(name, each) for name, each in zip(reading.names, reading.edges, strict=True)]
    met = [{"edges": list(each.edges)} for each in reading.corners]
    return {"corners": [corner | pair for corner, pair in zip(corners, met, strict=True)], "edges": edges}


def _of_several_json(reading: Reading) -> dict[str, Any]:
    """Write what is of two cuts, of a frame's pieces, or of two boards' edges."""
    found: dict[str, Any] = straight_json(reading.straight) if reading.straight else {}
    if reading.two_cuts:
        found["two_cuts"] = two_cuts_json(reading.two_cuts)
    if reading.last_joint and reading.taper:
        found["frame"] = _frame_json(reading.last_joint, reading.taper)
    return found


def _frame_json(joint: LastJoint, wedge: Quantity) -> dict[str, Any]:
    """Write a frame by its last joint; its size shared out evenly among all joints."""
    share = Frame(joint.sides, joint.cuts).each_joint(wedge)
    each = quantity_json(share) | {"value": abs(share.value)}
    known = {"sides": joint.sides, "cuts": joint.cuts, "opens": joint.opens, "each_joint_deg": each}
    return known if joint.at_fence is None else known | {"at_fence": joint.at_fence}


def _sizes_json(reading: Reading) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if reading.taper:
        found["taper_deg"] = quantity_json(reading.taper)
    if reading.widths:
        found["width_mm"] = [_width_json(each) for each in reading.widths]
    if reading.thickness:
        found["thickness_mm"] = quantity_json(reading.thickness)
    if reading.perpendicularity:
        found["perpendicularity_mm"] = _size_json(reading.perpendicularity)
    if reading.panel:
        found["panel"] = _panel_json(reading.panel)
    if reading.covers:
        found["covers"] = [{"edge": each.edge, "lies": each.lies, "near": each.near} for each in reading.covers]
    return found


def _panel_json(fit: PanelFit) -> dict[str, Any]:
    shear = {"shear_deg": quantity_json(fit.shear)} if fit.shear else {}
    found = {"closure_deg": quantity_json(fit.closure), "residuals_deg": [float(each) for each in fit.residuals_deg]}
    return found | shear | {"chi2": fit.chi2, "chi2_dof": fit.chi2_dof, "probability": fit.probability}


def _width_json(width: WidthReading) -> dict[str, Any]:
    found = {"at_mm": float(width.at_mm), **quantity_json(width.width)}
    return found | {"budget_mm": dict(width.budget)} if width.budget else found


def _size_json(size: Size) -> dict[str, float]:
    return {"value": size.mean, "u": size.u, "low": size.low, "high": size.high}


def _corner_json(corner: CornerReading) -> dict[str, Any]:
    return _place_json(corner.at_mm, corner.at_px) | {"angle_deg": quantity_json(corner.angle)}


def _edge_json(name: str, edge: EdgeReading) -> dict[str, Any]:
    start, end = _place_json(edge.start_mm, edge.start_px), _place_json(edge.end_mm, edge.end_px)
    return {"name": name, "start": start, "end": end}


def _place_json(at_mm: NDArray[np.float64], at_px: NDArray[np.float64]) -> dict[str, Any]:
    places = {"x_mm": at_mm[0], "y_mm": at_mm[1], "x_px": at_px[0], "y_px": at_px[1]}
    return {key: float(place) for key, place in places.items()}


def refused_json(result: RefusedResult) -> dict[str, Any]:
    """Write a photo that cannot be measured: refused, or its file or what was told of it cannot be used."""
    found: dict[str, Any] = {"schema": SCHEMA, "kind": result.kind, "photo": result.photo, "status": "refused"}
    if result.refusal is not None:
        why = result.refusal
        refusal = {"code": why.code, "case": why.case, "fields": dict(why.fields)}
        return found | {"refusal": refusal, "flags": [why.code]}
    told: dict[str, Any] = {"code": None, "case": "as told", "fields": {"sentence": result.sentence}}
    told |= {} if result.parameter is None else {"parameter": result.parameter}
    return found | {"refusal": told, "flags": []}


def withdrawn_json(result: WithdrawnResult) -> dict[str, Any]:
    """Write what stands in for a reading that its user takes back."""
    photo = {} if result.photo is None else {"photo": result.photo}
    written = {"status": "refused", "withdrawn": result.reason, "flags": []}
    return {"schema": SCHEMA, "kind": result.kind, **photo, **written}


def typed_json(result: TypedResult, sled: Sled | None) -> dict[str, Any]:
    """Write what typed readings say, as the log keeps it."""
    found: dict[str, Any] = {"schema": SCHEMA, "kind": "typed", "status": "measured", "piece": result.kind}
    found |= _typed_value_json(result, sled)
    if result.question:
        found |= {"status": "sign unknown", "question": _question_json(result.question)}
    elif sled and result.kind not in {"bevel", "straight", "travel"}:
        found["correction"] = correction_json(correct(result.error, sled, basis_of_typed(result)))
    if result.assumed:
        found["assumed"] = dict(result.assumed)
    if result.inputs:
        found["inputs"] = _inputs_json(result.inputs)
    return found | {"notes": [{"code": note.code, "fields": dict(note.fields)} for note in result.notes]}


def _typed_value_json(result: TypedResult, sled: Sled | None) -> dict[str, Any]:
    if result.travel:
        return travel_json(result.travel)
    if result.fence_bow:
        return straight_json(result.fence_bow)
    if result.kind == "bevel":
        return tilt_json(result.error, sled, result.cut_height_mm)
    if result.two_cuts is None:
        return error_json(result.error)
    first, second, parted = result.two_cuts
    return error_json(result.error) | {"two_cuts": two_cuts_json(TwoCuts("", parted.how, first, second, parted.seat))}


def _inputs_json(inputs: Inputs) -> dict[str, Any]:
    saw = inputs.saw
    stood = {"fence": saw.fence, "piece_side": saw.piece, "nominal_deg": saw.nominal_deg}
    return {"typed": dict(inputs.typed), "units": inputs.units, "u": dict(inputs.u), **stood}


def _question_json(question: Question) -> dict[str, Any]:
    return {"code": question.code, "choices": list(question.choices), "fields": dict(question.fields)}
