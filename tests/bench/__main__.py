"""How long everything takes, as a ratio to decoding the photo: `python -m tests.bench [--rounds N] [-o OUT.json]`.

Each part runs in processes of its own. Ratios are taken within a round, against `cv2.imdecode` of the same file a
moment before, and the median over rounds and photos is shown: on a busy machine seconds wander, ratios less.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter
from typing import NamedTuple

import numpy as np

from tests.bench.photos import PIECES, RULED, SURVEY
from tests.log.large import make_large_log

ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
AS_SHIPPED = {"OPENBLAS_NUM_THREADS": "1"}  # as visioncheck.start.run sets it
SMALL_LOG, LARGE_LOG = 100, 10_000


class Ran(NamedTuple):
    """What became of a process."""

    wall_s: float
    cpu_s: float
    peak_mib: float
    said: str


def run(arguments, extra=None):
    """Run Python with `arguments` to its end."""
    start = perf_counter()
    with subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=os.environ | (extra or {})
    ) as process:
        said = process.stdout.read().decode()
        _, status, usage = os.wait4(process.pid, 0)
        seconds = perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"python {' '.join(map(str, arguments))} failed")
    return Ran(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, said)


def visioncheck(*arguments):
    """Arguments that run the program in a process of its own."""
    return ["-c", "import sys; from visioncheck.start import run; run()", *map(str, arguments)]


def median_of(rounds, arguments):
    """Median seconds and largest peak of a process, after one run to warm the disk's cache."""
    run(arguments)
    runs = [run(arguments) for _ in range(rounds)]
    return {
        "wall_s": float(np.median([ran.wall_s for ran in runs])),
        "cpu_s": float(np.median([ran.cpu_s for ran in runs])),
        "peak_mib": max(ran.peak_mib for ran in runs),
    }


def stages(rig, rounds, *, one_thread):
    """{stage: {"ms": median, "ratio": median of the ratio within a round}}."""
    arguments = ["-m", "tests.bench.stages", str(rig), str(rounds), *(["one-thread"] if one_thread else [])]
    by_photo = json.loads(run(arguments, ONE_THREAD if one_thread else AS_SHIPPED).said)
    names = next(iter(by_photo.values()))
    seconds = {name: np.concatenate([times[name] for times in by_photo.values()]) for name in names}
    decode = seconds["colour decode"]
    return {
        name: {"ms": 1e3 * float(np.median(values)), "ratio": float(np.median(values / decode))}
        for name, values in seconds.items()
    }


def processes(rig, log, rounds):
    """{what: medians} of whole processes."""
    work = {
        "python alone": ["-c", ""],
        "import of the command line": ["-c", "import visioncheck.cli"],
        "import of the measurement": ["-c", "import visioncheck.measuring.photo"],
        "visioncheck --help": visioncheck("--help"),
        "visioncheck measure": visioncheck("measure", PIECES[0], "--rig", rig),
        "visioncheck measure --picture": visioncheck(
            "measure", PIECES[0], "--rig", rig, "--picture", rig.parent / "reading.png"
        ),
        "visioncheck survey, 8 photos": visioncheck("survey", *SURVEY, "--ruled", RULED, "-o", rig),
        **{f"visioncheck log list, {name}": visioncheck("log", "list", folder) for name, folder in log.items()},
        **{
            f"  its newest 20, {name}": visioncheck("log", "list", folder, "--last", 20) for name, folder in log.items()
        },
    }
    return {what: median_of(rounds, arguments) for what, arguments in work.items()}


def batches(rig, rounds):
    """Photos a second and processor seconds a photo: on one process and on two, and on one for a quarter of them."""
    found = {}
    for what, photos, count in (
        ("4 photos, 1 process", 4, 1),
        ("16 photos, 1 process", 16, 1),
        ("16 photos, 2 processes", 16, 2),
    ):
        arguments = ["-m", "tests.bench.batch", str(rig), str(photos), str(count)]
        seconds = np.median([np.array(run(arguments, ONE_THREAD).said.split(), float) for _ in range(rounds)], axis=0)
        found[what] = {"photos_a_second": photos / seconds[0], "cpu_s_a_photo": seconds[1] / photos}
    return found


def machine():
    """Name what the figures were taken on."""
    cpu = (
        next(
            (
                line.split(":")[1].strip()
                for line in Path("/proc/cpuinfo").read_text().splitlines()
                if line.startswith("model name")
            ),
            platform.processor(),
        )
        if Path("/proc/cpuinfo").exists()
        else platform.processor()
    )
    return {
        "cpu": cpu,
        "cores": os.cpu_count(),
        "load": round(os.getloadavg()[0], 2),
        "python": platform.python_version(),
    }


def measure_all(rounds):
    with tempfile.TemporaryDirectory() as scratch:
        rig = Path(scratch) / "rig.json"
        run(visioncheck("survey", *SURVEY, "--ruled", RULED, "-o", rig))
        logs = {}
        for entries in (SMALL_LOG, LARGE_LOG):
            logs[f"{entries} entries"] = Path(scratch) / f"log-{entries}"
            make_large_log(logs[f"{entries} entries"], entries)
        return {
            "machine": machine(),
            "one thread": stages(rig, rounds, one_thread=True),
            "as shipped": stages(rig, rounds, one_thread=False),
            "processes": processes(rig, logs, rounds),
            "batch": batches(rig, rounds),
        }


def table(found):
    """Lines of the table."""
    yield "machine: " + ", ".join(f"{key} {value}" for key, value in found["machine"].items())
    yield f"{'one photo, x colour decode':34}{'one thread, CPU':>22}{'as shipped, wall':>22}"
    for name, one in found["one thread"].items():
        shipped = found["as shipped"][name]
        cells = "".join(f"{values['ms']:9.1f} ms  x {values['ratio']:5.2f}  " for values in (one, shipped))
        yield f"  {name:32}{cells}"
    yield f"{'process':36}{'wall':>10}{'CPU':>10}{'peak':>13}"
    for name, values in found["processes"].items():
        yield f"  {name:34}{values['wall_s']:8.2f} s{values['cpu_s']:8.2f} s{values['peak_mib']:9.0f} MiB"
    yield f"{'batch':36}{'photos/s':>10}{'CPU/photo':>10}"
    for name, values in found["batch"].items():
        yield f"  {name:34}{values['photos_a_second']:10.2f}{values['cpu_s_a_photo']:8.2f} s"
    one, two = (found["batch"][f"16 photos, {count}"]["photos_a_second"] for count in ("1 process", "2 processes"))
    yield f"  {'two processes over one':34}{two / one:10.2f}"


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("-o", "--output", type=Path, default=Path("build/bench.json"))
    options = parser.parse_args()
    found = measure_all(options.rounds)
    print("\n".join(table(found)))
    options.output.parent.mkdir(parents=True, exist_ok=True)
    options.output.write_text(json.dumps(found, indent=2) + "\n")


if __name__ == "__main__":
    main()
