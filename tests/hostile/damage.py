"""Feed damaged files to the program, in a process of its own with bounds: `python -m tests.hostile.damage KIND`.

Every example must end in a result or in one sentence to the user. The process is killed by a signal where one takes
more than 10 s of computing; an exception or a warning ends it with a traceback; on success it prints its peak memory.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import resource
import signal
import sys
import tempfile
import warnings
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from tests.log.conftest import make_draft, make_photo, make_reading, typed_draft
from tests.one_photo import measure_photo
from visioncheck.camera.rig import content_fingerprint
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main
from visioncheck.correction.correct import correct
from visioncheck.errors import UserError
from visioncheck.log.store import Log
from visioncheck.measuring.detect import detect
from visioncheck.photo.load import load_photo
from visioncheck.present.correction import describe
from visioncheck.present.picture import draw_reading
from visioncheck.present.reading import reading_lines
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json
from visioncheck.sled.file import load_sled

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTO = FIXTURES / "photos" / "light-a4" / "corner-1.jpg"
_TRUTH = json.loads(PHOTO.with_name("corner-1.truth.json").read_text())["truth"]["pieces"][0]
TRUE_CORNERS, TRUE_ANGLES = np.array(_TRUTH["as_cut"]), np.array(_TRUTH["as_cut_angles_deg"])
MOST_SECONDS = 10
MOST_BYTES = 2**30
_ADDRESSES = 6 * 2**30
"""Hard stop; address space is several times what is used."""
_REDUCED = 0.4

scratch = Path(tempfile.gettempdir())


def steps(count: int):
    return settings(
        max_examples=count, derandomize=True, deadline=None, database=None, suppress_health_check=list(HealthCheck)
    )


damages = st.lists(
    st.one_of(
        st.tuples(st.just("byte"), st.floats(0, 1), st.integers(0, 255)),
        st.tuples(st.just("early byte"), st.floats(0, 1), st.integers(0, 255)),
        st.tuples(st.just("cut"), st.floats(0.2, 1), st.just(0)),
        st.tuples(st.just("splice"), st.floats(0, 1), st.integers(1, 4000)),
        st.tuples(st.just("drop"), st.floats(0, 1), st.integers(1, 4000)),
    ),
    min_size=1,
    max_size=6,
)  # fmt: skip


def damaged(data: bytes, ways, header: int = 700) -> bytes:
    """Bytes changed (early ones lie in the header), the file cut off, a piece put in elsewhere or taken out."""
    for kind, where, value in ways:
        at = int(where * (len(data) - 1))
        if kind == "byte":
            data = data[:at] + bytes([value]) + data[at + 1 :]
        elif kind == "early byte":
            at = int(where * (min(header, len(data)) - 1))
            data = data[:at] + bytes([value]) + data[at + 1 :]
        elif kind == "cut":
            data = data[: max(at, 1)]
        elif kind == "splice":
            other = len(data) - at
            data = data[:at] + data[other : other + value] + data[at:]
        else:
            data = data[:at] + data[at + value :]
    return data


def quietly(*argv: str, ends: tuple[int, ...] = (0, 2)) -> str:
    """Run a command: a result, or one sentence and code 2. Returns what it printed."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(argv)
    assert code in ends, code
    if code == 2:
        assert err.getvalue().startswith("visioncheck: "), err.getvalue()
        assert err.getvalue().count("\n") == 1, err.getvalue()
    return out.getvalue()


def truly(*argv: str) -> None:
    """Measure a damaged photo: refused, or every angle still agrees with the truth."""
    found = json.loads(quietly("measure", *argv, "--json"))
    for corner in found.get("corners", []):
        apart = np.hypot(*(TRUE_CORNERS - [corner["x_mm"], corner["y_mm"]]).T)
        angle = corner["angle_deg"]
        assert apart.min() < 3
        assert abs(angle["value"] - TRUE_ANGLES[np.argmin(apart)]) < 1.5 * angle["expanded"], found


@cache
def small_jpeg() -> bytes:
    """The fixture photo reduced, with EXIF."""
    with Image.open(PHOTO) as image:
        small = image.resize((round(image.width * _REDUCED), round(image.height * _REDUCED)), Image.Resampling.BOX)
        out = io.BytesIO()
        small.save(out, "JPEG", quality=88, exif=image.info["exif"])
    return out.getvalue()


@steps(40)
@given(damages)
def jpeg(ways):
    path = scratch / "photo.jpg"
    path.write_bytes(damaged(small_jpeg(), ways))
    truly(str(path), "--piece", "corner", "--picture", str(scratch / "out.png"))


@steps(12)
@given(damages)
def whole_jpeg(ways):
    path = scratch / "photo.jpg"
    path.write_bytes(damaged(PHOTO.read_bytes(), [way for way in ways if way[0] != "cut"]))
    truly(str(path), "--piece", "corner", "--rig", str(scratch / "rig.json"))


