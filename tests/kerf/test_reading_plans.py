"""Plans read from TOML: what is taken in, and one sentence for everything that cannot be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from visioncheck.errors import UserError
from visioncheck.kerf.passes import lay_out
from visioncheck.kerf.read_plan import load_plan, parse_plan, plan_from_data

PLANS = Path(__file__).parents[2] / "fixtures" / "plans"
GOOD = """\
units = "in"
[board]
width = "12in"
edges = ["front", "back"]
[saw]
fence = "right"
flange = "left"
zero_kerf = "1/8in"
[blade]
kerf = "1/4in"
[[groove]]
name = "a"
from = "front"
at = "3in"
width = "3/4in"
[[groove]]
name = "b"
from = "front"
at = "6in"
width = "3/4in"
"""


def test_lengths_in_both_worlds_come_out_in_mm():
    plan = parse_plan(
        GOOD.replace('at = "3in"', 'at = "3 1/64\\""').replace('width = "12in"', 'width = "304.8mm"'), "p"
    )
    assert plan.board_mm == pytest.approx(304.8)
    assert plan.grooves[0].at_mm == pytest.approx((3 + 1 / 64) * 25.4)
    assert plan.grooves[1].kerf.value == pytest.approx(6.35)


def test_a_groove_from_another_is_placed_from_the_edge_and_warned_about():
    plan = parse_plan(GOOD.replace('name = "b"\nfrom = "front"', 'name = "b"\nfrom = "groove a"'), "p")
    assert plan.grooves[1].at_mm == pytest.approx((3 + 0.75 + 6) * 25.4)
    assert plan.grooves[1].edge == "front"
    assert any("measured from groove 'a'" in warning for warning in lay_out(plan).warnings)


def test_plus_minus_is_the_95_percent_half_width():
    plan = parse_plan(GOOD.replace('kerf = "1/4in"', 'kerf = "1/4in"\nplus_minus = "0.1mm"'), "p")
    assert plan.grooves[0].kerf.expanded() == pytest.approx(0.1)


def test_a_measured_slot_gives_the_kerf(tmp_path):
    # as measuring a slot prints it: the middle station in the middle of the list
    stations = [{"at_mm": at, "value": value, "u": 0.01, "dof": 12} for at, value in ((0, 6.3), (50, 6.35), (100, 6.4))]
    (tmp_path / "slot.json").write_text(json.dumps({"schema": 1, "width_mm": stations}))
    (tmp_path / "plan.toml").write_text(GOOD.replace('kerf = "1/4in"', 'slot = "slot.json"'))
    kerf = load_plan(tmp_path / "plan.toml").grooves[0].kerf
    assert (kerf.value, kerf.u, kerf.dof) == (6.35, 0.01, 12)
    for bad in ("{}", "[]", "no json", '{"width_mm": []}', '{"width_mm": [{"value": NaN, "u": 0.1}]}', '"x"'):
        (tmp_path / "slot.json").write_text(bad)
        with pytest.raises(UserError, match=r"slot\.json"):
            load_plan(tmp_path / "plan.toml")


@pytest.mark.parametrize("name", ["bookcase-side", "sled-insert"])
def test_the_demo_plans_say_what_they_are_for(name):
    warnings = " ".join(lay_out(load_plan(PLANS / f"{name}.toml")).warnings)
    assert ("measured from groove" if name == "bookcase-side" else "off the middle of the insert's channel") in warnings


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('kerf = "1/4in"', 'kerf = "1/4"', ("line 10", "blade.kerf", "no unit")),
        ('kerf = "1/4in"', "kerf = 0.25", ("line 10", "blade.kerf", "no unit")),
        ('kerf = "1/4in"', 'kerf = "0in"', ("line 10", "blade.kerf", "more than nothing")),
        ('kerf = "1/4in"', 'kerf = "-1/4in"', ("line 10", "blade.kerf", "more than nothing")),
        ('kerf = "1/4in"', 'kerf = "1/0in"', ("line 10", "blade.kerf")),
        ('kerf = "1/4in"', 'kerf = "1/4in"\nslot = "s.json"', ("blade.slot",)),
        ('kerf = "1/4in"', 'slot = "gone.json"', ("blade.slot",)),
        ('zero_kerf = "1/8in"', 'zero_kerf = "-1/8in"', ("line 8", "saw.zero_kerf")),
        ('zero_kerf = "1/8in"', "", ("line 5", "saw.zero_kerf", "is missing")),
        ('fence = "right"', 'fence = "rear"', ("line 6", "saw.fence", "'left' or 'right'")),
        ('flange = "left"', 'flanges = "left"', ("line 7", "saw.flanges", "did you mean flange")),
        ('at = "6in"', 'at = "6"', ("line 19", "groove[2].at", "no unit")),
        ('at = "6in"', 'at = "-6in"', ("line 19", "groove[2].at")),
        ('name = "b"', 'name = "a"', ("line 17", "groove[2].name", "twice")),
        ('name = "b"\nfrom = "front"', 'name = "b"\nfrom = "groove c"', ("line 18", "groove[2].from", "'groove a'")),
        ('units = "in"', 'units = "cm"', ("line 1", "units")),
        ('units = "in"', 'units = "in', ("line 1", "not valid TOML")),
        ('edges = ["front", "back"]', 'edges = ["front", "front"]', ("line 4", "board.edges")),
        ("[board]", "[[board]]", ("board",)),
        ("[[groove]]", "[[grooves]]", ("grooves", "did you mean groove")),
    ],
)
def test_a_plan_that_cannot_be_says_where(old, new, said):
    text = GOOD.replace(old, new)
    assert text != GOOD
    with pytest.raises(UserError) as error:
        parse_plan(text, "plan.toml")
    for part in ("plan.toml", *said):
        assert part in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('at = "6in"', 'at = "11 1/2in"', "leaves the board"),
        ('kerf = "1/4in"', 'kerf = "13/16in"', "narrower than"),
        ('kerf = "1/4in"', 'kerf = "1/4in"\noverlap = "1/4in"', "overlap"),
        ('width = "3/4in"', 'width = "0.02in"', "narrower than"),
        ('width = "12in"', 'width = "2in"', "leaves the board"),
        ('kerf = "1/4in"', 'kerf = "0.4mm"\noverlap = "0.395mm"', "passes"),
    ],
)
def test_a_plan_that_cannot_be_cut_says_which_groove(old, new, said):
    plan = parse_plan(GOOD.replace(old, new), "plan.toml")
    with pytest.raises(UserError, match=said) as error:
        lay_out(plan)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('at = "6in"', 'at = "3.8in"', "sliver of only 0.050 in stays between grooves 'a' and 'b'"),
        ('at = "6in"', 'at = "3.5in"', "run into each other by 0.250 in"),
        ('at = "6in"', 'at = "11.2in"', "between groove 'b' and the edge 'back'"),
        ('at = "3in"', 'at = "0in"', "sacrificial"),
        ('from = "front"\nat = "6in"', 'from = "back"\nat = "1in"', "an error of the board's width"),
        ('at = "6in"', 'at = "6in"\nblade_line = "6.4in"', "0.025 in off the middle"),
        ('at = "6in"', 'at = "6in"\nsettings = ["6 1/8in", "6.5in"]', "sliver of 0.125 in stays between two passes"),
        ('at = "6in"', 'at = "6in"\nsettings = ["12in"]', "lands past the edge 'back' by 0.125 in"),
        ('at = "6in"', 'at = "6in"\nsettings = ["1/16in"]', "lands past the edge 'front' by 0.062 in"),
        ('at = "6in"', 'at = "6in"\nsettings = ["6.125in", "6.3in"]', "make the width 0.425 in, the plan wants 0.750"),
        ('kerf = "1/4in"', 'kerf = "1/4in"\nplus_minus = "3mm"', "an uncut sliver may stay"),
    ],
)
def test_warnings(old, new, said):
    assert lay_out(parse_plan(GOOD, "plan")).warnings == ()
    text = GOOD.replace(old, new)
    assert any(said in warning for warning in lay_out(parse_plan(text, "plan")).warnings)


def test_a_centred_insert_channel_is_not_warned_about():
    text = GOOD.replace('at = "6in"', 'at = "6in"\nblade_line = "6.375in"')
    assert lay_out(parse_plan(text, "plan")).warnings == ()


@pytest.mark.parametrize(("line", "way"), [("6.4in", "farther from"), ("6.35in", "nearer to")])
def test_a_blade_off_the_middle_of_its_insert_is_said_with_its_way(line, way):
    # the groove reaches from 6 in to 6.75 in from the edge: its middle is at 6.375 in
    text = GOOD.replace('at = "6in"', f'at = "6in"\nblade_line = "{line}"')
    warnings = " ".join(lay_out(parse_plan(text, "plan")).warnings)
    assert f"0.025 in off the middle of the insert's channel, {way} the edge" in warnings


@pytest.mark.parametrize(("at", "width", "says"), [
    ("90mm", "10.004mm", ""), ("90mm", "10.006mm", "leaves the board"),
    ("20mm", "3.196mm", ""), ("20mm", "3.194mm", "narrower than"),
])  # fmt: skip
def test_a_groove_may_end_where_the_board_does_and_be_as_wide_as_the_blade(at, width, says):
    # lengths within 0.005 mm are one (`checks.PLAN_SAME_MM`)
    saw = {"zero_kerf": "3.2mm", "fence": "right", "flange": "left"}
    groove = [{"name": "one", "at": at, "width": width}]
    plan = {"name": "Test", "units": "mm", "board": {"width": "100mm"}, "saw": saw, "groove": groove}
    if not says:
        assert lay_out(plan_from_data(plan, "plan")).cuts
        return
    with pytest.raises(UserError, match=says):
        lay_out(plan_from_data(plan, "plan"))
