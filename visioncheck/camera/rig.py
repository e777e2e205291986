"""A rig: one phone's lens and one user's printed sheets, surveyed together, and the file that keeps them."""

from __future__ import annotations

import base64
import hashlib
import json
import math
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.lens import LENS_TERMS, Lens
from visioncheck.camera.steadiness import Steadiness, held
from visioncheck.errors import UserError
from visioncheck.files import write_whole
from visioncheck.printed.layout import PAPERS, SHEETS, layout_of

Array = NDArray[np.float64]

SCHEMA = 2
_UNSTEADY = 1
"""The schema before photos had a geometry of their own; such a rig says nothing of the hand that took it."""
_WIDEST_PX = 10**6
_FEWEST_POINTS = 8


@dataclass(frozen=True)
class Rig:
    """The result of a survey.

    Attributes
    ----------
    lens : Lens
    paper, field : str
    sheet, index : (n,) int ndarray
        Name of each surveyed point.
    points_mm : (n, 3) ndarray
        Its place, table frame (sheet 0's).
    covariance : (8 + 3 n, 8 + 3 n) ndarray
        Of the lens's terms and the points; motions of the whole and its scale are taken out.
    scale_u_rel : float
        Relative standard uncertainty of the scale.
    ruled_mm : float or None
        The ruled length that set the scale.
    residual_px : float
        Root mean square residual of one coordinate.
    steadiness : Steadiness
        How much one photo's geometry differed from the next one's.
    noise_ratio : float
        By how much the points' residuals exceeded their stated uncertainty, at least 1: what this phone makes of its
        pictures.
    make, model : str or None
        The phone, as EXIF names it.
    date : str
        Of the survey, ISO 8601.
    learnt_from : tuple of str
        SHA-256 of the photos, one for each piece, that refined it since the survey.
    survey_sha256 : str or None
        Hash of the file that the survey wrote, in a rig that was refined.
    """

    lens: Lens
    paper: str
    field: str
    sheet: NDArray[np.int64]
    index: NDArray[np.int64]
    points_mm: Array
    covariance: Array
    scale_u_rel: float
    ruled_mm: float | None
    residual_px: float
    photos: int
    make: str | None
    model: str | None
    focal_mm: float | None
    date: str
    steadiness: Steadiness
    noise_ratio: float = 1.0
    learnt_from: tuple[str, ...] = ()
    survey_sha256: str | None = None


def save_rig(rig: Rig, path: Path) -> None:
    """Write the rig as JSON, whole or not at all.

    Raises
    ------
    UserError
        The file cannot be written.
    """
    write_whole(path, rig_text(rig).encode())


def rig_text(rig: Rig) -> str:
    """Give the content of a rig's file."""
    lower = rig.covariance[np.tril_indices(len(rig.covariance))].astype("<f4")
    content = {
        "schema": SCHEMA,
        "kind": "visioncheck rig",
        "date": rig.date,
        "phone": {"make": rig.make, "model": rig.model, "focal_mm": rig.focal_mm},
        "picture_px": [rig.lens.width, rig.lens.height],
        "lens": dict(zip(LENS_TERMS, rig.lens.terms.tolist(), strict=True)),
        "smooth_px": rig.lens.smooth.tolist(),
        "lateral": list(rig.lens.lateral),
        "paper": rig.paper,
        "field": rig.field,
        "photos": rig.photos,
        "residual_px": rig.residual_px,
        "noise_ratio": rig.noise_ratio,
        "steadiness": asdict(rig.steadiness),
        "ruled_mm": rig.ruled_mm,
        "scale_u_rel": rig.scale_u_rel,
        "sheet": rig.sheet.tolist(),
        "index": rig.index.tolist(),
        "points_mm": np.round(rig.points_mm, 6).tolist(),
        **({"learnt_from": rig.learnt_from, "survey_sha256": rig.survey_sha256} if rig.learnt_from else {}),
        "covariance_lower_f4": base64.b64encode(lower.tobytes()).decode("ascii"),
    }
    return _compact({**content, "digest": _digest(content)}) + "\n"


