"""The clearances of the fits: as the handbook says them, as their words ask, and within what is known of glue and wood.

Which clearance is good is common practice, without a source; what bounds it from outside is named at each check.
"""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from visioncheck.kerf.fit import FITS

PRESS, GLUE, SLIDE = FITS["press"], FITS["glue"], FITS["slide"]
CLOSE_CONTACT_MM = 0.15
"""Wood joints in close contact: gaps of less than 0.15 mm, beyond it glue that fills gaps ("Wood adhesives", building
materials, northernarchitecture.us/thermal-insulation/wood-adhesives.html)."""
SEEN_MM = 0.1
"""A gap of 0.1 mm fills with glue and takes a close look to see, one of 0.2 mm shows (a furniture maker's bench rule,
finefurnituremaker.com, "We are very tolerant… up to 0.1mm")."""
TOO_LOOSE_MM = 25.4 / 32
"""1/32 in, asked about and not advised for a housing (rec.woodworking, "Dado width", 2008)."""


def test_the_handbook_says_them():
    text = files("visioncheck").joinpath("docs/topics/grooves.md").read_text("utf-8").replace("−", "-")
    rows = re.findall(r"^\| `(\w+)` \| [^|]+ ((?:\| [-.\d]+ ){6})\|$", text, re.MULTILINE)
    said = {name: [float(number) for number in numbers.split("|") if number.strip()] for name, numbers in rows}
    in_mm = {name: (fit.aim_mm, fit.least_mm, fit.most_mm) for name, fit in FITS.items()}
    assert {name: tuple(numbers[:3]) for name, numbers in said.items()} == in_mm
    in_thou = {name: [round(each / 0.0254) for each in limits] for name, limits in in_mm.items()}
    assert {name: numbers[3:] for name, numbers in said.items()} == in_thou


@pytest.mark.parametrize("name", FITS)
def test_each_aims_at_what_is_good(name):
    fit = FITS[name]
    assert fit.name == name
    assert fit.least_mm < fit.aim_mm < fit.most_mm


def test_a_part_that_is_driven_home_has_no_room_to_move():
    assert PRESS.least_mm < PRESS.aim_mm < 0
    assert PRESS.most_mm <= GLUE.least_mm
    # "enough crush in the wood fibers of both mating pieces" (sawmillcreek.org, "Proper fit for a dado joint?", 2007):
    # no more than a gap that would show, taken up by both
    assert -PRESS.least_mm <= SEEN_MM


def test_glue_has_room_and_stays_in_close_contact():
    """In the middle of its groove a part has half of the clearance on each face."""
    assert GLUE.least_mm > 0
    assert GLUE.most_mm / 2 <= SEEN_MM < CLOSE_CONTACT_MM
    # at what is aimed at, close contact even where the part lies against one wall
    assert GLUE.aim_mm < CLOSE_CONTACT_MM


def test_what_moves_has_more_room_than_what_is_glued():
    assert SLIDE.least_mm > GLUE.aim_mm
    assert SLIDE.aim_mm > GLUE.most_mm
    assert SLIDE.most_mm < TOO_LOOSE_MM
