"""The command itself: its address and code, one server a log, killed in the middle and started again."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from phone import FIXTURES, PHOTOS, SLED_KEY, Phone, until

from visioncheck.cli import main
from visioncheck.log.store import Log
from visioncheck.page.serve import draw_code, lan_address

TABLE = Path("/proc/net/tcp")
sees_sockets = pytest.mark.skipif(not TABLE.exists(), reason="who listens where is read from Linux's /proc")
COMMAND = [sys.executable, "-c", "from visioncheck.start import run; run()", "page"]


@dataclass
class Served:
    process: subprocess.Popen[str]
    printed: str

    @property
    def address(self):
        return re.search(r"https?://([\d.]+):(\d+)/enter/(\S+)", self.printed)

    @property
    def port(self):
        return int(self.address[2])

    @property
    def token(self):
        return self.address[3]

    def kill(self, how=signal.SIGKILL):
        self.process.send_signal(how)
        self.process.stdout.close()
        return self.process.wait(20)


@pytest.fixture
def start(tmp_path):
    running = []
    sleds = tmp_path / "sleds"
    sleds.mkdir()
    shutil.copy(FIXTURES / "sleds" / "alder-lane.toml", sleds)

    def begin(*options):
        arguments = ["--log", str(tmp_path / "log"), "--sleds", str(sleds), "--port", "0", *options]
        with (tmp_path / "said").open("w") as said:
            process = subprocess.Popen(
                [*COMMAND, *arguments],
                stdout=subprocess.PIPE,
                stderr=said,
                text=True,
                env={**os.environ, "OMP_NUM_THREADS": "1"},
            )
        running.append(process)
        lines = []
        for line in process.stdout:
            lines.append(line)
            if "Ctrl-C" in line:
                break
        return Served(process, "".join(lines))

    yield begin
    for process in running:
        process.kill()
        process.wait(20)
        process.stdout.close()


def listening_addresses(port):
    found = []
    with TABLE.open(encoding="ascii") as table:
        for line in table.readlines()[1:]:
            local, state = line.split()[1], line.split()[3]
            address, _, local_port = local.partition(":")
            if state == "0A" and int(local_port, 16) == port:
                found.append(".".join(str(byte) for byte in bytes.fromhex(address)[::-1]))
    return found


@sees_sockets
def test_it_listens_on_loopback_unless_asked(start):
    served = start()
    until(lambda: listening_addresses(served.port))
    assert listening_addresses(served.port) == ["127.0.0.1"]
    assert served.address[1] == "127.0.0.1"


@sees_sockets
def test_on_the_network_it_listens_on_one_address_and_draws_its_code(start):
    # 127.0.0.5 stands for this computer's address on a network: all of 127/8 is its own (RFC 1122)
    served = start("--lan", "--address", "127.0.0.5")
    until(lambda: listening_addresses(served.port))
    assert listening_addresses(served.port) == ["127.0.0.5"]
    read, _, _ = cv2.QRCodeDetector().detectAndDecode(photographed(served.printed))
    assert read == served.address[0]


def photographed(printed):
    """The code's half blocks as pixels, light where a terminal shows ink."""
    lines = [line for line in printed.splitlines() if line and set(line) <= set("█▀▄ ")]
    rows = []
    for line in lines:
        rows += [[sign in upper for sign in line] for upper in ("█▀", "█▄")]
    return cv2.resize(np.array(rows, np.uint8) * 255, None, fx=6, fy=6, interpolation=cv2.INTER_NEAREST)


def test_a_terminal_without_half_blocks_gets_a_code_of_plain_signs():
    address = "http://192.0.2.1:8765/enter/" + "x" * 32
    drawn = draw_code(address, coloured=False, encoding="cp1252")
    assert drawn.encode("cp1252").isascii()
    pixels = np.array([[sign == "#" for sign in line[::2]] for line in drawn.splitlines()], np.uint8)
    shown = cv2.resize(pixels * 255, None, fx=6, fy=6, interpolation=cv2.INTER_NEAREST)
    assert cv2.QRCodeDetector().detectAndDecode(shown)[0] == address
    assert draw_code(address, coloured=True, encoding="cp1252").isascii()


def test_the_code_is_dark_on_light_in_every_terminal():
    for line in draw_code("http://192.0.2.1:8765/enter/x", coloured=True).splitlines():
        assert line.startswith("\033[40;97m")
        assert line.endswith("\033[0m")


