"""The survey of a phone and its printed sheet, for who calls from Python."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.api.results import explained, plain, write_png
from visioncheck.errors import InputError, Refusal
from visioncheck.given import StrPath, as_length, as_path, is_path
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.measuring.request import RigFile
    from visioncheck.measuring.sheets import Surveyed
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.naming import Door


@dataclass(frozen=True, eq=False)
class SurveyResult:
    """A phone and a printed sheet, surveyed together.

    Attributes
    ----------
    surveyed : Surveyed
        All that was found.
    """

    surveyed: Surveyed

    @property
    def rig(self) -> Rig:
        """What measuring needs of it."""
        return self.surveyed.rig

    @property
    def left_out(self) -> tuple[str, ...]:
        """Photos that were not used, each with its reason."""
        from visioncheck.present.survey_lines import format_left_out

        return tuple(format_left_out(self.surveyed, "python"))

    def lines(self, door: Door = "python") -> list[LabelledLine]:
        """Say it line by line: a label and what it says, parameters named as at this door."""
        from visioncheck.present.line import LabelledLine
        from visioncheck.present.survey_lines import format_left_out, survey_lines

        left_out = [LabelledLine("Left out", reason) for reason in format_left_out(self.surveyed, door)]
        return [*survey_lines(self.surveyed.survey, self.rig, door), *left_out]

    def save(self, path: StrPath) -> Path:
        """Write the rig file, whole or not at all; raises UserError where it cannot be written."""
        from visioncheck.camera.rig import save_rig

        place = as_path("path", path, "the rig file to write")
        save_rig(self.rig, place)
        return place

    def render(self) -> bytes:
        """Draw the print's errors as arrows, PNG."""
        from visioncheck.present.print_errors import draw_print

        return draw_print(self.surveyed.survey, self.rig.paper)

    def draw(self, path: StrPath) -> Path:
        """Draw the print's errors as arrows and write them as PNG; raises UserError where that cannot be written."""
        return write_png(path, self.render)

    def to_dict(self) -> dict[str, Any]:
        """Give the survey's figures as plain values that JSON can hold."""
        found = self.surveyed.survey
        return {
            "kind": "survey",
            "photos": self.rig.photos,
            "left_out": list(self.left_out),
            "paper": self.rig.paper,
            "field": self.rig.field,
            "print_scale": [float(each) for each in found.print_scale],
            "print_shear_deg": float(found.shear_deg),
            "scale_u_rel": float(found.scale_u_rel),
            "angle_u_deg": float(found.angle_u_deg),
            "focal_length_px": float(found.lens.f_px),
            "residual_px": float(found.residual_px),
            "advice": found.advice,
        }

    def __str__(self) -> str:
        return plain(f"Survey of {self.rig.photos} photos", self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html(f"Survey of {self.rig.photos} photos", self.lines(), self.render())


def survey(photos: Iterable[StrPath], ruled: str | Quantity | None = None) -> SurveyResult:
    """Survey a phone and its printed sheet from photos of the bare sheet.

    Parameters
    ----------
    photos : iterable of str or Path
        6 to 12 photos, by one phone at one zoom, tilted to all sides.
    ruled : str or Quantity, optional
        What a rule reads from the first to the last saddle point: ``"310.5mm"``, ``"12 7/32in"``. Lengths rest on
        it; angles need none. The rule's own uncertainty is the survey's.

    Returns
    -------
    SurveyResult
        Goes to `measure` as its `rig`, and into a file with ``save``.

    Raises
    ------
    UserError
        A photo cannot be read or does not belong with the others, there are too few, or the print's scale cannot be.

    Examples
    --------
    >>> import visioncheck
    >>> visioncheck.survey(["fixtures/photos/light-a4/survey-1.jpg"], ruled=310.5)
    Traceback (most recent call last):
    visioncheck.errors.InputError: ruled 310.5 does not say its unit; write it such as '310.5mm'
    """
    from visioncheck.measuring.sheets import read_sheets, survey_sheets

    ruled_mm = None if ruled is None else as_length("ruled", ruled, "'310.5mm'").value
    if is_path(photos) or not isinstance(photos, Iterable):
        raise InputError("photos", "<photos> takes several photos of the bare sheet; give a list of 6 to 12 paths")
    try:
        sheets = read_sheets(as_path("photos", each, "a photo") for each in photos)
    except Refusal as refusal:
        raise explained(refusal) from None
    return SurveyResult(survey_sheets(sheets, ruled_mm))


def load_rig(path: StrPath) -> RigFile:
    """Read a rig file, as a survey wrote it: the rig, and the text that the log keeps.

    Raises
    ------
    UserError
        No such file, or not a whole rig file; names the line or the key.
    """
    from visioncheck.measuring.request import read_rig

    return read_rig(as_path("path", path, "a rig file"))
