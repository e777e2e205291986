"""Camera, laying, cut and sled apart: against a published nested analysis, closed forms and simulated studies."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from visioncheck.cli import main
from visioncheck.study.nested import cuts_to_average, nested_study, share_of_tolerance
from visioncheck.study.photos import find_study_photos

# Calcium in turnip greens, 4 plants, 3 leaves of each, 2 determinations: G. W. Snedecor and W. G. Cochran, Statistical
# Methods (6th edition, 1967), p. 286; data as in the SAS/STAT User's Guide, The NESTED Procedure, example 1
CALCIUM = """3.28 3.09 3.52 3.48 2.88 2.80 2.46 2.44 1.87 1.92 2.19 2.19
2.77 2.66 3.74 3.44 2.55 2.55 3.78 3.87 4.07 4.12 3.31 3.31"""
LEAVES = [(f"plant {k // 6}", f"leaf {k // 2 % 3}", "") for k in range(24)]


def test_published_nested_analysis():
    """Mean squares and variance components as that guide prints them (from memory, to the digits given)."""
    # a leaf is the sled's cut, a determination its laying and photo
    study = nested_study(LEAVES, [float(each) for each in CALCIUM.split()])
    assert [each.sources for each in study.components] == [("sled",), ("cut", "laying"), ("camera",)]
    assert [each.dof for each in study.components] == [3, 8, 12]
    assert [each.mean_square for each in study.components] == pytest.approx([2.520115, 0.328775, 0.006655], abs=2e-6)
    assert [each.variance for each in study.components] == pytest.approx([0.365223, 0.161060, 0.006655], abs=1e-6)


def made(rng, sds, shape):
    """Readings of a nested study with these standard deviations, of sleds, cuts, layings, photos each."""
    sleds, cuts, layings, photos = shape
    labels, values = [], []
    for s in range(sleds):
        sled = rng.normal(0, sds[0])
        for c in range(cuts):
            cut = rng.normal(0, sds[1])
            for k in range(layings):
                laying = rng.normal(0, sds[2])
                for _ in range(photos):
                    labels.append((str(s), str(c), str(k)))
                    values.append(sled + cut + laying + rng.normal(0, sds[3]))
    return labels, values


def test_components_and_their_intervals_hold_on_average():
    rng = np.random.default_rng(4)
    sds = (0.03, 0.012, 0.006, 0.004)
    found, held = [], np.zeros(4)
    for _ in range(100):
        study = nested_study(*made(rng, sds, (4, 5, 2, 2)))
        found.append([each.variance for each in study.components])
        held += [each.low <= sd <= each.high for each, sd in zip(study.components, sds, strict=True)]
    assert np.sqrt(np.mean(found, axis=0)) == pytest.approx(sds, rel=0.12)
    assert (0.92 <= held.mean() / 100 <= 0.99, (held / 100 >= 0.88).all()) == (True, True), held


def test_unequal_numbers_are_estimated_without_bias():
    rng = np.random.default_rng(8)
    found = []
    for _ in range(150):
        labels, values = made(rng, (0.0, 0.01, 0.005, 0.004), (1, 6, 3, 3))
        # cuts with one laying, layings with one photo
        kept = [k for k, (_, cut, lay) in enumerate(labels) if lay <= cut or k % 3 == 0]
        study = nested_study([labels[k] for k in kept], [values[k] for k in kept])
        assert [each.sources for each in study.components] == [("cut",), ("laying",), ("camera",)]
        found.append([each.variance for each in study.components])
    assert np.sqrt(np.mean(found, axis=0)) == pytest.approx([0.01, 0.005, 0.004], rel=0.1)


def test_what_cannot_be_told_apart_is_named_together():
    values = [0.0, 0.1, 0.3, 0.35]
    once = nested_study([("", str(k // 2), str(k)) for k in range(4)], values)
    assert [each.sources for each in once.components] == [("cut",), ("laying", "camera")]
    cut_once = nested_study([("", str(k // 2), "1") for k in range(4)], values)
    assert [each.sources for each in cut_once.components] == [("cut", "laying"), ("camera",)]
    one_cut = nested_study([("", "1", str(k // 2)) for k in range(4)], values)
    assert [each.sources for each in one_cut.components] == [("laying",), ("camera",)]
    assert cuts_to_average(one_cut, 1.0, 0.25) is None


def test_nothing_repeated_is_refused():
    with pytest.raises(ValueError, match="nothing in it was repeated"):
        nested_study([("", str(k), "") for k in range(5)], range(5))
    with pytest.raises(ValueError, match="at least 3"):
        nested_study([("", "1", ""), ("", "1", "")], [0.0, 1.0])


def test_the_one_ratio_and_how_many_cuts():
    """± 1.96 s of one reading over the tolerance; n readings of fresh cuts lower it by the root of n."""
    assert share_of_tolerance(0.01, 0.02) == pytest.approx(0.98, abs=1e-3)
    study = nested_study(*made(np.random.default_rng(2), (0, 0.01, 0.004, 0.003), (1, 12, 3, 3)))
    one = share_of_tolerance(study.sd_of("cut", "laying", "camera"), 0.03)
    n = cuts_to_average(study, 0.03, 0.25)
    assert n is not None
    assert one / math.sqrt(n) <= 0.25 < one / math.sqrt(n - 1)


def run(capsys, *arguments, code=0):
    assert main(["study", *arguments]) == code
    out, err = capsys.readouterr()
    return " ".join((out if code == 0 else err).split())


def test_a_table(tmp_path, capsys):
    labels, values = made(np.random.default_rng(1), (0.05, 0.012, 0.006, 0.004), (2, 6, 2, 2))
    table = tmp_path / "cuts.csv"
    rows = [";".join((*each, f"{value:.5f}".replace(".", ","))) for each, value in zip(labels, values, strict=True)]
    table.write_text("\n".join(["sled;cut;laying;value", *rows]))
    said = run(capsys, "--readings", str(table), "--tolerance", "0.3mm/m")
    for part in (
        "Photo to photo ±",
        "Laying to laying ±",
        "Cut to cut ±",
        "Sled to sled standard",
        "fresh cuts, ",
    ):
        assert part in said
    found = json.loads(run(capsys, "--readings", str(table), "--tolerance", "0.3mm/m", "--json"))
    direct = nested_study(labels, [round(value, 5) for value in values])
    assert [each["sd_deg"] for each in found["components"]] == pytest.approx([each.sd for each in direct.components])
    camera = found["components"][-1]
    assert camera["share_of_tolerance"] == pytest.approx(1.96 * camera["sd_deg"] / 0.0171887, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("cut,laying,value\n1,1,0.1\n1,1,x\n", "line 3"),
        ("cut,laying,value\n1,1,0.1\n2,1,0.2\n3,1,0.1\n", "nothing in it was repeated"),
        ("cut,piece,value\n1,1,0.1\n", "needs the columns"),
        ("cut,laying\n1,1\n", "needs the columns"),
    ],
)
def test_a_table_that_cannot_be(tmp_path, capsys, text, says):
    table = tmp_path / "cuts.csv"
    table.write_text(text)
    assert says in run(capsys, "--readings", str(table), code=2)


def test_folders_of_layings_within_cuts(tmp_path):
    for k, place in enumerate(("1/a", "1/b", "2/a", "2/a")):
        folder = tmp_path / "flat" / place
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{k}.jpg").write_bytes(bytes([k]))
        folder = tmp_path / "sleds" / "long" / place
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{k}.jpg").write_bytes(bytes([k]))
    flat = find_study_photos(tmp_path / "flat", nested=True)
    assert [(each.sled, each.piece, each.laying) for each in flat] == [
        ("", "1", "a"), ("", "1", "b"), ("", "2", "a"), ("", "2", "a"),
    ]  # fmt: skip
    assert {each.sled for each in find_study_photos(tmp_path / "sleds", nested=True)} == {"long"}


def test_folders_that_are_not_nested_are_named(tmp_path, capsys):
    (tmp_path / "1").mkdir()
    (tmp_path / "1" / "a.jpg").write_bytes(b"1")
    assert "FOLDER/CUT/LAYING/*.jpg" in run(capsys, str(tmp_path), "--nested", code=2)
    table = tmp_path / "t.csv"
    table.write_text("cut,laying,value\n")
    assert "--nested has no effect" in run(capsys, "--readings", str(table), "--nested", code=2)
