"""Times of one photo's stages, in this process: `python -m tests.bench.stages RIG.json ROUNDS THREADS`, JSON out."""

from __future__ import annotations

import contextlib
import json
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from time import perf_counter

import cv2
import numpy as np

from tests.bench.photos import PIECES
from visioncheck import measure
from visioncheck.camera.rig import load_rig
from visioncheck.reading import piece
from visioncheck.report.picture import draw_reading

STAGES = {
    "read and decode": {measure: ["load_photo"]},
    "find points": {measure: ["find_points"]},
    "view": {measure: ["rigid_view"]},
    "outline": {measure: ["find_outlines"]},
    "edges": {measure: ["trace_edge"]},
    "lines": {piece: ["fit_line", "bow"]},
    "budget": {measure: ["read_piece", "read_edges", "read_corners", "read_taper", "read_widths", "weigh_orders"]},
}
OTHER, WHOLE, PICTURE = "everything else", "whole measurement", "annotated picture"


class Stopwatch:
    """Charges time to the innermost stage that is running."""

    def __init__(self):
        self.seconds = defaultdict(float)
        self._running = [OTHER]
        self._since = 0.0

    def _switch(self):
        now = perf_counter()
        self.seconds[self._running[-1]] += now - self._since
        self._since = now

    def _timed(self, stage, function):
        def run(*args, **kwargs):
            self._switch()
            self._running.append(stage)
            try:
                return function(*args, **kwargs)
            finally:
                self._switch()
                self._running.pop()

        return run

    @contextlib.contextmanager
    def on_stages(self):
        """Put the watch around every stage's functions where they are called."""
        originals = [
            (module, name, getattr(module, name))
            for stage in STAGES.values()
            for module in stage
            for name in stage[module]
        ]
        for stage, places in STAGES.items():
            for module, names in places.items():
                for name in names:
                    setattr(module, name, self._timed(stage, getattr(module, name)))
        self._since = perf_counter()
        try:
            yield
        finally:
            self._switch()
            for module, name, function in originals:
                setattr(module, name, function)


def time_stages(photo, rig, rounds):
    """Seconds of each stage, and of the bare colour decode, round by round: {stage: [seconds]}."""
    data = np.fromfile(photo, np.uint8)
    times = defaultdict(list)
    with tempfile.TemporaryDirectory() as scratch:
        for _ in range(rounds + 1):
            start = perf_counter()
            cv2.imdecode(data, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
            times["colour decode"].append(perf_counter() - start)
            watch = Stopwatch()
            with watch.on_stages():
                measured = measure.measure_photo(photo, rig)
            for stage in (*STAGES, OTHER):
                times[stage].append(watch.seconds[stage])
            times[WHOLE].append(sum(watch.seconds.values()))
            start = perf_counter()
            draw_reading(measured.photo, measured.reading, None, Path(scratch) / "reading.png")
            times[PICTURE].append(perf_counter() - start)
    return {stage: values[1:] for stage, values in times.items()}  # the first round warms up


def main(rig_file, rounds, threads):
    if threads:
        cv2.setNumThreads(threads)
    rig = load_rig(Path(rig_file))
    json.dump({photo.stem: time_stages(photo, rig, rounds) for photo in PIECES}, sys.stdout)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
