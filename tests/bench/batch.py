"""Some photos on some processes: `python -m tests.bench.batch RIG.json PHOTOS PROCESSES`, wall and CPU seconds out."""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import cycle, islice
from multiprocessing import get_context
from pathlib import Path
from time import perf_counter, process_time

from tests.bench.photos import PIECES

_RIG = []


def _start(rig_file):
    import cv2

    from visioncheck.camera.rig_file import load_rig

    cv2.setNumThreads(1)
    _RIG.append(load_rig(rig_file))


def _measure(photo):
    from tests.one_photo import measure_photo

    start = process_time()
    measure_photo(photo, _RIG[0])
    return process_time() - start


def main(rig_file, photos, processes):
    work = list(islice(cycle(PIECES), photos))
    with ProcessPoolExecutor(processes, get_context("spawn"), _start, (Path(rig_file),)) as pool:
        list(pool.map(_measure, PIECES * processes))  # every process imports and warms up
        start = perf_counter()
        cpu = sum(pool.map(_measure, work))
        print(perf_counter() - start, cpu)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
