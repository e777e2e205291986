"""The shape of a result's JSON object, schema 2, for whoever reads it: the JSON Schema file beside this module.

Keys that are not named here may stand beside those that are: what a log adds, and what one kind alone has.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal, NotRequired

from pydantic import ConfigDict, Field, TypeAdapter, with_config
from typing_extensions import TypedDict

from visioncheck.codes import NoteCode, QuestionCode
from visioncheck.flags import FlagCode

SCHEMA_FILE = Path(__file__).with_name("schema-2.json")
Fields = dict[str, str | float | bool | None]
_OPEN = ConfigDict(extra="allow", strict=True)


@with_config(_OPEN)
class QuantityData(TypedDict):
    """A value with its standard uncertainty, degrees of freedom (null: infinite) and 95 % half width."""

    value: float
    u: Annotated[float, Field(ge=0)]
    dof: float | None
    expanded: Annotated[float, Field(ge=0)]


@with_config(_OPEN)
class QuestionData(TypedDict):
    """What the user must say for the fence error to be known."""

    code: QuestionCode
    choices: list[str]
    fields: Fields


@with_config(_OPEN)
class NoteData(TypedDict):
    """Something else to say of a typed reading."""

    code: NoteCode
    fields: Fields


@with_config(_OPEN)
class DoubtData(TypedDict):
    """What a reading may suffer from, and what was seen of it."""

    code: FlagCode
    fields: Fields


@with_config(_OPEN)
class RefusalData(TypedDict):
    """Why a photo is refused; without a code what was wrong with the file or what was told, as a sentence."""

    code: FlagCode | None
    case: str
    fields: Fields
    parameter: NotRequired[str]


@with_config(_OPEN)
class CornerData(TypedDict):
    """One corner: its place on the table (mm) and in the stored picture (px), and its angle."""

    x_mm: float
    y_mm: float
    x_px: float
    y_px: float
    angle_deg: QuantityData
    edges: NotRequired[list[int]]


@with_config(_OPEN)
class PlaceData(TypedDict):
    """A place on the table (mm) and in the stored picture (px)."""

    x_mm: float
    y_mm: float
    x_px: float
    y_px: float


@with_config(_OPEN)
class EdgeData(TypedDict):
    """A straight edge of work that is not four-sided, with its letter."""

    name: str
    start: PlaceData
    end: PlaceData


@with_config(_OPEN)
class CorrectionData(TypedDict):
    """What to do about the fence error."""

    advice: str
    verdict: NotRequired[str]
    probability_inside: NotRequired[Annotated[float, Field(ge=0, le=1)]]
    end: NotRequired[Literal["left", "right"]]
    way: NotRequired[Literal["forward", "back"]]
    move_mm: NotRequired[QuantityData]


@with_config(_OPEN)
class FrameData(TypedDict):
    """A mitred frame by its last joint."""

    sides: Annotated[int, Field(ge=3)]
    cuts: Annotated[int, Field(ge=2)]
    opens: Literal["outside", "inside"]
    each_joint_deg: QuantityData
    at_fence: NotRequired[Literal["outer", "inner"]]


@with_config(_OPEN)
class TiltData(TypedDict):
    """What a blade's tilt asks for."""

    advice: Literal["leave it", "turn it back", "measure again"]
    verdict: str
    probability_inside: Annotated[float, Field(ge=0, le=1)]
    tolerance_deg: float
    leans: NotRequired[Literal["left", "right"]]
    cut_height_mm: NotRequired[float]
    aside_mm: NotRequired[QuantityData]


@with_config(_OPEN)
class TwoCutsData(TypedDict):
    """Two cuts of one board: each one's own fence error, and what the board's edge has in them."""

    photo: str
    how: Literal["end for end", "second edge"]
    first_deg: QuantityData
    second_deg: QuantityData
    seat_deg: QuantityData


@with_config(_OPEN)
class _Common(TypedDict):
    schema: Literal[2]
    status: Literal["measured", "refused", "sign unknown"]


@with_config(_OPEN)
class _Measured(_Common):
    photo: NotRequired[str]
    piece: NotRequired[str]
    flags: list[FlagCode]
    doubts: NotRequired[list[DoubtData]]
    corners: NotRequired[list[CornerData]]
    edges: NotRequired[list[EdgeData]]
    question: NotRequired[QuestionData]
    nominal_deg: NotRequired[float]
    other_half: NotRequired[Literal["left", "right"]]
    fence_error_deg: NotRequired[QuantityData]
    two_cuts: NotRequired[TwoCutsData]
    fence_error_size_deg: NotRequired[QuantityData]
    taper_deg: NotRequired[QuantityData]
    width_mm: NotRequired[list[QuantityData]]
    thickness_mm: NotRequired[QuantityData]
    budget_deg: NotRequired[dict[str, float]]
    correction: NotRequired[CorrectionData]


