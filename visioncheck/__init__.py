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
    from visioncheck.api import compute as compute
    from visioncheck.api import load_rig as load_rig
    from visioncheck.api import load_sled as load_sled
    from visioncheck.api import measure as measure
    from visioncheck.api import survey as survey
    from visioncheck.api_log import CalibrationLog as CalibrationLog
    from visioncheck.api_log import open_log as open_log
    from visioncheck.api_pool import PooledMeasurement as PooledMeasurement
    from visioncheck.api_pool import pool as pool
    from visioncheck.api_results import Measurement as Measurement
    from visioncheck.api_results import SurveyResult as SurveyResult
    from visioncheck.api_results import TypedMeasurement as TypedMeasurement
    from visioncheck.api_work import WorkTolerance as WorkTolerance
    from visioncheck.api_work import tolerance as tolerance
    from visioncheck.errors import InputError as InputError
    from visioncheck.errors import Refusal as Refusal
    from visioncheck.errors import UserError as UserError
    from visioncheck.fence.decision import Verdict as Verdict
    from visioncheck.quantity import Quantity as Quantity

_PLACES = {
    "CalibrationLog": "visioncheck.api_log",
    "InputError": "visioncheck.errors",
    "Measurement": "visioncheck.api_results",
    "PooledMeasurement": "visioncheck.api_pool",
    "Quantity": "visioncheck.quantity",
    "Refusal": "visioncheck.errors",
    "SurveyResult": "visioncheck.api_results",
    "TypedMeasurement": "visioncheck.api_results",
    "UserError": "visioncheck.errors",
    "Verdict": "visioncheck.fence.decision",
    "WorkTolerance": "visioncheck.api_work",
    "compute": "visioncheck.api",
    "load_rig": "visioncheck.api",
    "load_sled": "visioncheck.api",
    "measure": "visioncheck.api",
    "open_log": "visioncheck.api_log",
    "pool": "visioncheck.api_pool",
    "survey": "visioncheck.api",
    "tolerance": "visioncheck.api_work",
}

__all__ = [
    "CalibrationLog",
    "InputError",
    "Measurement",
    "PooledMeasurement",
    "Quantity",
    "Refusal",
    "SurveyResult",
    "TypedMeasurement",
    "UserError",
    "Verdict",
    "WorkTolerance",
    "__version__",
    "compute",
    "load_rig",
    "load_sled",
    "measure",
    "open_log",
    "pool",
    "survey",
    "tolerance",
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
