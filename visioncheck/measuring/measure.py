"""One piece measured: the one way of the library, the command line, the page, a batch, a study and the demo."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from visioncheck.errors import UserError
from visioncheck.log.entry import sha256_text

if TYPE_CHECKING:
    from visioncheck.correction.correct import Correction
    from visioncheck.measuring.detect import Detection, Measured
    from visioncheck.measuring.request import MeasureRequest
    from visioncheck.results.model import Result


@dataclass(frozen=True)
class Outcome:
    """What became of one request.

    Attributes
    ----------
    request : MeasureRequest
        What was asked.
    reading : dict
        The measurement's JSON object (schema 2): measured, with its budget and flags, or refused, with the reason.
    measured : Measured or None
        Photo and reading; None where refused.
    correction : Correction or None
        What to do about the fence error, where there is one and the sled is known.
    problem : UserError or None
        Why it was refused.
    instead : str
        What to do in place of what the reading says, where the log has a newer one or an adjustment after it.
    """

    request: MeasureRequest
    reading: dict[str, Any]
    measured: Measured | None = None
    correction: Correction | None = None
    problem: UserError | None = None
    instead: str = ""

    @property
    def result(self) -> Result:
        """What came of it, by kind."""
        from visioncheck.results.from_json import result_from_json
        from visioncheck.results.model import result_from_reading

        return result_from_json(self.reading) if self.measured is None else result_from_reading(self.measured.reading)

    def without_pixels(self) -> Outcome:
        """Drop the photo's pixels: a long list of outcomes would not fit into memory with them."""
        if self.measured is None:
            return self
        photo = self.measured.photo
        return replace(self, measured=replace(self.measured, photo=replace(photo, bgr=photo.bgr[:0].copy())))


def measure_piece(request: MeasureRequest, detection: Detection | None = None) -> Outcome:
    """Measure one piece; one that cannot be measured is an outcome too, and never raises UserError.

    Parameters
    ----------
    request : MeasureRequest
        What to measure, and with what.
    detection : Detection or None
        What was found in the (first) photo already, where sled or rig were chosen by it.
    """
    # looked up here, so that what asks for nothing to be measured does not load the measuring
    from visioncheck.correction.correct import correct
    from visioncheck.measuring.pair import measure_turned
    from visioncheck.measuring.photo import measure_photo
    from visioncheck.results.as_json import reading_json
    from visioncheck.results.basis import basis_from_reading

    try:
        measured = (measure_photo if request.turned is None else measure_turned)(request, detection)
    except UserError as problem:
        return refused(request, problem)
    reading, sled = measured.reading, request.sled
    error = reading.fence_error
    correction = correct(error, sled, basis_from_reading(reading)) if error and sled else None
    found = reading_json(reading, correction, sled) | {"photo_sha256": measured.photo.sha256}
    return Outcome(request, found | _read_with(request), measured, correction)


def refused(request: MeasureRequest, problem: UserError) -> Outcome:
    """Build the outcome of a photo that cannot be measured."""
    from visioncheck.results.as_json import refused_json
    from visioncheck.results.model import result_from_problem

    reading = refused_json(result_from_problem(request.photo.name, problem)) | _read_with(request)
    return Outcome(request, reading, problem=problem)


def _read_with(request: MeasureRequest) -> dict[str, Any]:
    """Name the sled and rig in the reading, so that the log can tell when it is given others."""
    found: dict[str, Any] = {}
    if request.sled:
        found["sled"] = request.sled.name
    if request.rig_file:
        found["rig_sha256"] = sha256_text(request.rig_file.text)
    said = request.options.as_json()
    return found | {"told": said} if said else found
