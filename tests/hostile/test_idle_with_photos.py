"""Every option of the commands that read photos or a log counts too, or is refused; made from their definitions.

Each photo is truly read, once for what goes into its reading; the cases ask for the same readings again. A plain run
takes every twelfth case, one with `--lines 1000` and more takes all of them.
"""

from __future__ import annotations

import hashlib
import re
import shlex
import shutil
import sys
from concurrent.futures import Future
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import import_module
from io import StringIO
from itertools import count
from pathlib import Path

import pytest
import typer

from tests.conftest import PHOTOS
from tests.hostile.test_command_lines import leaves
from visioncheck.cli import app, main
from visioncheck.errors import UserError
from visioncheck.log.store import Log
from visioncheck.measuring.detect import Detection
from visioncheck.measuring.slot import Scene

FIXTURES = PHOTOS.parents[1]
STOPS = "lengths corner-2.jpg corner-2.a.jpg --second corner-2.b.jpg --second corner-2.c.jpg"
GROOVE = "groove --at 40mm --board 114mm --kerf 2.6mm --zero-kerf 2.4mm --fence right --flange left"
TRIAL = "--width 2.4mm --trial-setting 40.2mm --photo kerf-2.jpg --thickness 19.1mm --fence-edge bottom"
GAP = "measure gap-1.jpg --turned-half left --fence-edge top"
BASES = {
    "a corner": "measure corner-2.jpg",
    "a corner of a sled": "measure corner-2.jpg --sled sled.toml",
    "a corner that is kept": "measure corner-2.jpg --sled sled.toml --log log",
    "a corner after a change": "measure corner-2.jpg --sled sled.toml --log log --adjusted screw",
    "a corner that is told": "measure corner-2.jpg --piece corner",
    "a corner by its edges": "measure corner-2.jpg --edges a,b",
    "corners": "measure corner-1.jpg corner-2.jpg --piece corner",
    "a pair": "measure corner-31-turn0.jpg corner-31-turn90.jpg --turned",
    "two cuts": "measure corner-1.jpg corner-31-turn0.jpg --recut 'end for end'",
    "a panel": "measure panel-2.jpg --piece panel",
    "a strip": "measure strip-1.jpg --cuts 5",
    "a strip that is told": "measure strip-1.jpg --piece strip --cuts 5 --fence-edge left",
    "a slot": "measure kerf-2.jpg --piece slot",
    "a gap": "measure gap-1.jpg --piece gap",
    "a gap that is told": f"{GAP} --piece gap",
    "a bevel": "measure bevel-1.jpg --piece bevel --fence-edge bottom --cut-edge right",
    "a bevel of halves": f"{GAP} --piece bevel",
    "a planed edge": "measure corner-2.jpg --piece straight",
    "a mitre": "measure mitre-1.jpg --nominal 45 --fence-edge bottom",
    "a frame": "measure frame-1.jpg --frame 4 --thickness 18mm",
    "a frame that is told": "measure frame-1.jpg --frame 4 --at-fence outer --thickness 18mm",
    "travel": "travel kerf-2.jpg --json",
    "travel of a sled": "travel kerf-2.jpg --sled sled.toml",
    "lengths": "lengths corner-2.jpg corner-2.a.jpg",
    "lengths of two stops": STOPS,
    "lengths and lines": f"{STOPS} --fence-edge top --cut-edge left",
    "a cut board": "groove board.toml --photo kerf-2.jpg --thickness 19.1mm --fence-edge bottom",
    "a part by photo": f"{GROOVE} --mating-photo strip-1.jpg --mating-thickness 12.3mm --fit glue",
    "a trial by photo": f"{GROOVE} {TRIAL}",
    "a batch": "batch in --sled sled.toml --log log",
    "a batch of slots": "batch slots --sled sled.toml --log log --piece slot",
    "a table": "batch table.csv --sled sled.toml --log log",
    "a table that says all": "batch whole.csv --log log",
    "a study": "study study --piece corner",
    "a nested study": "study nested --nested --piece corner",
    "a survey": f"survey {' '.join(f'survey-{k}.jpg' for k in range(1, 7))} --output new.json",
    "attached": "log attach log corner-2.jpg --sled sled.toml",
    "attached as read": "log attach log corner-2.jpg --sled sled.toml --reading read.json",
    "typed": "log attach log --sled sled.toml --reading typed.json",
    "corrected": "log attach kept --corrects FIRST --note again",
    "withdrawn": "log attach kept --corrects FIRST --withdraw wrong",
    "listed": "log list kept",
    "shown": "log show kept FIRST",
    "imported": "log import log kept.json",
    "checked": "log check kept",
    "a trend": "log trend kept",
    "a trend of one": "log trend kept --sled Oak",
    "a report": "report kept",
    "a target": "target",
    "a sled": "sled new.toml --defaults",
    "a sled with a screw": "sled new.toml --defaults --kind screw",
    "a sled set off square": "sled new.toml --defaults --mitre 45deg --forward left",
    "a page": "page --log log",
}  # fmt: skip
STUDIED = ("corner-1", "corner-2")
SIDES = ("top", "bottom", "left", "right")
VALUES = {
    "--rig": ("rig.json",), "--sled": ("sled.toml", "Oak"), "--thickness": ("15mm",), "--piece": ("corner", "panel"),
    "--fence-edge": SIDES, "--cut-edge": SIDES, "--cuts": ("3", "5"), "--turned-half": ("left", "right"),
    "--recut": ("second edge",), "--nominal": ("45", "88"), "--edges": ("a,b", "b,c"), "--slot": ("2",),
    "--set": ("77mm",), "--second-set": ("77mm",), "--second": ("corner-2.d.jpg",),
    "--mating-photo": ("strip-1.jpg",),
    "--frame": ("4", "8"), "--frame-cuts": ("4",), "--at-fence": ("outer", "inner"),
    "--workers": ("3",), "--cluster": ("tcp://192.0.2.7:8786",),
    "--read": ("300mm,300.1mm",), "--second-read": ("300mm,300.1mm",), "--angles": ("90,90.1",),
    "--second-angles": ("90,90.1",), "--u": ("0.3mm",), "--at": ("41mm",), "--width": ("2.5mm",),
    "--mating": ("3mm",), "--mating-plus-minus": ("0.5mm",), "--fit": ("slide",), "--board": ("115mm",),
    "--plus-minus": ("0.5mm",), "--zero-kerf": ("2.2mm",), "--fence": ("left",), "--flange": ("right",),
    "--overlap": ("0.9mm",), "--photo": ("kerf-2.jpg",), "--mating-thickness": ("14mm",), "--trial-setting": ("41mm",),
    "--trial-at": ("41mm",),
    "--cut": ("fresh", "same"), "--picture": ("drawn.png",), "--log": ("log",), "--person": ("Ida", "Jo"),
    "--note": ("wet",), "--adjusted": ("screw",), "--time": ("2026-03-01",), "--other-end": ("kerf-2.other.jpg",),
    "--pulled-back": ("kerf-2.other.jpg",),
    "--tolerance": ("9mm/m", "0.2mm/m"), "--readings": ("study.csv",), "--reading": ("read.json", "typed.json"),
    "--corrects": ("FIRST",), "--withdraw": ("wrong",), "--last": ("1",), "--since": ("2026-02-01",),
    "--photos": ("in",), "--paper": ("a3",), "--field": ("dark",), "--sheets": ("2",), "--units": ("in",),
    "--name": ("Elm",), "--fence-side": ("front",), "--pivot": ("right",), "--mitre": ("30deg",),
    "--forward": ("right",), "--kind": ("screw", "shims"), "--leaves": ("0.1mm",), "--clockwise": ("back", "forward"),
    "--piece-side": ("right",), "--port": ("1234",), "--address": ("192.0.2.7",), "--sleds": ("in",),
    "--rigs": ("in",), "--fence-length": ("900mm",), "--adjuster-distance": ("432mm",), "--pitch": ("1.25mm",),
    "--kerf": ("2.9mm",), "--tip-width": ("2.8mm",), "--ruled": ("310.5mm",),
    "--output": ("out.png", "out.csv", "out.html", "out"),
}  # fmt: skip
READ_ANEW = {"--rig", "--thickness"}
"""What a photo is read anew with, by one way for several bases; those that are left to the others' cases."""
LEFT_OUT = {"a corner that is told", "a corner by its edges", "corners", "a pair", "two cuts", "a slot", "a gap"}
LEFT_OUT |= {
    "lengths of two stops",
    "lengths and lines",
    "a trial by photo",
    "a part by photo",
    "a cut board",
    "travel",
    "travel of a sled",
    "a panel",
    "a planed edge",
    "a gap that is told",
    "a frame",
    "a frame that is told",
    "a bevel of halves",
    "a mitre",
    "a table",
    "a batch of slots",
    "a nested study",
}
SAME = {
    ("a corner after a change", "--taken-after"): "it answers a question that this photo's time does not raise",
    ("a study", "--thickness"): "angles do not depend on it",
}
COMMANDS_AND_MORE = list(leaves(typer.main.get_command(app), without=()))
READ = (
    *(("visioncheck.measuring.%s.see_piece", each) for each in ("photo", "bevel", "straight", "pair")),
    *(("visioncheck.measuring.gap.%s", each) for each in ("detect", "fit_view", "find_outlines", "slot_reading")),
    *(("visioncheck.measuring.%s.detect", each) for each in ("detect", "photo")),
    *(
        ("visioncheck.measuring.lengths.%s", each)
        for each in ("detect", "fit_view", "find_laid_apart", "trace_outline")
    ),
    ("visioncheck.measuring.groove.%s", "find_and_trace"),
    ("visioncheck.measuring.sheets.%s", "look_at_sheet"),
)
DRAWN = ("visioncheck.present.picture.draw_reading", "visioncheck.present.budget.draw_budget")
built = cache(typer.main.get_command)
_before, _found = {}, {}
"""What a base says, and what was read, by what was asked."""