def _compact(content: dict[str, Any]) -> str:
    return json.dumps(content, separators=(",", ":"))


def _digest(content: dict[str, Any]) -> str:
    """Return a fingerprint of the content: one changed digit of a point would bend every angle unnoticed."""
    return hashlib.sha256(_compact(content).encode()).hexdigest()


def load_rig(path: Path) -> Rig:
    """Read a rig file.

    Raises
    ------
    UserError
        No such file, or not a whole rig file; names the line or the key.
    """
    try:
        content = path.read_bytes()
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
    try:
        content = json.loads(text)
    except json.JSONDecodeError as error:
        raise UserError(f"{path}: line {error.lineno}: not a rig file ({error.msg}); survey the sheet again.") from None
    except (UnicodeDecodeError, RecursionError, ValueError):
        raise UserError(f"{path}: not a rig file (not text); survey the sheet again.") from None
    if not isinstance(content, dict) or content.get("kind") != "visioncheck rig":
        raise UserError(f"{path}: not a rig file (key 'kind'); name the file that survey wrote.")
    if content.get("schema") not in (_UNSTEADY, SCHEMA):
        raise UserError(f"{path}: key 'schema' is not {SCHEMA}; survey the sheet again with this version.")
    rig = _Fields(content, path).rig()
    if content.get("digest") != _digest({key: value for key, value in content.items() if key != "digest"}):
        raise UserError(f"{path}: key 'digest' does not fit the rest, so the file was changed; survey the sheet again.")
    return rig


