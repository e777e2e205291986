"""Every command in README and topics runs as printed, in a folder that holds nothing but the fixtures."""

from __future__ import annotations

import contextlib
import re
import shlex
from glob import glob
from pathlib import Path

import pytest

from visioncheck.cli import main

ROOT = Path(__file__).parents[2]
# in the order in which a user meets them: later ones read what earlier ones wrote
DOCUMENTS = [ROOT / "README.md", *(ROOT / "visioncheck" / "docs" / "topics").glob("*.md")]
BLOCK = re.compile(r"^```sh\n(.*?)^```", re.MULTILINE | re.DOTALL)
SHOWN = re.compile(r"^```sh\n([^`]*)^```\n[^`]*?^```text\n(.*?)^```", re.MULTILINE | re.DOTALL)
NUMBER = re.compile(r"\d+(?:\.\d+)?")
# they ask, or serve until they are stopped, or take half a minute: tests/correction, tests/page and tests/report
ELSEWHERE = ("visioncheck sled ", "visioncheck page ", "visioncheck demo ")


def commands(text):
    """Take each command of the program out of a document's blocks."""
    for block in BLOCK.findall(text):
        for line in block.splitlines():
            for part in line.split("#")[0].split("&&"):
                command = part.strip().removeprefix(".venv/bin/")
                if command.startswith("visioncheck ") and not command.startswith(ELSEWHERE):
                    yield command


def run(command):
    """Run one as a shell would: patterns for files, and output into a file."""
    command, _, into = command.partition(">")
    words = [found for word in shlex.split(command)[1:] for found in sorted(glob(word)) or [word]]  # noqa: PTH207
    if not into:
        return main(words)
    with Path(into.strip()).open("w", encoding="utf-8") as file, contextlib.redirect_stdout(file):
        return main(words)


def require_shown(shown, said):
    """Each line that a document shows is one of those that the program says: its words, and about its numbers."""
    lines = {words_of(line): line for line in said.splitlines()}
    for line in shown.splitlines():
        assert words_of(line) in lines, line
        now = [float(number) for number in NUMBER.findall(lines[words_of(line)])]
        # the last digits are the machine's own
        assert [float(number) for number in NUMBER.findall(line)] == pytest.approx(now, rel=0.1, abs=0.02), line


def words_of(line):
    """Take a line's words without its numbers and spaces."""
    return " ".join(NUMBER.sub("#", line).split())


@pytest.mark.photos
def test_examples_run_as_printed(tmp_path, monkeypatch, capsys):
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    # nothing is broken into two lines
    monkeypatch.setenv("COLUMNS", "400")
    ran = 0
    for document in sorted(DOCUMENTS, key=lambda path: (path.name != "README.md", path.name != "survey.md", path.name)):
        text = document.read_text(encoding="utf-8")
        shown = {list(commands(f"```sh\n{block}```"))[-1]: output for block, output in SHOWN.findall(text)}
        for command in commands(text):
            code = run(command)
            said = capsys.readouterr()
            assert code == 0, f"{document.name}: {command}\n{said.err}"
            require_shown(shown.pop(command, ""), said.out)
            ran += 1
        assert not shown
    assert ran > 30