def once(name, read):
    """Read what was not read yet; refused once, refused again."""

    def remembered(*args, **kwargs):
        key = (name, *map(_told, args), *((word, _told(value)) for word, value in sorted(kwargs.items())))
        if key not in _found:
            try:
                _found[key] = read(*args, **kwargs)
            except UserError as problem:
                _found[key] = problem
        if isinstance(_found[key], UserError):
            raise _found[key]
        return _found[key]

    return remembered


def _told(value):
    """By what two arguments ask for the same; a view by itself, since its words do not hold all of it."""
    if isinstance(value, Scene):
        value = (value.photo.path, value.view)
    if isinstance(value, Detection):
        return _told(value.photo.path)
    if isinstance(value, tuple):
        return tuple(map(_told, value))
    if hasattr(value, "to_table"):
        return id(value)
    return re.sub(r"Path\('([^']*/)?([^'.]+)[^']*'", r"Path('\2'", repr(value))


def done_here(work, jobs, shared, workers=None, stop=None, **how):
    """What `run_here` and `run_on_cluster` do, in this process; says how it was asked to."""
    assert not stop()
    print(workers, sorted(how.items()), file=sys.stderr)
    for job in jobs:
        future = Future()
        future.set_result(work(job, shared))
        yield job, future


def drawn(*what):
    """Some bytes in place of a picture; what is written where counts here."""
    for path in what:
        if isinstance(path, Path) and path.suffix == ".png":
            path.write_bytes(b"drawn")