@pytest.mark.parametrize("address", ["0.0.0.0", "224.0.0.1", "evil.example", "1.2.3", "::1"])  # noqa: S104 - refused
def test_an_address_that_cannot_be_is_refused(address, tmp_path, capsys):
    assert main(["page", "--log", str(tmp_path / "log"), "--lan", "--address", address]) == 2
    assert "--address" in capsys.readouterr().err


def test_an_address_without_lan_a_taken_port_and_a_strange_folder(tmp_path, capsys):
    log = str(tmp_path / "log")
    assert main(["page", "--log", log, "--address", "192.0.2.1"]) == 2
    assert "--lan" in capsys.readouterr().err
    assert main(["page", "--log", log, "--lan", "--address", "192.0.2.1"]) == 2
    assert "cannot listen" in capsys.readouterr().err
    assert main(["page", "--log", log, "--sleds", str(tmp_path / "none")]) == 2
    assert "is no folder" in capsys.readouterr().err
    assert main(["page", "--log", str(FIXTURES)]) == 2
    assert "no calibration log" in capsys.readouterr().err


def test_without_its_packages_the_page_says_what_to_install(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "segno", None)
    monkeypatch.delitem(sys.modules, "visioncheck.page.serve")
    assert main(["page", "--log", str(tmp_path / "log")]) == 2
    assert "pip install 'visioncheck[page]'" in capsys.readouterr().err


def test_own_address_is_one_of_ours():
    assert re.fullmatch(r"\d+\.\d+\.\d+\.\d+", lan_address("192.168.1.20"))


def test_folders_may_be_there_before_the_log_and_are_made_where_not(tmp_path, monkeypatch):
    log = tmp_path / "log"
    (log / "sleds").mkdir(parents=True)
    monkeypatch.setattr("uvicorn.Server.run", lambda *_, **__: None)
    assert main(["page", "--log", str(log), "--port", "0"]) == 0
    assert {path.name for path in log.iterdir()} >= {"log.sqlite", "page", "rigs", "sleds"}


def test_one_log_is_served_once(start, tmp_path, capsys):
    served = start()
    assert main(["page", "--log", str(tmp_path / "log"), "--port", "0"]) == 2
    assert "already" in capsys.readouterr().err
    served.kill()
    again = start()  # the system let go of it
    assert again.token == served.token  # phones stay known


def test_a_new_address_shuts_the_old_phones_out(start):
    first = start()
    phone = knock(first)
    assert phone.get("/").status == 200
    first.kill()
    second = start("--new-address")
    assert second.token != first.token
    phone.port = second.port
    until(lambda: answers(second.port))
    assert phone.get("/").status == 403


def test_ctrl_c_ends_it_without_a_word(start, tmp_path):
    served = start()
    until(lambda: answers(served.port))
    assert served.kill(signal.SIGINT) == 0
    assert (tmp_path / "said").read_text() == ""


def answers(port):
    try:
        return Phone(port).get("/").status == 403
    except ConnectionError:
        return False


def knock(served):
    until(lambda: answers(served.port))
    return Phone(served.port).enter(served.token)


@pytest.mark.photos
def test_killed_while_measuring_nothing_accepted_is_lost_or_counted_twice(start, tmp_path):
    served = start()
    phone = knock(served)
    fields = {"rig": "none", "piece": "corner"}
    jobs = [
        phone.send(f"/sled/{SLED_KEY}/photo", (PHOTOS / name).read_bytes(), fields).header("location")
        for name in ("corner-1.jpg", "corner-2.jpg")
    ]
    assert all(jobs)
    served.kill()  # both accepted, the first perhaps under way
    again = start()
    phone.port = again.port
    until(lambda: answers(again.port))
    shown = []
    for job in jobs:
        until(lambda job=job: phone.get(job).status == 303)
        shown.append(phone.get(phone.get(job).header("location")))
    assert [answer.status for answer in shown] == [200, 200]
    with Log.open(tmp_path / "log", readonly=True) as log:
        entries = list(log.entries())
    assert len(entries) == 2
    assert {entry.fence_error is not None for entry in entries} == {True}
    assert not list((tmp_path / "log" / "page" / "jobs").rglob("*.jpg"))
