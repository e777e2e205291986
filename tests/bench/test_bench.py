"""The benchmark's parts run; nothing here is timed."""

from __future__ import annotations

import pytest

from tests.bench.__main__ import run, table, visioncheck
from tests.bench.photos import PIECES
from tests.bench.stages import OTHER, STAGES, WHOLE, time_stages
from visioncheck.camera.rig_file import load_rig
from visioncheck.measuring import detect as measure

pytestmark = pytest.mark.photos


def test_a_round_charges_every_stage_and_leaves_the_program_as_it_was(rig_file):
    before = measure.find_points
    times = time_stages(PIECES[0], load_rig(rig_file), rounds=1)
    assert measure.find_points is before
    assert set(times) == {"colour decode", *STAGES, OTHER, WHOLE}
    for stage in STAGES:
        assert times[stage][0] > 0, stage
    assert times[WHOLE][0] == pytest.approx(sum(times[stage][0] for stage in (*STAGES, OTHER)))


def test_a_process_that_fails_is_not_timed():
    with pytest.raises(SystemExit, match="failed"):
        run(visioncheck("measure"))


def test_the_table_shows_every_figure():
    one = {name: {"ms": 60.0, "ratio": 1.0} for name in ("colour decode", WHOLE)}
    found = {
        "machine": {"cpu": "some", "cores": 2},
        "one thread": one,
        "as shipped": one,
        "processes": {"visioncheck --help": {"wall_s": 0.2, "cpu_s": 0.18, "peak_mib": 36.0}},
        "batch": {
            "16 photos, 1 process": {"photos_a_second": 2.0, "cpu_s_a_photo": 0.5},
            "16 photos, 2 processes": {"photos_a_second": 3.8, "cpu_s_a_photo": 0.5},
        },
    }
    text = "\n".join(table(found))
    for part in (WHOLE, "x  1.00", "visioncheck --help", "0.18 s", "36 MiB", "1.90"):
        assert part in text
