"""The documents hold: paths, links, topics, options and one line for all checks; what they show is run elsewhere."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest
import typer.main
from rich.console import Console

from visioncheck.cli import app, main
from visioncheck.present.cautions import CAUTIONS
from visioncheck.present.topics import TOPICS, print_topic, topic_text, topic_title

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "visioncheck"
DOCS = PACKAGE / "docs"
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "fixtures" / "README.md", *sorted(DOCS.rglob("*.md"))]
LINK = re.compile(r"\]\(([^)\s]+)\)")
# a file, or a folder with its slash
PATH = re.compile(r"`((?:[\w.-]+/)*[\w-]+\.(?:py|toml|json|csv|html|txt|pdf)|(?:[\w.-]+/)+)`")
# what users write, or the program writes for them
WRITTEN = {"rig.json", "rig-2.json", "my-sled.toml", "slot.json", "build/", "my-sleds/", "my-rigs/", "list.csv"}
WRITTEN |= {"records.txt", "tags-a4.pdf", "tags-letter.pdf", "table.csv", "NAME.truth.json"}


def named(document):
    return document.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("document", DOCUMENTS, ids=named)
def test_every_path_that_a_document_names_exists(document):
    text = document.read_text(encoding="utf-8")
    roots = (ROOT, PACKAGE, ROOT / "fixtures")
    lost = {
        path for path in PATH.findall(text) if path not in WRITTEN and not any((root / path).exists() for root in roots)
    }
    modules = set(re.findall(r"python -m (tests[\w.]*)", text))
    assert not lost
    assert all(importlib.util.find_spec(name) for name in modules)


@pytest.mark.parametrize("document", DOCUMENTS, ids=named)
def test_links_between_documents_resolve(document):
    links = [link for link in LINK.findall(document.read_text(encoding="utf-8")) if "://" not in link]
    assert [link for link in links if not (document.parent / link.split("#")[0]).exists()] == []


def test_every_document_of_the_package_is_linked_from_the_guide():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    indices = guide + (DOCS / "decisions" / "README.md").read_text(encoding="utf-8")
    for document in (*sorted((DOCS / "decisions").glob("[0-9]*.md")), *sorted((DOCS / "benchmarks").glob("*.md"))):
        assert f"{document.name})" in indices


def test_topics_are_the_files_and_print(capsys):
    assert sorted(TOPICS) == sorted(path.stem for path in (DOCS / "topics").glob("*.md"))
    assert main(["help"]) == 0
    listed = capsys.readouterr().out
    for topic in TOPICS:
        assert topic_text(topic).startswith("# ")
        assert topic_title(topic) in listed
        assert main(["help", topic]) == 0
        printed = capsys.readouterr().out
        assert topic_title(topic) in printed
        assert "](" not in printed
        assert "fixtures/pictures" not in printed


def test_commands_in_a_topic_are_printed_whole():
    console = Console(width=40, record=True, highlight=False)
    with console.capture() as shown:
        print_topic("typed", console)
    for command in re.findall(r"^visioncheck .*", topic_text("typed"), re.MULTILINE):
        assert command in shown.get()


def test_a_topic_that_there_is_not(capsys):
    assert main(["help", "planing"]) == 2
    assert "There is no topic 'planing'; there are survey, " in capsys.readouterr().err


def test_the_cautions_are_those_that_the_program_says():
    for text in ((ROOT / "README.md").read_text(encoding="utf-8"), topic_text("cautions")):
        assert [line for line in text.splitlines() if line.removeprefix("- ") in CAUTIONS] == [
            f"- {c}" for c in CAUTIONS
        ]


def test_the_line_that_checks_everything_is_one():
    ran = (ROOT / ".ci" / "run").read_text().strip().splitlines()[-1]
    for name in ("README.md", "DEVELOPERS.md"):
        assert f"```sh\n{ran}\n```" in (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("document", [ROOT / "README.md", *sorted((DOCS / "topics").glob("*.md"))], ids=named)
def test_every_option_and_topic_that_a_document_names_exists(document):
    text = document.read_text(encoding="utf-8")
    known = {"--help", *options(typer.main.get_command(app))}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text)) - known == set()
    assert set(re.findall(r"visioncheck help ([a-z]+)", text)) <= set(TOPICS)


def options(command):
    """Every option of a command and of those below it."""
    own = {name for parameter in command.params for name in (*parameter.opts, *parameter.secondary_opts)}
    return own.union(*(options(below) for below in getattr(command, "commands", {}).values()))
