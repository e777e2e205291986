"""Many phones at once, a network that breaks and a computer that goes down: is every photo answered, and none twice?

``python -m tests.page.storm --photos 200 --phones 20 --kills 5``
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from PIL import Image

from tests.page.phone import FIXTURES, SLED_KEY, Phone, multipart
from visioncheck.log.store import Log

_COMMAND = "from visioncheck.start import run; run()"
_SIDE_PX = 1400
_CUT, _DEAF = 0.3, 0.15
"""Of the sendings so many break off on the way, and of so many the answer is lost."""


@dataclass
class Storm:
    """What became of it."""

    photos: int
    seconds: float = 0.0
    sendings: int = 0
    kills: int = 0
    jobs: dict[int, str] = field(default_factory=dict)
    answers: Counter[str] = field(default_factory=Counter)
    entries: int = 0
    photos_in_log: int = 0
    spooled: int = 0

    @property
    def wrong(self) -> list[str]:
        """What should not be."""
        checks = {
            "a photo without a job": len(self.jobs) == self.photos,
            "two photos with one job": len(set(self.jobs.values())) == self.photos,
            "a job that nobody sent": self.spooled == self.photos,
            "a job without an answer": self.answers.total() == self.photos,
            "an answer that is no reading": set(self.answers) == {"done"},
            "a photo in the log twice, or not at all": self.entries == self.photos_in_log == self.photos,
        }
        return [what for what, holds in checks.items() if not holds]


class Computer:
    """The page's server in a process of its own, which is killed and started again on the same port."""

    def __init__(self, folder: Path) -> None:
        self.log = folder / "log"
        sleds = self.log / "sleds"
        sleds.mkdir(parents=True)
        shutil.copy(FIXTURES / "sleds" / "alder-lane.toml", sleds)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._state = {**os.environ, "XDG_STATE_HOME": str(folder / "state"), "OMP_NUM_THREADS": "1"}
        self.process: subprocess.Popen[str] | None = None
        self.token = ""

    def start(self) -> None:
        arguments = ["page", "--log", str(self.log), "--port", str(self.port)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", _COMMAND, *arguments],
            stdout=subprocess.PIPE,
            text=True,
            env=self._state,
            start_new_session=True,
        )
        for line in self.process.stdout:
            found = re.search(r"/enter/(\S+)", line)
            self.token = found[1] if found else self.token
            if "Ctrl-C" in line:
                break

    def kill(self) -> None:
        """End it with its workers, as a computer does that loses its power."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(20)
        self.process.stdout.close()


def make_photo(number: int) -> bytes:
    """One photo of a test piece, another one for each number: its file and a pixel differ."""
    image = Image.open(FIXTURES / "photos" / "light-a4" / "corner-2.jpg")
    image.thumbnail((_SIDE_PX, _SIDE_PX))
    image.putpixel((0, 0), (number % 256, number // 256, 7))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90, comment=f"{number}".encode())
    return out.getvalue()


def _send(phone: Phone, photo: bytes, once: str, chance: random.Random) -> str | None:
    """Send a photo once over a network that may break; its job's address where the answer came."""
    boundary, body = multipart({"form": phone.form_token, "piece": "corner", "once": once}, photo)
    head = (
        f"POST /sled/{SLED_KEY}/photo HTTP/1.1\r\nHost: 127.0.0.1:{phone.port}\r\n"
        f"Cookie: {'; '.join(f'{name}={value}' for name, value in phone.cookies.items())}\r\n"
        f"Content-Type: multipart/form-data; boundary={boundary}\r\nContent-Length: {len(body)}\r\n"
        "Connection: close\r\n\r\n"
    ).encode()
    draw = chance.random()
    with socket.create_connection(("127.0.0.1", phone.port), 20) as connection:
        if draw < _CUT:
            connection.sendall((head + body)[: int(chance.random() * len(body))])
            return None
        connection.sendall(head + body)
        if draw < _CUT + _DEAF:
            return None
        answer = b""
        while piece := connection.recv(65536):
            answer += piece
    found = re.search(rb"location: /job/(\w+)", answer)
    return found[1].decode() if found else None


def _phone(computer: Computer, numbers: list[int], storm: Storm, lock: threading.Lock, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 - a network is no secret
    phone = Phone(computer.port)
    while True:
        try:
            phone.enter(computer.token)
            break
        except (OSError, AssertionError):
            time.sleep(0.3)
    for number in numbers:
        photo, once, job = make_photo(number), secrets.token_hex(8), None
        while job is None:
            try:
                job = _send(phone, photo, once, chance)
            except OSError:
                job = None
            with lock:
                storm.sendings += 1
            time.sleep(chance.uniform(0.5, 2.0))
        with lock:
            storm.jobs[number] = job


def weather(folder: Path, photos: int, phones: int, kills: int, *, seed: int = 1, within_s: float = 3600.0) -> Storm:
    """Let it happen, and look at what is left."""
    storm, lock, computer = Storm(photos), threading.Lock(), Computer(folder)
    chance = random.Random(seed)  # noqa: S311 - nor is the weather
    began = time.monotonic()
    computer.start()
    senders = [
        threading.Thread(target=_phone, args=(computer, list(range(k, photos, phones)), storm, lock, seed + k))
        for k in range(phones)
    ]
    for each in senders:
        each.start()
    try:
        while _left(storm, computer) and time.monotonic() - began < within_s:
            time.sleep(0.2)
            done = photos - _left(storm, computer)
            # spread over the whole of it, at no special moment
            if storm.kills < kills and done >= (storm.kills + chance.random()) * photos / (kills + 1):
                computer.kill()
                storm.kills += 1
                computer.start()
        for each in senders:
            each.join(60)
    finally:
        computer.kill()
    storm.seconds = time.monotonic() - began
    for path in (computer.log / "page" / "jobs").glob("*/answer.json"):
        storm.answers[json.loads(path.read_text("utf-8"))["state"]] += 1
    storm.spooled = len(list((computer.log / "page" / "jobs").glob("*/job.json")))
    with Log.open(computer.log, readonly=True) as log:
        entries = list(log.entries())
    storm.entries, storm.photos_in_log = len(entries), len({each.photo_sha256 for each in entries})
    return storm


def _left(storm: Storm, computer: Computer) -> int:
    """How many answers are still to come, also of jobs that should not be."""
    jobs, answers = (
        len(list((computer.log / "page" / "jobs").glob(f"*/{name}"))) for name in ("job.json", "answer.json")
    )
    return max(storm.photos, jobs) - answers


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, usual in (("photos", 200), ("phones", 20), ("kills", 5), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        storm = weather(Path(folder), given.photos, given.phones, given.kills, seed=given.seed)
    print(
        f"{storm.photos} photos of {given.phones} phones, {storm.sendings} sendings, {storm.kills} kills, "
        f"{storm.seconds:.0f} s: {len(storm.jobs)} jobs, answers {dict(storm.answers)}, "
        f"{storm.entries} entries of {storm.photos_in_log} photos"
    )
    print("; ".join(storm.wrong) or "every photo answered once, none twice")


if __name__ == "__main__":
    main()
