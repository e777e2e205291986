"""The gauge study against the reference study of the measurement-systems manual, and pooled deviations."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from visioncheck.cli import main
from visioncheck.study.gauge import gauge_study, photos_to_average, pooled_sd

# AIAG, Measurement Systems Analysis, 4th edition: 10 parts, 3 appraisers, 3 trials, as many public suites have it
REFERENCE = {
    "A": "0.29 0.41 0.64 | -0.56 -0.68 -0.58 | 1.34 1.17 1.27 | 0.47 0.50 0.64 | -0.80 -0.92 -0.84 | 0.02 -0.11 -0.21 "
    "| 0.59 0.75 0.66 | -0.31 -0.20 -0.17 | 2.26 1.99 2.01 | -1.36 -1.25 -1.31",
    "B": "0.08 0.25 0.07 | -0.47 -1.22 -0.68 | 1.19 0.94 1.34 | 0.01 1.03 0.20 | -0.56 -1.20 -1.28 | -0.20 0.22 0.06 "
    "| 0.47 0.55 0.83 | -0.63 0.08 -0.34 | 1.80 2.12 2.19 | -1.68 -1.62 -1.50",
    "C": "0.04 -0.11 -0.15 | -1.38 -1.13 -0.96 | 0.88 1.09 0.67 | 0.14 0.20 0.11 | -1.46 -1.07 -1.45 "
    "| -0.29 -0.67 -0.49 | 0.02 0.01 0.21 | -0.46 -0.56 -0.49 | 1.77 1.45 1.87 | -1.49 -1.77 -2.16",
}
Y = np.array([[part.split() for part in text.split("|")] for text in REFERENCE.values()], float).transpose(1, 0, 2)


def test_reference_anova():
    table = gauge_study(Y).anova
    sums = [table.ss_piece, table.ss_person, table.ss_interaction, table.ss_repeat]
    assert sums == pytest.approx([88.36193, 3.16726, 0.35898, 2.75893], abs=5e-6)
    assert sum(sums) == pytest.approx(94.64711, abs=1e-5)
    assert [table.dof_piece, table.dof_person, table.dof_interaction, table.dof_repeat] == [9, 2, 18, 60]
    assert table.interaction_probability == pytest.approx(0.974, abs=5e-4)
    assert table.pooled


def test_reference_deviations():
    study = gauge_study(Y)
    assert study.repeat == pytest.approx(0.199933, abs=1e-6)
    assert study.repeat_dof == 78
    assert study.person == pytest.approx(0.226838, abs=1e-6)
    assert study.interaction == 0
    assert study.gauge == pytest.approx(0.3023715, abs=1e-6)
    assert study.piece == pytest.approx(1.042327, abs=1e-6)
    assert study.total == pytest.approx(1.0853, abs=5e-5)
    assert study.percent_of_total(study.gauge) == pytest.approx(27.86, abs=0.005)
    contributions = [100 * (part / study.total) ** 2 for part in (study.repeat, study.person, study.gauge, study.piece)]
    assert contributions == pytest.approx([3.39, 4.37, 7.76, 92.24], abs=0.006)
    assert study.distinct_categories == pytest.approx(4.86, abs=0.005)


def test_interaction_is_kept_when_it_is_real():
    rng = np.random.default_rng(3)
    y = rng.normal(0, 1, (12, 1, 1)) + rng.normal(0, 0.5, (12, 4, 1)) + rng.normal(0, 0.1, (12, 4, 5))
    study = gauge_study(y)
    assert not study.anova.pooled
    assert study.repeat == pytest.approx(0.1, rel=0.15)
    assert study.repeat_dof == 12 * 4 * 4
    assert study.interaction == pytest.approx(0.5, rel=0.25)


def test_components_are_recovered_on_average():
    rng = np.random.default_rng(5)
    found = []
    for _ in range(400):
        y = rng.normal(0, 0.02, (8, 1, 1)) + rng.normal(0, 0.01, (1, 3, 1)) + rng.normal(0, 0.005, (8, 3, 3))
        study = gauge_study(y)
        found.append([study.repeat**2, study.person**2, study.piece**2])
    assert np.sqrt(np.mean(found, axis=0)) == pytest.approx([0.005, 0.01, 0.02], rel=0.06)


def test_one_person():
    study = gauge_study(Y[:, :1])
    within = ((Y[:, 0] - Y[:, 0].mean(axis=1, keepdims=True)) ** 2).sum()
    assert study.repeat == pytest.approx(math.sqrt(within / 20))
    assert (study.person, study.interaction, study.repeat_dof) == (0, 0, 20)


def test_identical_readings():
    study = gauge_study(np.arange(3.0)[:, None, None] + np.zeros((3, 2, 2)))
    assert study.gauge == 0
    assert math.isinf(study.distinct_categories)
    assert study.piece == pytest.approx(1)


@pytest.mark.parametrize("shape", [(1, 3, 3), (10, 3, 1), (10, 0, 3), (10, 3)])
def test_too_small(shape):
    with pytest.raises(ValueError):
        gauge_study(np.zeros(shape))


def test_pooled_deviation_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4.4 / 2.6.1: five wafers, s1 = 0.10290
    sd, dof = pooled_sd([0.48115, 0.69209, 0.48483, 1.21752, 0.30076], [60] * 5)
    assert dof == 300
    assert round(sd, 5) == 0.10290


def test_photos_to_average():
    y = np.array([[[0.0, 0.002]], [[0.01, 0.012]], [[0.02, 0.022]], [[0.03, 0.032]]])
    study = gauge_study(y)
    assert study.repeat == pytest.approx(0.001 * math.sqrt(2))
    # t(4) = 2.776: expanded 0.00393; a quarter of 0.01 is 0.0025, so (0.00393/0.0025)² = 2.5
    assert photos_to_average(study, 0.01) == 3
    assert photos_to_average(study, 0.1) == 1
    assert photos_to_average(study, 0.0001) is None


def table(path, y=Y, names="ABC"):
    rows = ["piece,person,value"]
    rows += [f"{p + 1},{names[o]},{v}" for p in range(y.shape[0]) for o in range(y.shape[1]) for v in y[p, o]]
    path.write_text("\n".join(rows) + "\n")
    return rows


def test_command(tmp_path, capsys):
    path = tmp_path / "readings.csv"
    table(path)
    assert main(["study", "--readings", str(path), "--tolerance", "2deg", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["gauge_deg"] == pytest.approx(0.3023715, abs=1e-6)
    assert found["distinct_categories"] == 4
    assert found["percent_of_tolerance"] == pytest.approx(100 * 6 * 0.3023715 / 4)
    assert main(["study", "--readings", str(path), "--tolerance", "2deg"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "10 pieces, 3 persons, 3 readings of each" in out
    assert "± 0.5926° (95 %), 30 % of the tolerance" in out


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda rows: rows[:-1], "piece 10 was read 2 times by C, others 3"),
        (lambda rows: ["part,value", *rows[1:]], "columns piece, person and value"),
        (lambda rows: [*rows[:4], "1,A,nan", *rows[5:]], "line 5"),
        (lambda rows: [*rows[:4], "1,A", *rows[5:]], "line 5"),
        (lambda rows: rows[:4], "at least 2 pieces"),
        (lambda rows: rows[:0], "columns"),
        (lambda rows: [rows[0], "\0" * 10 + ",A,1"], "readings.csv"),
        (lambda rows: [rows[0], '"' + "x" * 200_000 + '",A,1'], "is no table"),
    ],
)
def test_bad_tables(tmp_path, capsys, change, says):
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(change(table(path))))
    assert main(["study", "--readings", str(path)]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1


def test_missing_table(tmp_path, capsys):
    assert main(["study", "--readings", str(tmp_path / "no.csv")]) == 2
    assert "no.csv" in capsys.readouterr().err
