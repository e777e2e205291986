"""Every option changes what a command says or does, or is refused: nobody believes that it counted.

Made from the commands' own definitions; typed readings have a sweep of their own (`tests/fence/test_typed_idle.py`).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.conftest import PHOTOS
from tests.hostile.test_command_lines import COMMANDS
from visioncheck.cli import main

GROOVE = "groove --at 20mm --width 9.5mm --board 100mm --zero-kerf 3.2mm --fence right --flange left"
BASES = {
    "groove": GROOVE,
    "groove with a blade": f"{GROOVE} --kerf 2.4mm",
    "groove for a part": GROOVE.replace("--width", "--mating") + " --fit glue",
    "groove by a plan": "groove plan.toml",
    "groove after a trial": f"{GROOVE} --kerf 6.1mm --trial-setting 22.9mm --trial-at 20mm",
    "lengths": "lengths --read 300.02mm,300.05mm,300.03mm",
    "lengths of two stops": "lengths --read 300.02mm,300.05mm --second-read 300.10mm,300.12mm",
    "tolerance of a joint": "tolerance joint --width 90mm",
    "tolerance of a panel": "tolerance panel --width 400mm --length 600mm",
    "tolerance of a box": "tolerance box --depth 200mm --height 100mm",
    "tolerance of a drawer": "tolerance drawer --depth 400mm --height 100mm",
    "tolerance of a frame": "tolerance frame --width 45mm",
    "tolerance held against": "tolerance joint --width 90mm --error 0.05deg --plus-minus 0.02deg",
    "study": "study --readings study.csv",
}
VALUES = {
    "--fence": ("left",), "--flange": ("right",), "--units": ("in", "mm"), "--fit": ("slide", "press"),
    "--work": ("panel",), "--sled": ("sled.toml",), "--rig": ("rig.json",), "--kerf": ("2.9mm",),
    "--photo": ("photo.jpg",), "--mating-photo": ("photo.jpg",), "--fence-edge": ("top",), "--cut-edge": ("left",),
    "--set": ("299mm",), "--second-set": ("301mm",), "--u": ("0.3mm",), "--angles": ("90.1,90.2,90.1", "90.1,90.2"),
    "--second-angles": ("90.1,90.2",), "--second-read": ("300.2mm,300.1mm",), "--second": ("photo.jpg",),
    "--sides": ("6",), "--ends": ("2",), "--error": ("0.3deg",), "--plus-minus": ("0.01deg", "0.4mm"),
    "--tolerance": ("1mm/m",), "--readings": ("other.csv",), "--piece": ("panel",), "--cuts": ("4",),
    "--note": ("remembered",), "--picture": ("out.png",), "--log": ("log",), "--output": ("drawn",),
}  # fmt: skip
"""Where another length will not do."""
LENGTHS = ("1.3mm", "77mm")
SAME = {
    ("study", "--sled"): "its tolerance is the usual one, which counts without it",
    ("lengths", "--sled"): "its millimetres are those of the lengths read",
    ("lengths of two stops", "--sled"): "likewise",
}


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    fixtures = PHOTOS.parents[1]
    shutil.copy(fixtures / "sleds" / "alder-lane.toml", "sled.toml")
    Path("plan.toml").write_text(
        'name = "Two"\nunits = "mm"\n[board]\nwidth = "100mm"\n[saw]\nzero_kerf = "3.2mm"\nfence = "right"\n'
        'flange = "left"\n[[groove]]\nname = "one"\nat = "20mm"\nwidth = "6mm"\n'
    )
    rows = [f"{piece},{person},{0.01 * piece + 0.002 * person + 0.001 * k}" for piece in (1, 2, 3) for person in (1, 2)
            for k in (0, 1)]  # fmt: skip
    Path("study.csv").write_text("\n".join(["piece,person,value", *rows]) + "\n")


def options_of(command):
    (found,) = (each for path, each in COMMANDS if path == (command,))
    return [p for p in found.params if p.param_type_name == "option" and p.name != "help"]


def said(argv, capsys):
    """What it says, and which files there are after it; None where it is refused."""
    code = main(argv)
    out = capsys.readouterr()
    there = sorted(str(path) for path in Path().rglob("*"))
    return None if code == 2 else (code, out.out, out.err, there)


CASES = [
    (base, option)
    for base, line in BASES.items()
    for option in options_of(line.split()[0])
    if not set(option.opts) & set(line.split())
]


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize(("base", "option"), CASES, ids=lambda each: each if isinstance(each, str) else each.opts[0])
def test_an_option_counts_or_is_refused(base, option, capsys):
    words = BASES[base].split()
    before = said(words, capsys)
    assert before is not None
    name = option.opts[-1]
    values = [[]] if option.is_flag else [[each] for each in VALUES.get(name, LENGTHS)]
    answers = [said([*words, name, *value], capsys) for value in values]
    taken = [each for each in answers if each is not None]
    if (base, name) in SAME:
        assert taken
        return
    assert not taken or any(each != before for each in taken)