@pytest.fixture(scope="module")
def shop(tmp_path_factory, rig_file):
    """A folder with photos, a sled, a rig and a log, and the name of the log's first entry."""
    place = tmp_path_factory.mktemp("shop")
    for photo in (*PHOTOS.glob("*.jpg"), *PHOTOS.parent.glob("*.jpg")):
        shutil.copy(photo, place)
    shutil.copy(rig_file, place / "rig.json")
    shutil.copy(FIXTURES / "sleds" / "alder-lane.toml", place / "sled.toml")
    more = count()
    for name, photo in (
        ("kerf-2.other.jpg", "kerf-2"),
        *((f"corner-2.{k}.jpg", "corner-2") for k in "abcd"),
        *((f"study/{photo}/{photo}.{k}.jpg", photo) for photo in STUDIED for k in "ab"),
        *((f"nested/{photo}/{k}/{photo}.{m}.jpg", photo) for photo in STUDIED for k in "ab" for m in "ab"),
    ):
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        # bytes after a JPEG's end change its hash and nothing else
        (place / name).write_bytes((PHOTOS / f"{photo}.jpg").read_bytes() + b"%d" % next(more))
    for name in ("in/corner-1.jpg", "in/corner-2.jpg", "slots/kerf-2.jpg"):
        (place / name).parent.mkdir(exist_ok=True)
        shutil.copy(PHOTOS / Path(name).name, place / name)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        for name in ("Oak", "Ash"):
            assert main(["sled", "new.toml", "--defaults", "--name", name]) == 0
            for day, angle in ((1, 90.05), (2, 90.07)):
                told = ["--angle", str(angle), "--sled", "new.toml", "--log", "kept", "--time", f"2026-0{day}-01"]
                assert main(["reckon", *told]) == 0
            Path("new.toml").unlink()
        assert main(["log", "export", "kept", "-o", "kept.json"]) == 0
        with Log.open(Path("kept"), readonly=True) as log:
            first = next(iter(log.entries())).id
        for name, line in (
            ("read.json", "measure corner-2.jpg --sled sled.toml --json"),
            ("typed.json", "reckon --angle 90.1 --sled sled.toml --json"),
        ):
            Path(name).write_text(out_of(line))
        shutil.copy(FIXTURES / "plans" / "trial-board.toml", "board.toml")
        Path("table.csv").write_text("photo,piece\ncorner-2.jpg,corner\nkerf-2.jpg,slot\n")
        Path("whole.csv").write_text("photo,sled,rig,person,piece\ncorner-2.jpg,sled.toml,rig.json,Ida,corner\n")
        rows = [f"{piece},Ida,{0.01 * piece + 0.001 * k}" for piece in (1, 2, 3) for k in (0, 1)]
        Path("study.csv").write_text("\n".join(["piece,person,value", *rows]) + "\n")
    return place, first


