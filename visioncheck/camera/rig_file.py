"""What a rig file holds: its keys and limits, as a pydantic model; its digest is checked beside it."""

from __future__ import annotations

import base64
import json
from dataclasses import fields
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model, model_validator

from visioncheck import checks
from visioncheck.camera.lens import LENS_TERMS, Lens
from visioncheck.camera.rig import SCHEMA, UNSTEADY, Rig, content_fingerprint
from visioncheck.camera.steadiness import Steadiness, held
from visioncheck.errors import UserError
from visioncheck.files import bounded_bytes
from visioncheck.printed.layout import PAPERS, SHEETS, target_layout

_MOST_LATERAL = 0.01
_SMOOTH_TERMS = {0, *((degree + 1) * (degree + 2) // 2 for degree in range(12))}


class _Part(BaseModel):
    """A part of the file; numbers are finite and of the kind that was written."""

    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False, extra="ignore")


class PhonePart(_Part):
    """The phone, as EXIF names it."""

    make: str | None = None
    model: str | None = None
    focal_mm: float | None = None


_Pixels = Annotated[int, Field(gt=0, le=checks.RIG_LONGEST_LENS_PX)]
_Width = Annotated[float, Field(gt=0, lt=checks.RIG_LONGEST_LENS_PX)]
_Sheet = Annotated[int, Field(ge=0, lt=SHEETS)]
_Triple = Annotated[list[float], Field(min_length=3, max_length=3)]
_Lateral = Annotated[float, Field(ge=-_MOST_LATERAL, le=_MOST_LATERAL)]

# the numbers' names stand in one place each, beside what they mean
_LENS: dict[str, Any] = dict.fromkeys(LENS_TERMS, (float, ...))
_WIDTHS: dict[str, Any] = {each.name: (_Width, ...) for each in fields(Steadiness)}
LensPart: Any = create_model("LensPart", __base__=_Part, **_LENS)
SteadinessPart: Any = create_model("SteadinessPart", __base__=_Part, **_WIDTHS)


class RigPart(_Part):
    """The whole file."""

    kind: Literal["visioncheck rig"]
    schema_: Annotated[Literal[1, 2], Field(alias="schema")]
    date: str
    phone: PhonePart
    picture_px: Annotated[list[_Pixels], Field(min_length=2, max_length=2)]
    lens: LensPart
    smooth_px: Annotated[list[list[float]], Field(min_length=2, max_length=2)]
    lateral: Annotated[list[_Lateral], Field(min_length=3, max_length=3)]
    paper: str
    field: Literal["light", "dark"]
    photos: Annotated[int, Field(ge=1, le=10_000)]
    residual_px: Annotated[float, Field(ge=0, le=100)]
    noise_ratio: Annotated[float, Field(ge=1, le=1000)] = 1.0
    steadiness: SteadinessPart | None = None
    ruled_mm: Annotated[float, Field(ge=1, le=10_000)] | None = None
    scale_u_rel: Annotated[float, Field(ge=0, le=1)]
    sheet: list[_Sheet]
    index: list[Annotated[int, Field(ge=0)]]
    points_mm: Annotated[list[_Triple], Field(min_length=checks.RIG_LEAST_POINTS)]
    learnt_from: list[str] = []
    survey_sha256: str | None = None
    covariance_lower_f4: str

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> RigPart:
        for key, fits in (
            ("paper", self.paper in PAPERS),
            ("sheet", len(self.sheet) == len(self.points_mm)),
            (
                "index",
                self.paper not in PAPERS or max(self.index, default=0) < len(target_layout(self.paper).saddles_mm),
            ),
            ("index", len(self.index) == len(self.points_mm)),
            ("smooth_px", {len(each) for each in self.smooth_px} <= _SMOOTH_TERMS),
            ("smooth_px", len(self.smooth_px[0]) == len(self.smooth_px[1])),
            ("lens", 0 < self.lens.f < checks.RIG_LONGEST_LENS_PX),
            ("lens", 0 < self.lens.cx < self.picture_px[0] and 0 < self.lens.cy < self.picture_px[1]),
            ("steadiness", self.schema_ == UNSTEADY or self.steadiness is not None),
        ):
            if not fits:
                raise ValueError(key)
        return self

    def rig(self) -> Rig:
        """As measuring needs it; raises ValueError where the covariance is damaged."""
        width, height = self.picture_px
        blue, green, red = self.lateral
        terms = np.array([getattr(self.lens, name) for name in LENS_TERMS], float)
        return Rig(
            lens=Lens(width, height, terms, np.array(self.smooth_px, float), (blue, green, red)),
            paper=self.paper,
            field=self.field,
            sheet=np.array(self.sheet, np.int64),
            index=np.array(self.index, np.int64),
            points_mm=np.array(self.points_mm, float),
            covariance=_covariance(self.covariance_lower_f4, 8 + 3 * len(self.points_mm)),
            scale_u_rel=self.scale_u_rel,
            ruled_mm=self.ruled_mm,
            residual_px=self.residual_px,
            photos=self.photos,
            make=self.phone.make,
            model=self.phone.model,
            focal_mm=self.phone.focal_mm,
            date=self.date,
            steadiness=self._steadiness(),
            noise_ratio=1.0 if self.schema_ == UNSTEADY else self.noise_ratio,
            learnt_from=tuple(self.learnt_from),
            survey_sha256=self.survey_sha256,
        )

    def _steadiness(self) -> Steadiness:
        if self.steadiness is None or self.schema_ == UNSTEADY:
            return held(*self.picture_px)
        return Steadiness(**self.steadiness.model_dump())


def _covariance(text: str, size: int) -> NDArray[np.float64]:
    lower = np.frombuffer(base64.b64decode(text, validate=True), "<f4")
    if lower.size != size * (size + 1) // 2 or not np.all(np.isfinite(lower)):
        raise ValueError(text[:20])
    matrix = np.zeros((size, size))
    matrix[np.tril_indices(size)] = lower
    return matrix + np.tril(matrix, -1).T


def load_rig(path: Path) -> Rig:
    """Read a rig file.

    Raises
    ------
    UserError
        No such file, or not a whole rig file; names the line or the key.
    """
    try:
        content = bounded_bytes(path, checks.TEXT_FILE_MOST_BYTES)
    except OSError as error:
        raise UserError(
            f"{path}: the rig file cannot be read ({error.strerror}); name the file that survey wrote."
        ) from None
    return parse_rig(content, path)


def parse_rig(text: bytes | str, path: Path | str) -> Rig:
    """Read the content of a rig file, which messages call `path`.

    Raises
    ------
    UserError
        Not a whole rig file; names the line or the key.
    """
    content = _content(text, path)
    if content.get("schema") not in (UNSTEADY, SCHEMA):
        raise UserError(f"{path}: key 'schema' is not {SCHEMA}; survey the sheet again with this version.")
    try:
        part = RigPart.model_validate(content)
    except ValidationError as error:
        raise _complaint(path, error) from None
    try:
        rig = part.rig()
    except ValueError:
        raise UserError(f"{path}: key 'covariance_lower_f4' is damaged; survey the sheet again.") from None
    if content.get("digest") != content_fingerprint({key: value for key, value in content.items() if key != "digest"}):
        raise UserError(f"{path}: key 'digest' does not fit the rest, so the file was changed; survey the sheet again.")
    return rig


def _content(text: bytes | str, path: Path | str) -> dict[str, Any]:
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        raise UserError(f"{path}: line {error.lineno}: not a rig file ({error.msg}); survey the sheet again.") from None
    except (UnicodeDecodeError, RecursionError, ValueError):
        raise UserError(f"{path}: not a rig file (not text); survey the sheet again.") from None
    if not isinstance(content, dict) or content.get("kind") != "visioncheck rig":
        raise UserError(f"{path}: not a rig file (key 'kind'); name the file that survey wrote.")
    return content


def _complaint(path: Path | str, error: ValidationError) -> UserError:
    slip = error.errors(include_url=False)[0]
    key = str(slip["loc"][0]) if slip["loc"] else str(slip["ctx"]["error"])
    if slip["type"] == "missing":
        within = "is missing" if len(slip["loc"]) == 1 else f"lacks {slip['loc'][-1]!r}"
        return UserError(f"{path}: key '{key}' {within}; survey the sheet again.")
    return UserError(f"{path}: key '{key}' does not hold what a survey writes there; survey the sheet again.")