@with_config(_OPEN)
class Corner(_Measured):
    """An offcut with one fresh cut."""

    kind: Literal["corner"]


@with_config(_OPEN)
class Panel(_Measured):
    """A panel cut all round."""

    kind: Literal["panel"]


@with_config(_OPEN)
class Strip(_Measured):
    """The strip of successive cuts."""

    kind: Literal["strip"]


@with_config(_OPEN)
class Slot(_Measured):
    """A board with a saw slot."""

    kind: Literal["slot"]
    width_mm: list[QuantityData]  # type: ignore[misc]  # every slot has it


@with_config(_OPEN)
class Gap(_Measured):
    """Two halves of one cut, butted."""

    kind: Literal["gap"]
    width_mm: list[QuantityData]  # type: ignore[misc]  # every gap has it
    frame: NotRequired[FrameData]


@with_config(_OPEN)
class Bevel(_Measured):
    """A board on its edge, or two halves of its cut: the blade's tilt."""

    kind: Literal["bevel"]
    blade_tilt_deg: NotRequired[QuantityData]
    tilt: NotRequired[TiltData]


@with_config(_OPEN)
class Straight(_Measured):
    """A board's edge that was planed to fit the fence: the fence's bow."""

    kind: Literal["straight"]
    fence_bow_mm: NotRequired[QuantityData]
    sheet_bow_mm: NotRequired[QuantityData]
    length_mm: NotRequired[float]


@with_config(_OPEN)
class Unknown(_Measured):
    """A piece whose kind is asked."""

    kind: Literal["unknown"]
    open_kinds: list[str]
    question: QuestionData  # type: ignore[misc]  # that is what makes it unknown


@with_config(_OPEN)
class InputsData(TypedDict):
    """What typed readings were: the texts, the unit of bare numbers, standard uncertainties, how the saw stood."""

    typed: dict[str, str]
    units: Literal["in", "mm"] | None
    u: dict[str, float]
    fence: Literal["rear", "front"]
    piece_side: Literal["left", "right"]
    nominal_deg: float


@with_config(_OPEN)
class Typed(_Common):
    """Readings that were typed."""

    kind: Literal["typed"]
    fence_error_deg: NotRequired[QuantityData]
    blade_tilt_deg: NotRequired[QuantityData]
    tilt: NotRequired[TiltData]
    two_cuts: NotRequired[TwoCutsData]
    fence_bow_mm: NotRequired[QuantityData]
    travel: NotRequired[dict[str, Any]]
    question: NotRequired[QuestionData]
    notes: list[NoteData]
    inputs: NotRequired[InputsData]
    correction: NotRequired[CorrectionData]


@with_config(_OPEN)
class Pooled(_Common):
    """Several readings of one sled as one."""

    kind: Literal["pooled"]
    fence_error_deg: QuantityData
    pieces: Annotated[int, Field(ge=1)]
    readings: Annotated[int, Field(ge=1)]
    scatter_deg: Annotated[float, Field(ge=0)]
    correction: NotRequired[CorrectionData]


@with_config(_OPEN)
class Refused(_Common):
    """A photo that cannot be measured."""

    kind: Literal["refused"]
    photo: NotRequired[str]
    refusal: RefusalData
    flags: list[FlagCode]


@with_config(_OPEN)
class Withdrawn(_Common):
    """A reading that its user took back, for a reason in the user's words."""

    kind: Literal["withdrawn"]
    withdrawn: str


@with_config(_OPEN)
class LengthData(TypedDict):
    """One piece of repeat cuts."""

    name: str
    length_mm: float
    u_own_mm: float
    angle_deg: NotRequired[QuantityData]


@with_config(_OPEN)
class StopData(TypedDict):
    """The pieces of one stop, and how far they spread."""

    set_mm: float | None
    pieces: list[LengthData]
    mean_mm: QuantityData
    sd_mm: float
    stop_sd_mm: float
    range_mm: float


@with_config(_OPEN)
class Lengths(_Common):
    """Repeat cuts at one stop or two."""

    kind: Literal["lengths"]
    stops: list[StopData]
    zero_mm: NotRequired[QuantityData]
    line_deg: NotRequired[QuantityData]


Result = Annotated[
    Corner | Panel | Strip | Slot | Gap | Bevel | Straight | Lengths | Unknown | Typed | Pooled | Refused | Withdrawn,
    Field(discriminator="kind"),
]


def _adapter() -> TypeAdapter[Any]:
    return TypeAdapter(Result)


def validate(found: dict[str, Any]) -> None:
    """Check a result's JSON object; raises pydantic's ValidationError (a ValueError) naming what is wrong."""
    _adapter().validate_python(found)


def schema_text() -> str:
    """The JSON Schema (draft 2020-12) of `Result`."""
    described = {"$schema": "https://json-schema.org/draft/2020-12/schema", **_adapter().json_schema()}
    return json.dumps(described, indent=1, sort_keys=True) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), "utf-8")
