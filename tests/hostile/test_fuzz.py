"""Damaged files of every kind: no traceback, no more than 10 s an example, no more than 1 GB."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hostile.damage import KINDS, MOST_BYTES

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.photos


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_files_end_in_a_sentence(kind, tmp_path, rig_file):
    shutil.copy(rig_file, tmp_path / "rig.json")
    surroundings = {**os.environ, "TMPDIR": str(tmp_path), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.hostile.damage", kind],
        cwd=ROOT, env=surroundings, capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    assert int(done.stdout.split()[-1]) < MOST_BYTES


def test_a_hang_and_a_crash_would_be_seen(tmp_path):
    code = (
        "import tests.hostile.damage as d\n"
        "from hypothesis import given, strategies as st\n"
        "d.MOST_SECONDS = 1\n"
        "def fall():\n    raise RuntimeError('fell')\n"
        "def spin():\n    while True:\n        pass\n"
        "@d.steps(2)\n@given(st.integers())\n"
        "def probe(_):\n    {}()\n"
        "d.bounded(probe)\n"
    )
    for way, ends in (("spin", -27), ("fall", 1)):  # 27: SIGPROF
        done = subprocess.run(
            [sys.executable, "-c", code.format(way)],
            cwd=ROOT, env={**os.environ, "TMPDIR": str(tmp_path)}, capture_output=True, timeout=120, check=False,
        )  # fmt: skip
        assert done.returncode == ends
