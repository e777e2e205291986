"""The fixture photos that are timed."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4"
PIECES = [FOLDER / f"{name}.jpg" for name in ("corner-1", "corner-2", "panel-2", "strip-1")]
SURVEY = sorted(FOLDER.glob("survey-*.jpg"))
RULED = "310.47mm"