def out_of(line):
    """What a command prints."""
    with redirect_stdout(StringIO()) as out:
        assert main(line.split()) == 0
    return out.getvalue()


@pytest.fixture
def place(shop, monkeypatch):
    """A fresh copy of the shop, always at one path, to work in; what takes long is done once, or not at all."""
    source, first = shop
    for module, name in READ:
        where = module % name
        monkeypatch.setattr(where, once(name, _own(where)))
    for where in DRAWN:
        monkeypatch.setattr(where, drawn)
    monkeypatch.setattr("visioncheck.present.print_errors.draw_print", lambda *_: b"drawn")
    for run in ("run_here", "run_on_cluster"):
        monkeypatch.setattr(f"visioncheck.batch.run.{run}", done_here)
    monkeypatch.setattr("visioncheck.batch.run.cores", lambda: 1)
    monkeypatch.setattr("typer.main.get_command", built)
    monkeypatch.setattr("visioncheck.page.serve.serve", lambda *log, **how: print(log, sorted(how.items())))
    work = source.with_name("work")

    def afresh():
        monkeypatch.chdir(source)
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir()
        for each in source.iterdir():
            if each.name == "kept":
                shutil.copytree(each, work / each.name)
            else:
                (work / each.name).symlink_to(each)
        monkeypatch.chdir(work)

    return afresh, first


def _own(where):
    module, _, name = where.rpartition(".")
    return getattr(import_module(module), name)


def said(words, place, capsys):
    """What it says, which files there are after it and what the log holds; None where it is refused."""
    afresh, first = place
    afresh()
    capsys.readouterr()
    code = main([first if word == "FIRST" else word for word in words])
    out = capsys.readouterr()
    assert "Traceback" not in out.err
    if code == 2:
        return None
    texts = [re.sub(r"(?<!\.)\b[0-9a-f]{8,}\b", "", text) for text in (out.out, out.err)]
    files = {str(path): hashlib.sha256(path.read_bytes()).digest() for path in Path().rglob("*.*") if _is_written(path)}
    return code, texts, files, [_entries(folder) for folder in ("log", "kept")]


def _is_written(path):
    return path.is_file() and not path.is_symlink() and path.parts[0] not in {"log", "kept"}


def _entries(folder):
    if not Path(folder, "log.sqlite").exists():
        return None
    with Log.open(Path(folder), readonly=True) as log:
        return [
            replace(
                each,
                id="",
                time=_when(each.time),
                written=None,
                corrects=each.corrects and "",
                corrected_by=None,
                digest="",
            )
            for each in log.entries()
        ]


def _when(time):
    return "now" if abs(datetime.now(UTC) - time) < timedelta(hours=1) else time


def command_of(words):
    (found,) = (each for path, each in COMMANDS_AND_MORE if path == tuple(words[: len(path)]))
    return found


def options_of(words):
    """The options of a command that are not among the words."""
    options = [p for p in command_of(words).params if p.param_type_name == "option" and p.name != "help"]
    return [option for option in options if not set(option.opts) & {*words}]


CASES = [
    (base, option)
    for base, line in BASES.items()
    for option in options_of(shlex.split(line))
    if option.opts[-1] not in READ_ANEW or base not in LEFT_OUT
]


def pytest_generate_tests(metafunc):
    cases = CASES if metafunc.config.getoption("lines") >= 1000 else CASES[::12]
    ids = [f"{base}{option.opts[-1]}" for base, option in cases]
    if "base" in metafunc.fixturenames:
        metafunc.parametrize(("base", "option"), cases, ids=ids)


@pytest.mark.photos
def test_an_option_counts_or_is_refused(base, option, place, capsys):
    words, name = shlex.split(BASES[base]), option.opts[-1]
    if base not in _before:
        _before[base] = said(words, place, capsys)
    assert _before[base] is not None
    values = [[]] if option.is_flag else [[each] for each in VALUES[name]]
    counts = any(said([*words, name, *value], place, capsys) != _before[base] for value in values)
    assert counts != ((base, name) in SAME)
