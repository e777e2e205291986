"""Output that is full, closed, cut off or of few signs; input that is no file, without end, or nested without end."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from tests.conftest import PHOTOS
from visioncheck.batch.jobs import Known, folder_jobs
from visioncheck.cli import main
from visioncheck.errors import UserError
from visioncheck.files import as_cell, bounded_bytes, from_cell, write_text, write_whole
from visioncheck.measuring.options import PieceOptions
from visioncheck.photo.load import DRAWN, load_photo

SLED = PHOTOS.parents[1] / "sleds" / "alder-lane.toml"
SAYS = ["reckon", "--angle", "90.1", "--u", "0.05", "--sled", str(SLED)]


def run(shell: str, **surroundings) -> subprocess.CompletedProcess[str]:
    """Run the program with what the shell does to its streams; {} is the program with a command that says much."""
    program = f"{sys.executable} -m visioncheck.start {' '.join(SAYS)}"
    line = ["bash", "-o", "pipefail", "-c", shell.format(program)]
    return subprocess.run(line, env=os.environ | surroundings, capture_output=True, text=True, check=False)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux and its relatives")
def test_output_that_finds_no_room_is_one_sentence():
    done = run("{} >/dev/full")
    assert done.returncode == 2
    assert (
        done.stderr == "visioncheck: The output cannot be written (no space left on device); give it another place.\n"
    )


@pytest.mark.parametrize("shell", ["{} | true", "{} >&-", "{} >&- 2>&- <&-"])
def test_output_that_nobody_reads(shell):
    done = run(shell)
    assert done.returncode in {0, 1}
    assert done.stderr == ""


def test_a_terminal_of_few_signs_and_no_width():
    done = run("{}", PYTHONIOENCODING="ascii", COLUMNS="0")
    assert done.returncode == 0
    assert "Verdict" in done.stdout


ODD = ["pipe.jpg", "/dev/zero", "deep.json", "folder", "bytes.toml"]


@pytest.fixture
def odd(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe.jpg")
    Path("deep.json").write_text("[" * 100_000 + "]" * 100_000)
    Path("folder").mkdir()
    Path("bytes.toml").write_bytes(b"\xff\xfe")
    return tmp_path


@pytest.mark.usefixtures("odd")
@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize(
    "command",
    [
        "measure {}", "measure photo.jpg --rig {}", "measure photo.jpg --sled {}", "survey {} -o rig.json",
        "reckon --angle 90.1 --u 0.05 --sled {}", "groove {}", "study {}", "study --readings {}", "batch {} --log log",
        "log attach log {} --sled Oak", "log attach log --reading {}", "log import log {}", "log restore {} new",
        "log backup {} copy", "log list {}", "report {}", "refine {} --rig {} -o new.json", "tolerance --sled {}",
    ],
)  # fmt: skip
def test_what_is_read_is_a_file_within_bounds(command, name, capsys):
    assert main([name if part == "{}" else part for part in command.split()]) == 2
    said = capsys.readouterr().err
    assert said.startswith("visioncheck: ")
    assert len(said) < 2000


def test_a_file_of_the_greatest_size_is_read_and_a_larger_one_not(tmp_path):
    file = tmp_path / "a"
    file.write_bytes(b"x" * 100)
    assert bounded_bytes(file, 100) == b"x" * 100
    with pytest.raises(OSError, match="larger") as raised:
        bounded_bytes(file, 99)
    assert raised.value.errno == errno.EFBIG


def test_what_is_no_file_is_closed_again(tmp_path):
    held = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(5):
        with pytest.raises(IsADirectoryError):
            bounded_bytes(tmp_path, 100)
    assert len(list(Path("/proc/self/fd").iterdir())) == held


def test_what_is_no_file_is_not_written_over(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(UserError, match="not a file"):
        write_whole(pipe, b"x")
    assert pipe.is_fifo()


def test_a_name_that_is_no_text_is_written_escaped(tmp_path):
    write_text(tmp_path / "a", os.fsdecode(b"caf\xe9.jpg"))
    assert (tmp_path / "a").read_text() == "caf\\udce9.jpg"


@pytest.mark.parametrize("text", ["=1+1", "+49", "-0.1 mm", "@SUM(A1)", "\tx", "'=x", "''@", "plain", "'quoted'", ""])
def test_a_cell_is_no_formula_and_comes_back(text):
    cell = as_cell(text)
    assert cell[:1] not in {"=", "+", "-", "@", "\t", "\r"}
    assert from_cell(cell) == text
    assert as_cell(-0.1) == -0.1


def test_a_picture_that_was_drawn_is_no_photo(tmp_path):
    drawn, photo = tmp_path / "a.png", tmp_path / "b.png"
    Figure(figsize=(4, 3)).savefig(drawn, metadata=DRAWN)
    Figure(figsize=(4, 3)).savefig(photo)
    with pytest.raises(UserError, match="visioncheck drew"):
        load_photo(drawn)
    load_photo(photo)
    jobs = folder_jobs(tmp_path, Known({}, {}, {}), PieceOptions(), "", tmp_path / "log")
    assert [job.label for job in jobs] == ["b.png"]


def test_a_reason_that_is_kept_names_no_folder():
    problem = UserError("is odd").of(Path("/home/somebody/a.jpg"), "b/c.jpg")
    assert problem.named == "a.jpg and c.jpg: is odd"
    assert str(problem) == "/home/somebody/a.jpg and b/c.jpg: is odd"


@pytest.mark.parametrize("name", ["9" * 400, "a-file/below", "folder", "full"])
def test_an_output_that_cannot_be_written_is_said_before_the_work(name, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a-file").write_text("x")
    for folder in (f"{name}.json", f"{name}.html", f"{name}.png"):
        if name == "folder":
            (tmp_path / folder).mkdir()
        elif name == "full":
            (tmp_path / folder).symlink_to("/dev/full")
    for line in (
        ["survey", "none-1.jpg", "none-2.jpg", "-o", f"{name}.json"],
        ["survey", "none-1.jpg", "none-2.jpg", "-o", "rig.json", "--picture", f"{name}.png"],
        ["refine", "none.json", "none", "-o", f"{name}.json"],
        ["report", "none", "-o", f"{name}.html"],
        ["log", "trend", "none", "-o", f"{name}.png"],
        ["tolerance", "joint", "--width", "9" * 400, "--picture", f"{name}.png"],
    ):
        assert main(line) == 2
        assert "Cannot write" in capsys.readouterr().err, line


def test_a_name_too_long_for_a_folder_is_one_sentence(capsys):
    assert main(["log", "restore", "none", "9" * 400]) == 2
    assert "name too long" in capsys.readouterr().err
