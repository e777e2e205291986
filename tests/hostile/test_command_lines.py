"""Command lines made from the commands' own definitions, most of them wrong: each ends in a result or a sentence."""

from __future__ import annotations

import io
import itertools
import random
import shutil
import sys
from pathlib import Path

import pytest
import typer

from tests.conftest import PHOTOS
from visioncheck.cli import app, main

# they serve, take half a minute, or ask; tests/page, tests/report and tests/correction
ELSEWHERE = {"page", "demo", "sled"}
FILES = (
    "empty",
    "noise.jpg",
    "noise.json",
    "deep.json",
    "list.json",
    "sled.toml",
    "folder",
    "none",
    "log",
    "photo.csv",
)
WORDS = (
    "", " ", "0", "-1", "nan", "inf", "1e400", "9" * 400, "90.1", "12mm", "1/0in", "1/2in", "left", "rear", "top",
    "corner", "2026-02-30", "9999-12-31", "2026-01-01", "=1+1", "--", "-", "é", "\udcff", "\x1b[31m", "a,b", "x.png",
    "y.html", "z.csv",
)  # fmt: skip


def leaves(command, path=(), without=ELSEWHERE):
    """Every command that does something, with its way."""
    below = getattr(command, "commands", None)
    if not below:
        yield path, command
        return
    for name, each in below.items():
        if name not in without:
            yield from leaves(each, (*path, name), without)


COMMANDS = list(leaves(typer.main.get_command(app)))


def one_line(chance: random.Random) -> list[str]:
    """A command with its arguments, most of those required, and some options, each with some value."""
    path, command = chance.choice(COMMANDS)
    words = list(path)
    options = []
    for parameter in command.params:
        if parameter.name == "help":
            continue
        if parameter.param_type_name == "argument":
            if chance.random() < 0.95:
                words.append(chance.choice(chance.choice((FILES, WORDS))))
        elif chance.random() < (0.9 if parameter.required else 2.0 / len(command.params)):
            options.append(chance.choice(parameter.opts))
            if not parameter.is_flag:
                options.append(chance.choice(chance.choice((FILES, WORDS))))
    return words + options


def lot(seed: int) -> random.Random:
    return random.Random(seed)  # noqa: S311 - no secret


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO())
    noise = lot(1).randbytes(3000)
    for name, content in (
        ("empty", b""), ("noise.jpg", b"\xff\xd8\xff" + noise), ("noise.json", noise), ("deep.json", b"[" * 10_000),
        ("list.json", b'[1, {}, null, "a"]'), ("photo.csv", b"photo,sled\nnone.jpg,Oak\n"),
    ):  # fmt: skip
        Path(name).write_bytes(content)
    shutil.copy(PHOTOS.parents[1] / "sleds" / "alder-lane.toml", "sled.toml")
    Path("folder").mkdir()


@pytest.mark.usefixtures("place")
def test_wrong_command_lines_end_in_a_sentence(lines, capsys):
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # as the entry point does
    for seed in range(lines):
        argv = one_line(lot(seed))
        code = main(argv)  # an exception fails the test
        said = capsys.readouterr()
        assert code in {0, 1, 2}, argv
        assert "Traceback" not in said.err
        if code == 2:
            last = said.err.strip().splitlines()[-1]
            assert last.startswith("visioncheck: "), (argv, said.err)


def test_every_command_and_option_comes_up():
    seen = set(itertools.chain.from_iterable(one_line(lot(seed)) for seed in range(3000)))
    for path, command in COMMANDS:
        assert set(path) <= seen
        for parameter in command.params:
            assert parameter.name == "help" or parameter.param_type_name == "argument" or seen & set(parameter.opts)
