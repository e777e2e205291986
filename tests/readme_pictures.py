"""Draw the README's pictures anew with the program's own commands: `python -m tests.readme_pictures`."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PIL import Image

from visioncheck.cli import main as visioncheck

ROOT = Path(__file__).parent.parent
FIXTURES = ROOT / "fixtures"
PICTURES = FIXTURES / "pictures"
PHOTOS = FIXTURES / "photos" / "light-a4"
WIDE_PX = 1000


def run(*arguments: str | Path) -> None:
    assert visioncheck([str(argument) for argument in arguments]) == 0


def keep(drawn: Path, name: str) -> None:
    """As a page shows it: no wider than `WIDE_PX`, photos as JPEG, drawings as PNG of few colours."""
    picture = Image.open(drawn).convert("RGB")
    picture.thumbnail((WIDE_PX, WIDE_PX))
    if name.endswith(".jpg"):
        picture.save(PICTURES / name, quality=82)
    else:
        picture.quantize(64).save(PICTURES / name, optimize=True)


def main() -> None:
    PICTURES.mkdir(exist_ok=True)
    sled = FIXTURES / "sleds" / "alder-lane.toml"
    with tempfile.TemporaryDirectory() as scratch:
        out = Path(scratch)
        survey = sorted(PHOTOS.glob("survey-*.jpg"))
        rig = out / "rig.json"
        run("survey", *survey, "--ruled", "310.5mm", "-o", rig, "--picture", out / "print.png")
        keep(out / "print.png", "print.png")
        with_rig = ["--rig", rig, "--sled", sled, "--picture"]
        run("measure", PHOTOS / "corner-2.jpg", *with_rig, out / "read.png", "--budget")
        keep(out / "read.png", "read.jpg")
        keep(out / "read-budget.png", "budget.png")
        run("measure", PHOTOS / "kerf-2.jpg", *with_rig, out / "slot.png", "--piece", "slot", "--thickness", "19.1mm")
        keep(out / "slot.png", "slot.jpg")
        bevel = ("--piece", "bevel", "--thickness", "60mm", "--fence-edge", "bottom", "--cut-edge", "right")
        run("measure", FIXTURES / "photos" / "bevel-1.jpg", *with_rig, out / "bevel.png", *bevel)
        keep(out / "bevel.png", "bevel.jpg")
        mitre = ("--nominal", "45", "--thickness", "18mm", "--fence-edge", "bottom")
        run("measure", FIXTURES / "photos" / "mitre-1.jpg", *with_rig, out / "mitre.png", *mitre)
        keep(out / "mitre.png", "mitre.jpg")
        frame = (
            "--frame",
            "4",
            "--at-fence",
            "outer",
            "--thickness",
            "18mm",
            "--rig",
            rig,
            "--picture",
            out / "frame.png",
        )
        run("measure", FIXTURES / "photos" / "frame-1.jpg", *frame)
        keep(out / "frame.png", "frame.jpg")
        run("groove", FIXTURES / "plans" / "bookcase-side.toml", "-o", out / "grooves")
        keep(next((out / "grooves").glob("*.png")), "grooves.png")
        drawer = ("drawer", "--depth", "16in", "--height", "4in", "--gap", "4thou", "--wind", "1/64in")
        run("tolerance", *drawer, "--picture", out / "drawer.png")
        keep(out / "drawer.png", "drawer.png")
        first, second = "300.02mm,300.05mm,299.99mm,300.10mm,300.04mm", "300.21mm,300.18mm,300.27mm,300.16mm"
        run("lengths", "--read", first, "--second-read", second, "--picture", out / "lengths.png")
        keep(out / "lengths.png", "lengths.png")
        run("demo", out / "demo")
        log = next(folder for folder in (out / "demo").rglob("*") if (folder / "log.sqlite").exists())
        run("log", "trend", log, "--sled", "Alder Lane", "-o", out / "trend.png")
        keep(out / "trend.png", "trend.png")


if __name__ == "__main__":
    main()