def _tiny(kind: str) -> bytes:
    import pillow_heif

    pillow_heif.register_heif_opener()
    ramp = np.add.outer(np.arange(240), np.arange(320)).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(np.stack([ramp, ramp[::-1], 255 - ramp], axis=-1)).save(out, kind)
    return out.getvalue()


TINY = {kind: _tiny(kind) for kind in ("PNG", "HEIF", "JPEG")}


@steps(120)
@given(st.sampled_from(sorted(TINY)), damages)
def other_pictures(kind, ways):
    path = scratch / "photo"
    path.write_bytes(damaged(TINY[kind], ways, header=400))
    with contextlib.suppress(UserError):
        load_photo(path)


numbers = st.one_of(
    st.integers(-(2**40), 2**40),
    st.floats(),
    st.sampled_from([0, -1, 1e-300, 1e300, 2**31, float("inf"), float("nan")]),
)
texts = st.text(max_size=40)
tags = st.dictionaries(
    st.sampled_from([0x010F, 0x0110, 0x0112, 0x0132, 0x8769, 0x8825, 0x011A, 0x0201]),
    st.one_of(st.integers(0, 2**32 - 1), texts),
    max_size=4,
)


@steps(75)
@given(tags, damages, st.binary(max_size=300), st.booleans())
def exif_blocks(values, ways, noise, built):
    """EXIF as no phone writes it, on a picture too small to hold a sheet."""
    if built:
        block = Image.Exif()
        for tag, value in values.items():
            block[tag] = value
        with contextlib.suppress(Exception):  # what the writer cannot write is no file
            noise = damaged(block.tobytes(), ways, header=100)
    segment = b"\xff\xe1" + (len(noise[:60000]) + 8).to_bytes(2, "big") + b"Exif\x00\x00" + noise[:60000]
    path = scratch / "photo.jpg"
    path.write_bytes(TINY["JPEG"][:2] + segment + TINY["JPEG"][2:])
    quietly("measure", str(path))


@steps(25)
@given(st.floats(1e-3, 1e5), st.integers(1, 8), texts)
def exif_values(focal, orientation, model):
    """EXIF that reads well and says nonsense, on a photo that can be measured."""
    from dataclasses import replace

    seen = detection()
    exif = replace(seen.photo.exif, focal_35mm=focal, orientation=orientation, model=model)
    told(replace(seen, photo=replace(seen.photo, exif=exif)), None)


@cache
def detection():
    path = scratch / "small.jpg"
    path.write_bytes(small_jpeg())
    return detect(path)


@cache
def full_detection():
    return detect(PHOTO)


def told(seen, rig) -> None:
    """Measure and say all that can be said."""
    with contextlib.suppress(UserError):
        measured = measure_photo(seen, rig, Quantity(25.0, 0.3, "mm"), "corner", fence_edge="bottom")
        json.dumps(reading_json(measured.reading), allow_nan=False)
        assert all(line.text for line in reading_lines(measured.reading))
        draw_reading(measured.photo, measured.reading, None, scratch / "out.png")


@cache
def rig_content():
    return json.loads((scratch / "rig.json").read_text())


anything = st.recursive(
    st.one_of(st.none(), st.booleans(), numbers, texts),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
)


@steps(100)
@given(damages)
def rig_bytes(ways):
    path = scratch / "damaged.json"
    path.write_bytes(damaged((scratch / "rig.json").read_bytes(), ways))
    with contextlib.suppress(UserError):
        load_rig(path)


@steps(60)
@given(st.data())
def rig_values(data):
    """Rig files with one value changed and their digest made to fit: read, and where they pass, measured with."""
    content = dict(rig_content())
    key = data.draw(st.sampled_from(sorted(set(content) - {"digest", "kind", "schema"})))
    value = content[key]
    if isinstance(value, dict):
        value = {**value, data.draw(st.sampled_from(sorted(value))): data.draw(anything)}
    elif isinstance(value, list) and value and data.draw(st.booleans()):
        value = list(value)
        value[data.draw(st.integers(0, len(value) - 1))] = data.draw(anything)
    elif isinstance(value, (int, float)) and data.draw(st.booleans()):
        value = value * data.draw(st.floats(-3, 3))
    else:
        value = data.draw(anything)
    content[key] = value
    content["digest"] = content_fingerprint({name: part for name, part in content.items() if name != "digest"})
    path = scratch / "changed.json"
    path.write_text(json.dumps(content))
    try:
        rig = load_rig(path)
    except UserError:
        return
    told(full_detection(), rig)


def _toml_lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


SLED = (FIXTURES / "sleds" / "alder-lane.toml").read_text()
PLAN = (FIXTURES / "plans" / "bookcase-side.toml").read_text()
toml_values = st.one_of(
    numbers.map(str),
    texts.map(json.dumps),
    st.sampled_from(
        [
            "[]",
            "{}",
            "[1, 2]",
            '"0mm"',
            '"1e400mm"',
            '"-3in"',
            '"1/0in"',
            "true",
            "1979-05-27",
            '["0.05mm", 3]',
            '"5thou"',
            '"nanmm"',
        ]
    ),
)


