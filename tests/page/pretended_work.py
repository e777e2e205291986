"""What a worker process does in tests of the queue: as it is told, quickly."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path


def slow_chart(log, *_):
    while not (log / "drawn").exists():
        time.sleep(0.02)
    return b""


def do(_places, job, folder):
    note = job.told["note"]
    if note == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if note == "die once":
        scrap = Path(folder) / "tried"
        if not scrap.exists():
            scrap.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    if note == "hang":
        time.sleep(600)
    if note == "fail":
        raise ValueError("a fault of our own")
    if note.startswith("wait for "):
        while not Path(note.removeprefix("wait for ")).exists():
            time.sleep(0.02)
    return {"state": "refused", "sentence": f"Done: {note}.", "code": None}
