"""A built wheel holds what the tree holds, and works where the tree is not."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHOWS_ALL = """
from contextlib import redirect_stdout
from importlib import import_module
from pathlib import Path
import pkgutil, visioncheck
assert "site" in Path(visioncheck.__file__).parts, visioncheck.__file__
for module in pkgutil.walk_packages(visioncheck.__path__, "visioncheck."):
    import_module(module.name)
from visioncheck.cli import main
from visioncheck.present.topics import TOPICS
for topic in TOPICS:
    assert main(["help", topic]) == 0
assert main(["target", "--paper", "a4", "-o", "target"]) == 0
with redirect_stdout(Path("reading.json").open("w")):
    assert main(["reckon", "--angle", "90.1", "--u", "0.05", "--sled", "sled.toml", "--json"]) == 0
assert main(["log", "attach", "log", "--reading", "reading.json", "--sled", "sled.toml"]) == 0
assert main(["report", "log", "-o", "report.html"]) == 0
"""

USERS_SCRIPT = """
from pathlib import Path

import visioncheck

rig = visioncheck.survey(sorted(Path("bare").glob("*.jpg")), ruled="310.5mm").rig
found = visioncheck.measure("piece.jpg", rig=rig, sled="sled.toml", thickness="18mm")
if found.value is not None and found.verdict is not None:
    print(f"{found.value.value:.3f} ± {found.value.expanded():.3f} {found.value.unit}: {found.verdict.value}")
if found.correction is not None and found.correction.moves:
    print(found.correction.end, found.correction.way, found.correction.move.value)
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """The wheel of this tree, laid out as an installer lays it."""
    place = tmp_path_factory.mktemp("wheel")
    tree = place / "tree"
    leave_out = shutil.ignore_patterns("__pycache__", "*.egg-info")
    shutil.copytree(ROOT / "visioncheck", tree / "visioncheck", ignore=leave_out)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, tree)
    build = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", place, tree]
    subprocess.run(build, check=True)
    (wheel,) = place.glob("*.whl")
    site = place / "site"
    zipfile.ZipFile(wheel).extractall(site)
    return site


def files_of(folder: Path) -> set[str]:
    every = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    return {str(path) for path in every if "__pycache__" not in path.parts}


def test_a_wheel_holds_every_file_of_the_tree(installed):
    assert files_of(installed / "visioncheck") == files_of(ROOT / "visioncheck")


def test_a_wheel_works_where_the_tree_is_not(installed, tmp_path):
    shutil.copy(ROOT / "fixtures" / "sleds" / "alder-lane.toml", tmp_path / "sled.toml")
    surroundings = os.environ | {"PYTHONPATH": str(installed)}
    done = subprocess.run(
        [sys.executable, "-c", SHOWS_ALL], cwd=tmp_path, env=surroundings, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert "<style" in (tmp_path / "report.html").read_text("utf-8")


def checked(place: Path, script: str) -> subprocess.CompletedProcess[str]:
    """Check a user's script against what is installed in the environment at a place."""
    (place / "script.py").write_text(script, "utf-8")
    python = place / "env" / "bin" / "python"
    line = [sys.executable, "-m", "mypy", "--strict", "--config-file=", "--python-executable", python, "script.py"]
    return subprocess.run(line, cwd=place, capture_output=True, text=True, check=False)


def test_a_users_script_is_checked_by_the_wheels_own_types(installed, tmp_path):
    """By its annotations alone (PEP 561): what it needs is not there."""
    venv.create(tmp_path / "env", symlinks=True)
    (site,) = tmp_path.glob("env/lib/python*/site-packages")
    for name in ("visioncheck", *(each.name for each in installed.glob("*.dist-info"))):
        (site / name).symlink_to(installed / name)
    done = checked(tmp_path, USERS_SCRIPT)
    assert done.returncode == 0, done.stdout
    wrong = checked(tmp_path, USERS_SCRIPT.replace("found.value.value", "found.value.vlaue"))
    assert 'has no attribute "vlaue"' in wrong.stdout  # without py.typed everything would be Any
