"""Only the command line writes a parameter as its option; every other sentence names the parameter itself."""

from __future__ import annotations

import ast
import re
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "visioncheck"
OPTION = re.compile(r"(?<![\w-])--[a-z]")
# reads sentences that an older version wrote into logs
READS_OLD = {"results/schema_1.py"}


def sentences(tree: ast.Module) -> list[str]:
    """Every text of a module, parts of f-strings too, but for docstrings."""
    said = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in said
    ]


def test_no_sentence_outside_the_commands_names_an_option():
    found = {}
    for path in PACKAGE.rglob("*.py"):
        place = path.relative_to(PACKAGE).as_posix()
        if place.startswith("commands/") or place in {"cli.py", "start.py"} | READS_OLD:
            continue
        if named := [text for text in sentences(ast.parse(path.read_text())) if OPTION.search(text)]:
            found[place] = named
    assert found == {}


def test_an_option_in_a_sentence_would_be_found():
    tree = ast.parse('"""With --this."""\nraise UserError(f"{name}: give --rig too")')
    assert [text for text in sentences(tree) if OPTION.search(text)] == [": give --rig too"]
    assert any(
        OPTION.search(text) for place in READS_OLD for text in sentences(ast.parse((PACKAGE / place).read_text()))
    )
