"""Every example in README and topics runs as printed, in a folder that holds nothing but the fixtures."""

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
BLOCK = re.compile(r"^```(sh|python)\n(.*?)^```", re.MULTILINE | re.DOTALL)
# they ask, or serve until they are stopped, or take half a minute: tests/correction, tests/page and tests/report
ELSEWHERE = ("visioncheck sled ", "visioncheck page ", "visioncheck demo ")


def commands(text):
    """Take each command of the program out of a document's blocks."""
    for language, block in BLOCK.findall(text):
        if language == "python":
            continue
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


@pytest.mark.photos
def test_examples_run_as_printed(tmp_path, monkeypatch, capsys):
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    ran = 0
    for document in sorted(DOCUMENTS, key=lambda path: (path.name != "README.md", path.name != "survey.md", path.name)):
        text = document.read_text(encoding="utf-8")
        for command in commands(text):
            code = run(command)
            assert code == 0, f"{document.name}: {command}\n{capsys.readouterr().err}"
            ran += 1
        for language, block in BLOCK.findall(text):
            if language == "python":
                exec(compile(block, document.name, "exec"), {})  # noqa: S102
    assert ran > 30
    capsys.readouterr()
