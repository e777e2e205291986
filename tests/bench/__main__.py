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

import numpy as np

from tests.bench.photos import PIECES, RULED, SURVEY
from tests.log.large import make_large_log

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
SMALL_LOG, LARGE_LOG = 100, 10_000


def run(arguments, extra=None):
    """Run Python with `arguments`: (wall seconds, peak resident MiB, what it printed)."""
    start = perf_counter()
    with subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=os.environ | (extra or {})
    ) as process:
        said = process.stdout.read()
        _, status, usage = os.wait4(process.pid, 0)
        seconds = perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"python {' '.join(map(str, arguments))} failed")
    return seconds, usage.ru_maxrss / 1024, said


def visioncheck(*arguments):
    """Arguments that run the program in a process of its own."""
    return ["-c", "import sys; from visioncheck.cli import run; run()", *map(str, arguments)]


def median_of(rounds, arguments):
    """Median wall seconds and largest peak MiB of a process, after one to warm the disk's cache."""
    run(arguments)
    runs = [run(arguments) for _ in range(rounds)]
    return float(np.median([seconds for seconds, _, _ in runs])), max(peak for _, peak, _ in runs)


def stages(rig, rounds, threads):
    """{stage: {"ms": median, "ratio": median of the ratio within a round}}."""
    said = run(["-m", "tests.bench.stages", str(rig), str(rounds), str(threads)], ONE_THREAD if threads else None)[2]
    by_photo = json.loads(said)
    names = next(iter(by_photo.values()))
    seconds = {name: np.concatenate([times[name] for times in by_photo.values()]) for name in names}
    decode = seconds["colour decode"]
    return {
        name: {"ms": 1e3 * float(np.median(values)), "ratio": float(np.median(values / decode))}
        for name, values in seconds.items()
    }


def processes(rig, log, rounds):
    """{what: {"s": median, "peak_mib": largest}} of whole processes."""
    work = {
        "python alone": ["-c", ""],
        "import of the command line": ["-c", "import visioncheck.cli"],
        "import of the measurement": ["-c", "import visioncheck.measure"],
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
    found = {}
    for what, arguments in work.items():
        seconds, peak = median_of(rounds, arguments)
        found[what] = {"s": seconds, "peak_mib": peak}
    return found


def batches(rig, rounds):
    """Photos a second: on one process and on two, and on one with a quarter of the photos."""
    found = {}
    for what, photos, count in (
        ("4 photos, 1 process", 4, 1),
        ("16 photos, 1 process", 16, 1),
        ("16 photos, 2 processes", 16, 2),
    ):
        seconds = [
            float(run(["-m", "tests.bench.batch", str(rig), str(photos), str(count)], ONE_THREAD)[2])
            for _ in range(rounds)
        ]
        found[what] = photos / float(np.median(seconds))
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
            "one thread": stages(rig, rounds, 1),
            "as shipped": stages(rig, rounds, 0),
            "processes": processes(rig, logs, rounds),
            "photos a second": batches(rig, rounds),
        }


def table(found):
    """Lines of the table."""
    yield f"machine: {found['machine']}"
    yield f"{'one photo':34}{'one thread':>22}{'as shipped':>22}"
    for name, one in found["one thread"].items():
        shipped = found["as shipped"][name]
        cells = "".join(f"{values['ms']:9.1f} ms  x {values['ratio']:5.2f}  " for values in (one, shipped))
        yield f"  {name:32}{cells}"
    decode = found["as shipped"]["colour decode"]["ms"] / 1e3
    yield f"{'process':34}{'wall':>10}{'of decode':>12}{'peak':>12}"
    for name, values in found["processes"].items():
        yield f"  {name:32}{values['s']:8.3f} s{values['s'] / decode:10.1f} x{values['peak_mib']:9.0f} MiB"
    yield "photos a second"
    for name, rate in found["photos a second"].items():
        yield f"  {name:32}{rate:8.2f}"
    one, two = (found["photos a second"][f"16 photos, {n}"] for n in ("1 process", "2 processes"))
    yield f"  {'two processes over one':32}{two / one:8.2f}"


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("-o", "--output", type=Path, default=Path("bench.json"))
    options = parser.parse_args()
    found = measure_all(options.rounds)
    print("\n".join(table(found)))
    options.output.write_text(json.dumps(found, indent=2) + "\n")


if __name__ == "__main__":
    main()