def _changed(text: str, data) -> str:
    """One value of the file replaced, a line doubled or taken away."""
    lines = _toml_lines(text)
    at = data.draw(st.integers(0, len(lines) - 1))
    key, equals, _ = lines[at].partition("=")
    how = data.draw(st.sampled_from(["value", "value", "value", "double", "drop"]))
    if how == "value" and equals:
        lines[at] = f"{key}= {data.draw(toml_values)}\n"
    elif how == "double":
        lines.insert(at, lines[at])
    elif how == "drop":
        del lines[at]
    return "".join(lines)


@steps(150)
@given(st.data(), damages, st.booleans())
def sleds(data, ways, structured):
    path = scratch / "sled.toml"
    path.write_bytes(
        _changed(SLED, data).encode("utf-8", "surrogatepass") if structured else damaged(SLED.encode(), ways)
    )
    with contextlib.suppress(UserError):
        sled = load_sled(path)
        for error in (0.0, 0.2, -1e-9, 3.0):
            found = Quantity(error, 0.003, "deg", 12.0)
            correct(found, sled)
            describe(found, sled)


@steps(75)
@given(st.data(), damages, st.booleans())
def plans(data, ways, structured):
    path = scratch / "plan.toml"
    path.write_bytes(
        _changed(PLAN, data).encode("utf-8", "surrogatepass") if structured else damaged(PLAN.encode(), ways)
    )
    quietly("groove", str(path))


@cache
def kept() -> dict[str, bytes]:
    """A sled's file, a reading, a manifest, and both exports of a log with a photo and a typed reading."""
    sled = scratch / "own.toml"
    sled.write_text(SLED, encoding="utf-8")
    photo = make_photo(scratch, name="kept.jpg")
    reading = {key: value for key, value in make_reading().items() if key != "photo"}
    with Log.open(scratch / "kept", create=True) as log:
        log.attach(make_draft(note="=first"), photo)
        log.attach(typed_draft(days=2))
        log.assign_tag(7, "Long sled")
    found = {"json": json.dumps(reading).encode(), "csv": b"photo,sled,time,note\nnone.jpg,own.toml,2026-03-01,x\n"}
    for kind in ("json", "csv"):
        quietly("log", "export", str(scratch / "kept"), "-o", str(scratch / f"all.{kind}"))
        found[f"export.{kind}"] = (scratch / f"all.{kind}").read_bytes()
    return found


@steps(40)
@given(st.sampled_from(["export.json", "export.csv"]), damages)
def exports(kind, ways):
    path = scratch / f"damaged.{kind}"
    path.write_bytes(damaged(kept()[kind], ways, header=4000))
    quietly("log", "import", str(scratch / "into"), str(path))


@steps(40)
@given(damages)
def readings(ways):
    path = scratch / "reading.json"
    path.write_bytes(damaged(kept()["json"], ways, header=4000))
    quietly("log", "attach", str(scratch / "into"), "--reading", str(path), "--sled", str(scratch / "own.toml"))


@steps(40)
@given(damages)
def manifests(ways):
    path = scratch / "manifest.csv"
    path.write_bytes(damaged(kept()["csv"], ways))
    quietly("batch", str(path), "--log", str(scratch / "into"), ends=(0, 1, 2))  # 1: photos were refused


KINDS = {each.__name__: each for each in (
    jpeg, whole_jpeg, other_pictures, exif_blocks, exif_values, rig_bytes, rig_values, sleds, plans, exports,
    readings, manifests,
)}  # fmt: skip


def bounded(test) -> None:
    """Run with a limit on computing time for each example and on addresses for the process."""
    resource.setrlimit(resource.RLIMIT_AS, (_ADDRESSES, _ADDRESSES))
    warnings.simplefilter("error")
    inner = test.hypothesis.inner_test

    def timed(*args, **kwargs):
        signal.setitimer(signal.ITIMER_PROF, MOST_SECONDS)  # its signal kills, whatever the process is doing
        inner(*args, **kwargs)
        signal.setitimer(signal.ITIMER_PROF, 0)

    test.hypothesis.inner_test = timed
    test()


def peak_bytes() -> int:
    """Most memory that this process has held; what `getrusage` says holds the starting process's peak too."""
    try:
        told = Path("/proc/self/status").read_text()
    except OSError:  # a system without it
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return 1024 * next(int(line.split()[1]) for line in told.splitlines() if line.startswith("VmHWM"))


if __name__ == "__main__":
    cv2.setNumThreads(1)
    scratch = Path(os.environ["TMPDIR"])
    bounded(KINDS[sys.argv[1]])
    print(peak_bytes())