class _Fields:
    """Checked access to the keys of a rig file."""

    def __init__(self, content: dict[str, Any], path: Path | str) -> None:
        self.content, self.path = content, path

    def fail(self, key: str, wrong: str) -> UserError:
        return UserError(f"{self.path}: key '{key}' {wrong}; survey the sheet again.")

    def value(self, key: str) -> Any:
        if key not in self.content:
            raise self.fail(key, "is missing")
        return self.content[key]

    def array(self, key: str, value: Any, shape: tuple[int | None, ...]) -> Array:
        try:
            array = np.array(value, float)
        except (TypeError, ValueError, OverflowError):
            raise self.fail(key, "does not hold numbers") from None
        fits = array.ndim == len(shape) and all(
            want in (None, have) for want, have in zip(shape, array.shape, strict=True)
        )
        if not fits or not np.all(np.isfinite(array)):
            raise self.fail(key, "holds the wrong numbers")
        return array

    def whole(self, key: str, size: int, most: int) -> NDArray[np.int64]:
        """Return whole numbers from 0 to `most`."""
        array = self.array(key, self.value(key), (size,))
        if np.any((array < 0) | (array > most) | (array % 1 != 0)):
            raise self.fail(key, "holds the wrong numbers")
        return array.astype(np.int64)

    def number(self, key: str, low: float, high: float) -> float:
        value = float(self.array(key, self.value(key), ()))
        if not low <= value <= high:
            raise self.fail(key, f"is not between {low:g} and {high:g}")
        return value

    def text(self, key: str, value: Any) -> str | None:
        if value is not None and not isinstance(value, str):
            raise self.fail(key, "is not text")
        return value

    def lens(self) -> Lens:
        size = self.whole("picture_px", 2, _WIDEST_PX)
        terms = self.value("lens")
        if not isinstance(terms, dict) or set(terms) != set(LENS_TERMS):
            raise self.fail("lens", "does not hold " + ", ".join(LENS_TERMS))
        values = self.array("lens", [terms[name] for name in LENS_TERMS], (8,))
        smooth = self.array("smooth_px", self.value("smooth_px"), (2, None))
        lateral = self.array("lateral", self.value("lateral"), (3,))
        within = np.all((values[1:3] > 0) & (values[1:3] < size)) and 0 < values[0] < _WIDEST_PX
        if not (within and smooth.shape[1] in {(d + 1) * (d + 2) // 2 for d in range(12)} | {0}):
            raise self.fail("lens", "holds the wrong numbers")
        if np.abs(lateral).max() > 0.01:
            raise self.fail("lateral", "is out of bounds")
        return Lens(
            int(size[0]), int(size[1]), values, smooth, (float(lateral[0]), float(lateral[1]), float(lateral[2]))
        )

    def steadiness(self) -> Steadiness:
        names = [field.name for field in fields(Steadiness)]
        widths = self.value("steadiness")
        if not isinstance(widths, dict) or set(widths) != set(names):
            raise self.fail("steadiness", "does not hold " + ", ".join(names))
        values = self.array("steadiness", [widths[name] for name in names], (len(names),))
        if not np.all((values > 0) & (values < _WIDEST_PX)):
            raise self.fail("steadiness", "holds the wrong numbers")
        return Steadiness(*values.tolist())

    def rig(self) -> Rig:
        paper, field = self.value("paper"), self.value("field")
        if not isinstance(paper, str) or paper not in PAPERS:
            raise self.fail("paper", "is none of " + ", ".join(PAPERS))
        if field not in ("light", "dark"):
            raise self.fail("field", "is neither light nor dark")
        points = self.array("points_mm", self.value("points_mm"), (None, 3))
        sheet = self.whole("sheet", len(points), SHEETS - 1)
        index = self.whole("index", len(points), len(layout_of(paper).saddles_mm) - 1)
        if len(points) < _FEWEST_POINTS:
            raise self.fail("points_mm", "holds too few points")
        phone = self.value("phone")
        if not isinstance(phone, dict):
            raise self.fail("phone", "is not a table")
        focal = phone.get("focal_mm")
        ruled = self.content.get("ruled_mm")
        lens = self.lens()
        before = self.content.get("schema") == _UNSTEADY
        return Rig(
            lens=lens,
            paper=paper,
            field=str(field),
            sheet=sheet,
            index=index,
            points_mm=points,
            covariance=self.covariance(8 + 3 * len(points)),
            scale_u_rel=self.number("scale_u_rel", 0, 1),
            ruled_mm=None if ruled is None else self.number("ruled_mm", 1, 1e4),
            residual_px=self.number("residual_px", 0, 100),
            photos=int(self.number("photos", 1, 1e4)),
            make=self.text("phone", phone.get("make")),
            model=self.text("phone", phone.get("model")),
            focal_mm=None if focal is None else float(self.array("phone", focal, ())),
            date=self.text("date", self.value("date")) or "",
            steadiness=held(lens.width, lens.height) if before else self.steadiness(),
            noise_ratio=1.0 if before else self.number("noise_ratio", 1, 1000),
            learnt_from=self.hashes("learnt_from"),
            survey_sha256=self.text("survey_sha256", self.content.get("survey_sha256")),
        )

    def hashes(self, key: str) -> tuple[str, ...]:
        """Return a list of texts; none where the key is missing."""
        found = self.content.get(key, [])
        if not isinstance(found, list) or not all(isinstance(each, str) for each in found):
            raise self.fail(key, "is not a list of hashes")
        return tuple(found)

    def covariance(self, size: int) -> Array:
        key = "covariance_lower_f4"
        try:
            lower = np.frombuffer(base64.b64decode(self.value(key), validate=True), "<f4")
        except (TypeError, ValueError):
            raise self.fail(key, "is damaged") from None
        if (
            lower.size != size * (size + 1) // 2
            or not np.all(np.isfinite(lower))
            or math.isinf(float(np.abs(lower).max()))
        ):
            raise self.fail(key, "is damaged")
        matrix = np.zeros((size, size))
        matrix[np.tril_indices(size)] = lower
        return matrix + np.tril(matrix, -1).T
