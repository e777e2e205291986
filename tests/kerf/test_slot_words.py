"""What a slot says about the saw: the words follow the uncertainty."""

from __future__ import annotations

import pytest

from visioncheck.present.slot_causes import explain_slot
from visioncheck.quantity import Quantity


def mm(value: float, u: float, dof: float = float("inf")) -> Quantity:
    return Quantity(value, u, "mm", dof)


def test_wider_than_the_teeth_by_about_the_run_out():
    text = " ".join(explain_slot(mm(3.30, 0.01), nominal_mm=3.175))
    assert "0.125 mm ± 0.020 mm wider" in text
    assert "run-out" in text


@pytest.mark.parametrize(("u", "nominal_u"), [(0.07, 0.0), (0.01, 0.07)])
def test_within_the_uncertainty_nothing_is_found(u, nominal_u):
    text = " ".join(explain_slot(mm(3.30, u), nominal_mm=3.175, nominal_u_mm=nominal_u))
    assert "agrees" in text
    assert "wider than" not in text


def test_few_degrees_of_freedom_widen_the_doubt():
    # Student's t, 95 %, 2 degrees of freedom: 4.303 (JCGM 100, table G.2, from memory); 0.125 < 4.303 * 0.03
    assert "agrees" in " ".join(explain_slot(mm(3.30, 0.03, 2), nominal_mm=3.175))
    assert "wider than" in " ".join(explain_slot(mm(3.30, 0.03), nominal_mm=3.175))


def test_narrower_is_never_laid_on_the_saw():
    text = " ".join(explain_slot(mm(3.0, 0.01), nominal_mm=3.175))
    assert "narrower" in text
    assert "ruled length" in text


@pytest.mark.parametrize(("value", "where"), [(0.2, "wider at its end"), (-0.2, "wider at its start")])
def test_taper_has_three_causes_and_no_verdict(value, where):
    text = " ".join(explain_slot(mm(3.2, 0.01), taper=mm(value, 0.03)))
    for part in (where, "travel", "bars", "crept", "does not say which"):
        assert part in text
    assert "No taper shows" in " ".join(explain_slot(mm(3.2, 0.01), taper=mm(value, 0.15)))


@pytest.mark.parametrize(("scatter", "said"), [((0.08, 0.02), "left wall"), ((0.02, 0.08), "right wall")])
def test_one_rough_wall(scatter, said):
    assert said in " ".join(explain_slot(mm(3.2, 0.01), wall_scatter_mm=scatter))
    assert "rougher" not in " ".join(explain_slot(mm(3.2, 0.01), wall_scatter_mm=(0.03, 0.04)))


def test_what_was_not_measured_is_not_spoken_of():
    assert explain_slot(mm(3.2, 0.01)) == ["The slot is 3.20 mm ± 0.020 mm wide."]
    assert explain_slot(mm(25.4 / 8, 0.01), units="in") == ["The slot is 0.125 in ± 0.8 thou wide."]
