"""What tests of several parts stand on: the fixture photos, and the rig surveyed from them once a run."""

from __future__ import annotations

import json
import os
from pathlib import Path

# as the program sets it, and before anything loads the linear algebra: on small matrices its threads only wait
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest

from visioncheck.cli import main
from visioncheck.printed.layout import target_layout

PHOTOS = Path(__file__).parents[1] / "fixtures" / "photos" / "light-a4"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--kills", type=int, default=30, help="how many programs the tests of kills end at random moments")
    parser.addoption("--lines", type=int, default=150, help="how many command lines are made from the definitions")


@pytest.fixture(scope="session")
def lines(pytestconfig: pytest.Config) -> int:
    """How many command lines a test makes."""
    return int(pytestconfig.getoption("lines"))


@pytest.fixture(scope="session")
def kills(pytestconfig: pytest.Config) -> int:
    """How many programs a test ends at random moments."""
    return int(pytestconfig.getoption("kills"))


@pytest.fixture(scope="session")
def rig_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rig of the phone and print of `PHOTOS`, written by the survey command; its ruled length is the true one."""
    file = tmp_path_factory.mktemp("rig") / "rig.json"
    sheet = json.loads((PHOTOS / "survey-1.truth.json").read_text())["sheets"][0]
    first, last = target_layout(sheet["paper"]).ruled_points
    ends = np.array(sheet["saddles_table_mm"])[[first, last]]
    ruled = float(np.linalg.norm(ends[1] - ends[0]))
    photos = [str(path) for path in sorted(PHOTOS.glob("survey-*.jpg"))]
    assert main(["survey", *photos, "--ruled", f"{ruled:.1f}mm", "-o", str(file)]) == 0
    return file
