"""Commands stopped at random moments: `python -m tests.hostile.stopped COUNT [SEED]`.

SIGINT, SIGTERM and SIGKILL over everything that writes to a log. However it ends: no entry without its photo, no
traceback, at most one line, exit code 0, 130 or 143, and the same command again heals.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.log.conftest import make_photo, make_reading
from visioncheck.cli import main as visioncheck
from visioncheck.log.check import check_folder

# from where the program itself begins: while Python is loading, a signal ends it as Python ends
_BEGIN = (
    "import signal; signal.signal(signal.SIGINT, signal.SIG_DFL); print('on', flush=True); "
    "from visioncheck.start import run; run()"
)
COMMAND = [sys.executable, "-c", _BEGIN]
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
SLED = Path(__file__).parents[2] / "fixtures" / "sleds" / "alder-lane.toml"
# the log's own commands take about so long, loading included
_LONGEST_S = 0.9


def prepare(folder: Path) -> None:
    """Make a log, another one's export with its photos, and a backup."""
    log, other = folder / "log", folder / "other"
    typed = {key: value for key, value in make_reading().items() if key != "photo"}
    (folder / "typed.json").write_text(json.dumps(typed))
    for name, place in (("first", log), ("second", other), ("third", other), ("fresh", None)):
        photo = make_photo(folder, size=300_000, name=f"{name}.jpg")
        (folder / f"{name}.json").write_text(json.dumps({**make_reading(), "photo": photo.name}))
        if place is not None:
            assert visioncheck(attach(place, folder, name)) == 0
    assert visioncheck(["log", "export", str(other), "-o", str(folder / "other.json")]) == 0
    assert visioncheck(["log", "backup", str(log), str(folder / "backup")]) == 0


def commands_in(folder: Path) -> dict[str, list[str]]:
    """Name what can be done there."""
    log, photos = str(folder / "log"), str(folder / "other" / "photos")
    return {
        "attach": attach(folder / "log", folder, "fresh"),
        "typed": ["log", "attach", log, "--reading", str(folder / "typed.json"), "--sled", str(SLED)],
        "import": ["log", "import", log, str(folder / "other.json"), "--photos", photos],
        "tag": ["log", "tag", log, "7", "Alder Lane"],
        "clean": ["log", "check", log, "--clean"],
        "backup": ["log", "backup", log, str(folder / "backup")],
        "export": ["log", "export", log, "-o", str(folder / "all.csv")],
        "report": ["report", log, "-o", str(folder / "report.html")],
    }


def attach(log: Path, folder: Path, name: str) -> list[str]:
    """Attach a photo with its reading."""
    reading = str(folder / f"{name}.json")
    return ["log", "attach", str(log), str(folder / f"{name}.jpg"), "--reading", reading, "--sled", str(SLED)]


def stop(argv: list[str], after_s: float, number: int, folder: Path) -> int:
    """Run a command and send it a signal after a while; returns how it ended, having looked at what it said."""
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    with (folder / "said").open("w+") as said:
        program = subprocess.Popen([*COMMAND, *argv], stdout=subprocess.PIPE, stderr=said, env=environment)
        assert program.stdout is not None
        program.stdout.readline()
        time.sleep(after_s)
        program.send_signal(number)
        program.communicate(timeout=60)
        code = program.returncode
        said.seek(0)
        lines = said.read()
    assert "Traceback" not in lines, (argv, after_s, number, lines)
    assert lines.count("stopped") <= 1, lines
    assert code in {0, 128 + number, -number}, (argv, after_s, number, code, lines)
    return code


def require_whole(folder: Path) -> None:
    """Nothing is lost or out of order, but for what a broken-off write leaves; nothing half-written stands beside."""
    for place in ("log", "backup"):
        wrong = [problem.what for problem in check_folder(folder / place) if not problem.is_harmless]
        assert wrong == []


def main(count: int, seed: int) -> None:
    """Stop that many commands, each on a fresh copy."""
    ends = Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        whole = Path(name) / "whole"
        whole.mkdir()
        prepare(whole)
        for k in range(count):
            chance = random.Random(seed + k)  # noqa: S311 - no secret
            folder = Path(name) / "run"
            shutil.copytree(whole, folder)
            command, argv = chance.choice(sorted(commands_in(folder).items()))
            number = chance.choice(SIGNALS)
            code = stop(argv, chance.uniform(0, _LONGEST_S), number, folder)
            ends["done" if code == 0 else signal.Signals(number).name] += 1
            require_whole(folder)
            assert visioncheck(argv) == 0, (command, number)
            require_whole(folder)
            shutil.rmtree(folder)
    print(f"{count} commands: {dict(ends)}; no entry without its photo, no traceback, each went on when run again")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
