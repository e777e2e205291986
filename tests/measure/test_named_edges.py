"""Edges told by their letters: as typed, as kept, as said and as asked."""

from __future__ import annotations

import numpy as np
import pytest

from tests.fence.test_signs_any_shape import offcut, told_edges
from tests.fence.test_signs_by_photo import lay, sled_of
from visioncheck.errors import InputError
from visioncheck.measuring.options import PieceOptions, options_from_json, read_piece_options
from visioncheck.page.forms import form_from_reading
from visioncheck.present.picture import _edge_label
from visioncheck.present.reading import reading_lines
from visioncheck.results.as_json import reading_json
from visioncheck.results.from_json import reading_from_json
from visioncheck.results.schema import validate


@pytest.fixture(scope="module")
def asked():
    """An offcut with a crooked end, of which nothing is told."""
    polygon = offcut(0.1, "left", "rear")
    return told_edges(polygon, None, sled_of("rear", "left"), lay(polygon, 0.0), crooked=("d",))[0]


@pytest.fixture(scope="module")
def told():
    polygon = offcut(0.1, "left", "rear")
    return told_edges(polygon, ("a", "fresh"), sled_of("rear", "left"), lay(polygon, 0.0), crooked=("d",))[0]


@pytest.mark.parametrize("typed", ["a,b", "ab", "A B", ("a", "b"), "a-b", ["a", "b"]])
def test_two_letters_as_people_type_them(typed):
    assert read_piece_options(edges=typed).edges == "a,b"


@pytest.mark.parametrize("typed", ["a", "a,a", "a,b,c", "1,2", "", ("a",)])
def test_what_names_no_two_edges_is_refused(typed):
    with pytest.raises(InputError, match="does not name two edges"):
        read_piece_options(edges=typed)


def test_the_log_keeps_what_was_told():
    options = PieceOptions(edges="b,a")
    assert options_from_json({"told": options.as_json()}) == options


def test_the_json_draws_it_again(told, asked):
    for reading in (told, asked):
        found = reading_json(reading)
        validate(found)
        again = reading_from_json(found)
        assert (again.names, again.fence_edge, again.cut_edge) == (reading.names, reading.fence_edge, reading.cut_edge)
        assert [each.edges for each in again.corners] == [each.edges for each in reading.corners]
        for old, new in zip(reading.edges, again.edges, strict=True):
            assert np.allclose([old.start_px, old.end_px, old.start_mm], [new.start_px, new.end_px, new.start_mm])


def test_corners_are_said_by_their_letters(told, asked):
    said = {line.label: line.text for line in reading_lines(told)}
    assert "between fence edge and cut (b-c)" in said["Angle"]
    said = {line.label: line.text for line in reading_lines(asked)}
    assert [part.split()[0] for part in said["Corners"].split(", ")] == ["b-c", "a-b"]
    assert "Say --edges, their letters in the picture, the one at the fence first, such as a,b;" in said["Tell me"]


def test_the_picture_names_edges_and_what_they_were(told, asked):
    outwards = [np.array([0.0, 1.0])] * 3
    assert sorted(_edge_label(asked, k, out) for k, out in enumerate(outwards)) == ["a", "b", "c"]
    labels = {_edge_label(told, k, out) for k, out in enumerate(outwards)}
    assert labels == {"a", "b: fresh cut", "c: was at the fence"}


def test_the_page_offers_the_pairs(asked):
    form = form_from_reading(reading_json(asked))
    assert form.pairs["c,b"] == "c lay on the fence, b is the fresh cut"
    assert set(form.pairs) == set(asked.question.choices)
