"""Painted lots of slots, each held against its truth: ``python -m tests.kerf.lots several|blind|altered FROM TO``
(seeds).

``several`` paints boards with two or three slots and reads each by its number; ``blind`` grooves whose floor of wood is
nearly as light as the top face, so that one wall's side face is all that is dark; ``altered`` tapering slots in
pictures as they are and as software and lens alter them (`tests/hostile/processed.py`), for their tapers.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.hostile.processed import PROCESSED
from tests.kerf.paint_slot import Painting, as_jpeg, painted, true_width
from tests.kerf.test_wide_slots import bare_sheets, read, slot
from visioncheck.camera.rig_file import load_rig
from visioncheck.errors import Refusal
from visioncheck.measuring.slot import Scene
from visioncheck.points.find import find_points


def several(sheets: dict[str, Scene], seed: int) -> Iterator[tuple[Scene, Painting, int, float]]:
    """The scene, what is painted, a slot's number, and how much wider it is than the first."""
    rng = np.random.default_rng(seed)
    sheet, count = str(rng.choice(["light", "dark"])), int(rng.integers(2, 4))
    width, between = float(rng.choice([1.6, 2.4, 3.2, 6.35, 9.5])), float(rng.uniform(8, 16))
    base = slot(sheets[sheet], width, seed, float(rng.choice([-1, 1])) * float(rng.uniform(25, 40)))
    wider = [0.0, *(float(rng.choice([0.0, 0.4, 3.2])) for _ in range(count - 1))]
    at = [0.0]
    for k in range(1, count):
        at.append(at[-1] + (2 * width + wider[k - 1] + wider[k]) / 2 + between)
    more = tuple(zip(at[1:], wider[1:], strict=True))
    what = replace(base, breadth=at[-1] + 2 * width + 40, slot_offset=-at[-1] / 2, more_slots=more, lamp=None)
    scene = painted(sheets[sheet], what)
    normal = np.array([-np.sin(np.radians(what.turn_deg)), np.cos(np.radians(what.turn_deg))])
    seen = scene.view.to_image(np.array([what.centre + normal * (what.slot_offset + each) for each in at]))
    across, down = np.ptp(seen, axis=0)
    for number, k in enumerate(np.argsort(seen[:, 0] if across >= down else seen[:, 1]), start=1):
        yield scene, what, number, wider[int(k)]


def blind(sheets: dict[str, Scene], seed: int) -> Iterator[tuple[Scene, Painting, None, float]]:
    """A groove that does not go through, under even light or a lamp."""
    rng = np.random.default_rng(5000 + seed)
    sheet, width = str(rng.choice(["light", "dark"])), float(rng.choice([3.2, 6.35, 9.5, 12.7, 19.05]))
    what = slot(sheets[sheet], width, seed, float(rng.choice([-1, 1])) * float(rng.uniform(15, 45)))
    depth = float(rng.uniform(3, min(12, what.thickness - 2)))
    has_lamp = rng.random() < 0.5
    shade = float(rng.uniform(0.85, 1.0))
    what = replace(what, depth=depth, shade=shade, lamp=what.lamp if has_lamp else None)
    yield painted(sheets[sheet], what), what, None, 0.0


ALTERED = (
    "as it is",
    "local contrast",
    "tiles equalised",
    "blurred 1 px",
    "median of 3",
    "moved 4 px",
    "out of focus 2 px",
    "brightened",
)


def altered(sheets: dict[str, Scene], seed: int) -> Iterator[tuple[str, str]]:
    """Of one tapering slot: how the picture was altered, and how far taper and width are off, in times their ±."""
    rng = np.random.default_rng(9000 + seed)
    width, taper = float(rng.choice([2.4, 3.2, 6.35])), float(rng.uniform(-0.2, 0.2))
    what = slot(sheets["light"], width, seed, float(rng.choice([-1, 1])) * float(rng.uniform(25, 40)))
    what = replace(what, width_start=width, width_end=width + taper, lamp=None)
    scene = painted(sheets["light"], what)
    for how in ALTERED:
        changed = np.clip(np.rint(PROCESSED[how](scene.photo.bgr)), 0, 255).astype(np.uint8)
        photo = replace(scene.photo, bgr=as_jpeg(changed, 93))
        try:
            reading = read(replace(scene, photo=photo, points=find_points(photo)), what.thickness)
        except Refusal as refusal:
            yield how, f"refused: {refusal.code}"
            continue
        assert reading.slot is not None
        widening, middle = reading.slot.widening, reading.widths[len(reading.widths) // 2]
        off = widening.value - taper * reading.slot.length_mm / what.slot_length
        wide = middle.width.value - true_width(what, middle.at_mm)
        yield (
            how,
            (
                f"taper {off:+.4f} ± {widening.expanded():.4f}, {abs(off) / widening.expanded():.2f} x;"
                f" width {wide:+.4f} ± {middle.width.expanded():.4f}, {abs(wide) / middle.width.expanded():.2f} x"
            ),
        )


def score(scene: Scene, what: Painting, number: int | None, wider: float) -> str:
    """Read it and say how far it is off, in times its ±."""
    try:
        reading = read(scene, what.thickness, number=number)
    except Refusal as refusal:
        return f"refused: {refusal.code} {refusal.case}"
    middle = np.mean([corner.at_mm for corner in reading.corners], axis=0)
    turn = np.radians(what.turn_deg)
    at = float((middle - what.centre) @ np.array([np.cos(turn), np.sin(turn)])) + what.length / 2
    width = reading.widths[2].width
    times = abs(width.value - true_width(what, at) - wider) / width.expanded()
    return "within the ±" if times <= 1 else "1 to 2 times" if times <= 2 else "wrong"


def main() -> None:
    """Paint and read a lot."""
    from visioncheck.cli import main as visioncheck

    first, last = int(sys.argv[2]), int(sys.argv[3])
    photos = sorted((Path(__file__).parents[2] / "fixtures" / "photos" / "light-a4").glob("survey-*.jpg"))
    with tempfile.TemporaryDirectory() as folder:
        rig = Path(folder) / "rig.json"
        visioncheck(["survey", *map(str, photos), "--ruled", "310.5mm", "-o", str(rig)])
        sheets = bare_sheets(load_rig(rig))
    if sys.argv[1] == "altered":
        for seed in range(first, last):
            for how, said in altered(sheets, seed):
                print(f"{seed:4d}  {how:20}  {said}", flush=True)
        return
    lot = {"several": several, "blind": blind}[sys.argv[1]]
    counted = Counter(score(*each) for seed in range(first, last) for each in lot(sheets, seed))
    for said, count in counted.most_common():
        print(f"{count:4d}  {said}")


if __name__ == "__main__":
    main()
