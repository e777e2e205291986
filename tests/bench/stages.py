"""Times of one photo's stages, in this process: `python -m tests.bench.stages RIG.json ROUNDS [one-thread]`, JSON out.

On one thread it is the processor's time that counts, which other programs on the machine disturb little.
"""

from __future__ import annotations

import contextlib
import json
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from time import perf_counter, process_time

import cv2
import numpy as np

from tests.bench.photos import PIECES
from tests.one_photo import measure_photo
from visioncheck.camera.rig_file import load_rig
from visioncheck.measuring import detect, kind
from visioncheck.measuring import piece as seen
from visioncheck.present.picture import draw_reading
from visioncheck.reading import piece

STAGES = {
    "read and decode": {detect: ["load_photo"]},
    "find points": {detect: ["find_points"]},
    "view": {seen: ["rigid_view"]},
    "outline": {seen: ["find_outlines", "find_seam"]},
    "edges": {seen: ["trace_edge"]},
    "lines": {piece: ["fit_line", "bow"]},
    "budget": {
        seen: ["read_piece"],
        kind: ["read_edges", "read_corners", "weigh_kinds", "with_fence_error"],
    },
}
OTHER, WHOLE, PICTURE = "everything else", "whole measurement", "annotated picture"


class Stopwatch:
    """Charges time to the innermost stage that is running."""

    def __init__(self, clock):
        self._clock = clock
        self.seconds = defaultdict(float)
        self._running = [OTHER]
        self._since = 0.0

    def _switch(self):
        now = self._clock()
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
        self._since = self._clock()
        try:
            yield
        finally:
            self._switch()
            for module, name, function in originals:
                setattr(module, name, function)


def time_stages(photo, rig, rounds, clock=perf_counter):
    """Seconds of each stage, and of the bare colour decode, round by round: {stage: [seconds]}."""
    data = np.fromfile(photo, np.uint8)
    times = defaultdict(list)
    for _ in range(rounds + 1):
        start = clock()
        cv2.imdecode(data, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        times["colour decode"].append(clock() - start)
        watch = Stopwatch(clock)
        with watch.on_stages():
            measure_photo(photo, rig)
        for stage in (*STAGES, OTHER):
            times[stage].append(watch.seconds[stage])
        times[WHOLE].append(sum(watch.seconds.values()))
    return {stage: values[1:] for stage, values in times.items()}  # the first round warms up


def time_picture(photo, rig, rounds, clock=perf_counter):
    """Seconds of the annotated picture, round by round."""
    measured = measure_photo(photo, rig)
    times = []
    with tempfile.TemporaryDirectory() as scratch:
        for _ in range(rounds + 1):
            start = clock()
            draw_reading(measured.photo, measured.reading, None, Path(scratch) / "reading.png")
            times.append(clock() - start)
    return times[1:]


def main(rig_file, rounds, *, one_thread):
    if one_thread:
        cv2.setNumThreads(1)
    rig = load_rig(Path(rig_file))
    clock = process_time if one_thread else perf_counter
    times = {photo.stem: time_stages(photo, rig, rounds, clock) for photo in PIECES}
    # afterwards: a process that has drawn keeps memory at hand, and decodes half as fast again
    for photo in PIECES:
        times[photo.stem][PICTURE] = time_picture(photo, rig, rounds, clock)
    json.dump(times, sys.stdout)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), one_thread=sys.argv[3:] == ["one-thread"])
