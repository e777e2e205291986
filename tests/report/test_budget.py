"""Budgets as lines, as bars, and what they advise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import pytest

from tests.report.hand_made import corner_piece, strip
from visioncheck.present.budget import better_lines, budget_lines, draw_budget
from visioncheck.quantity import Quantity
from visioncheck.reading.model import LastJoint, WidthReading
from visioncheck.results.budget import Budget, budgets_from_reading


def test_lines_are_sorted_with_shares_of_the_variance() -> None:
    lines = budget_lines(budgets_from_reading(corner_piece())[0])
    assert [line.label for line in lines] == ["print survey", "edge", "together"]
    # 16² : 12² = 64 % : 36 %, root of the sum 20
    assert lines[0].text.endswith("64 %")
    assert lines[1].text.endswith("36 %")
    assert lines[0].text.count("█") == 15
    # Student's t for 40 degrees of freedom is 2.02
    assert lines[2].text == "0.0020°, times 2.02 for 95 %: ± 0.0040°"


def test_a_strip_has_a_budget_of_its_width_too() -> None:
    middle = WidthReading(100.0, Quantity(25.6, 0.05, "mm", 60), {"thickness": 0.04, "edge bias": 0.03})
    reading = replace(strip(), widths=(middle, middle, middle))
    taper, width = budgets_from_reading(reading)
    assert (taper.name, taper.unit) == ("taper", "°")
    assert (width.name, width.unit, width.u) == ("middle width", " mm", pytest.approx(0.05))


def test_without_a_fence_edge_it_is_the_least_certain_corners() -> None:
    corners = tuple(
        replace(corner, angle=Quantity(90.0, u, "deg", dof))
        for corner, u, dof in zip(corner_piece().corners, (0.002, 0.003, 0.002, 0.001), (40, 12, 40, 40), strict=True)
    )
    (budget,) = budgets_from_reading(replace(corner_piece(), fence_error=None, corners=corners))
    assert (budget.name, budget.dof) == ("least certain corner", 12)


def test_advice_is_for_the_largest_sources_and_says_what_it_could_gain() -> None:
    budget = Budget("angle", "°", {"edge": 0.003, "print survey": 0.004, "lens": 0.0001}, 1000)
    first, second = better_lines(budget, surveyed=True, turned=False)
    assert first.text.startswith("print survey: survey again")
    # 0.005° and without the print's share 0.003°, times 1.96
    assert first.text.endswith("(± 0.010° down to ± 0.006° at best)")
    assert "--turned" in first.text
    assert second.text.startswith("edge: cut a longer test piece")


def test_advice_fits_what_was_done_already() -> None:
    budget = Budget("angle", "°", {"print survey": 0.004}, 1000)
    assert "visioncheck survey" in better_lines(budget, surveyed=False, turned=False)[0].text
    assert "--turned" not in better_lines(budget, surveyed=False, turned=True)[0].text


@pytest.mark.parametrize(("kind", "joint", "said"), [("slot", 0, "slot"), ("gap", 8, "joint"), ("gap", 0, "cut")])
def test_what_has_walls_is_called_what_it_is(kind: str, joint: int, said: str) -> None:
    frame = LastJoint(joint, 2 * joint, "outside", "outer") if joint else None
    read = replace(strip(), piece=kind, budget={"roughness": 0.01}, last_joint=frame)
    taper, *_ = budgets_from_reading(read)
    assert f"make a longer {said}, with" in better_lines(taper, surveyed=True, turned=True)[0].text


def test_bars_are_as_long_as_their_sources(tmp_path: Path) -> None:
    budget = Budget("angle", "°", {"edge": 0.003, "print survey": 0.004}, 1000)
    draw_budget((budget,), tmp_path / "bars.png", "Offcut")
    picture = cv2.imread(str(tmp_path / "bars.png"))
    # the colour #0072B2, as BGR
    blue = (abs(picture.astype(int) - [0xB2, 0x72, 0x00]).max(axis=2) < 6).sum(axis=1)
    lengths = sorted({int(row) for row in blue if row > 50})
    assert lengths[0] / lengths[-1] == pytest.approx(0.75, abs=0.01)
