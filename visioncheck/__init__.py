"""Photograph a test-cut offcut on a home-printed target; get the fence correction with an honest uncertainty.

The whole way, from photos of the bare sheet to what to turn at the sled:

>>> import visioncheck
>>> photos = [f"fixtures/photos/light-a4/survey-{k}.jpg" for k in range(1, 9)]
>>> rig = visioncheck.survey(photos, ruled="310.5mm")
>>> sled = visioncheck.load_sled("fixtures/sleds/alder-lane.toml")
>>> found = visioncheck.measure("fixtures/photos/light-a4/corner-2.jpg", rig=rig, sled=sled)
>>> abs(found.value.value - 0.085) < found.value.expanded()  # 0.085° is how it was cut
True
>>> found.verdict.value, found.correction.advice, found.correction.end, found.correction.way
('outside', 'move it', 'right', 'back')

Numbers that carry a unit are text (``"18mm"``, ``"3/4in"``) or a `Quantity`; bare numbers are angles in degrees.
Nothing heavy is loaded before the first name is used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from visioncheck.api.grooves import GrooveLayout as GrooveLayout
    from visioncheck.api.grooves import grooves as grooves
    from visioncheck.api.grooves import part_width as part_width
    from visioncheck.api.lengths import RepeatLengths as RepeatLengths
    from visioncheck.api.lengths import lengths as lengths
    from visioncheck.api.log import CalibrationLog as CalibrationLog
    from visioncheck.api.log import open_log as open_log
    from visioncheck.api.pieces import compute as compute
    from visioncheck.api.pieces import load_sled as load_sled
    from visioncheck.api.pieces import measure as measure
    from visioncheck.api.pool import PooledMeasurement as PooledMeasurement
    from visioncheck.api.pool import pool as pool
    from visioncheck.api.results import Measurement as Measurement
    from visioncheck.api.results import TypedMeasurement as TypedMeasurement
    from visioncheck.api.survey import SurveyResult as SurveyResult
    from visioncheck.api.survey import load_rig as load_rig
    from visioncheck.api.survey import survey as survey
    from visioncheck.api.travel import BladeTravel as BladeTravel
    from visioncheck.api.travel import travel as travel
    from visioncheck.api.work import WorkTolerance as WorkTolerance
    from visioncheck.api.work import tolerance as tolerance
    from visioncheck.errors import InputError as InputError
    from visioncheck.errors import Refusal as Refusal
    from visioncheck.errors import UserError as UserError
    from visioncheck.fence.decision import Verdict as Verdict
    from visioncheck.quantity import Quantity as Quantity

_PLACES = {
    "BladeTravel": "visioncheck.api.travel",
    "CalibrationLog": "visioncheck.api.log",
    "GrooveLayout": "visioncheck.api.grooves",
    "InputError": "visioncheck.errors",
    "Measurement": "visioncheck.api.results",
    "PooledMeasurement": "visioncheck.api.pool",
    "Quantity": "visioncheck.quantity",
    "Refusal": "visioncheck.errors",
    "RepeatLengths": "visioncheck.api.lengths",
    "SurveyResult": "visioncheck.api.survey",
    "TypedMeasurement": "visioncheck.api.results",
    "UserError": "visioncheck.errors",
    "Verdict": "visioncheck.fence.decision",
    "WorkTolerance": "visioncheck.api.work",
    "compute": "visioncheck.api.pieces",
    "grooves": "visioncheck.api.grooves",
    "lengths": "visioncheck.api.lengths",
    "load_rig": "visioncheck.api.survey",
    "load_sled": "visioncheck.api.pieces",
    "measure": "visioncheck.api.pieces",
    "open_log": "visioncheck.api.log",
    "part_width": "visioncheck.api.grooves",
    "pool": "visioncheck.api.pool",
    "survey": "visioncheck.api.survey",
    "tolerance": "visioncheck.api.work",
    "travel": "visioncheck.api.travel",
}

__all__ = [
    "BladeTravel",
    "CalibrationLog",
    "GrooveLayout",
    "InputError",
    "Measurement",
    "PooledMeasurement",
    "Quantity",
    "Refusal",
    "RepeatLengths",
    "SurveyResult",
    "TypedMeasurement",
    "UserError",
    "Verdict",
    "WorkTolerance",
    "__version__",
    "compute",
    "grooves",
    "lengths",
    "load_rig",
    "load_sled",
    "measure",
    "open_log",
    "part_width",
    "pool",
    "survey",
    "tolerance",
    "travel",
]


def __getattr__(name: str) -> Any:
    """Load what is asked for, when it is asked for."""
    if name == "__version__":
        from importlib.metadata import version

        return version("visioncheck")
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(importlib.import_module(_PLACES[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
