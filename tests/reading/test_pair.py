"""Two outlines of one piece made one: which corner is which, what is refused, and what uncertainty is left."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.reading.test_quarter_turn import PIECE, PRINT, angles, seen
from visioncheck.errors import UserError
from visioncheck.measuring.pair import quarter_turn
from visioncheck.reading.pair import matches, mean_piece, told_apart
from visioncheck.reading.piece import Piece, corner_weights, read_corners

READ_MM = 0.005
NOTHING = np.zeros((8, 8))
SQUARE = np.array([[0.0, 0.0], [0.0, 100.0], [100.0, 100.0], [100.0, 0.0]])


def outline(corners):
    """A piece whose corners are read to 5 µm each; the print's own numbers are its stretch and its shear."""
    away = corners - [105.0, 148.5]
    stretch, shear = away * [1.0, 0.0], away[:, ::-1] * [1.0, 0.0]
    return Piece(
        view=None,
        traces=(None,) * 4,
        lines=(None,) * 4,
        thickness_mm=18.0,
        corners_mm=corners,
        corners_px=corners,
        covariances={"target points": READ_MM**2 * np.eye(8), "edge": NOTHING, "print survey": NOTHING},
        edge_parts=np.zeros((4, 8, 8)),
        print_gain=np.stack([stretch.ravel(), shear.ravel()], axis=1),
        dofs=np.full(4, 20.0),
    )  # fmt: skip


PRINT_COVARIANCE = np.diag([0.005**2, 0.002**2])


def photo(corners, tag_up=None, tag_id=222):
    """As the measuring keeps it; `tag_up` is the direction that the tag's arrow points in."""
    outwards = np.roll(corners, -1, axis=0) + corners - 2 * corners.mean(axis=0)
    piece = replace(outline(corners), traces=tuple(SimpleNamespace(outward=out) for out in outwards))
    piece = replace(piece, view=SimpleNamespace(to_table=lambda px: np.asarray(px, float)))
    tag = None
    if tag_up is not None:
        up = np.asarray(tag_up, float)
        tag = SimpleNamespace(id=tag_id, corners_px=np.array([up, up, -up, -up]))
    return SimpleNamespace(shape=piece, tag=tag, photo=SimpleNamespace(path=SimpleNamespace(name="a.jpg")))


@pytest.mark.parametrize(("turn", "order"), [(90, 0), (-90, 0), (87, 1), (95, 2), (-88, 3)])
def test_corners_are_matched_however_they_are_counted(turn, order):
    first, second = outline(seen(-2.5)), outline(np.roll(seen(-2.5 + turn), order, axis=0))
    found = matches(first, second, PRINT_COVARIANCE)
    assert told_apart(found)
    assert found[0].shift == order
    assert found[0].turn_deg == pytest.approx(turn, abs=1e-6)
    assert found[0].is_quarter
    assert found[0].is_one_piece


def test_the_mean_is_free_of_the_print_and_each_photo_is_not():
    first, second = outline(seen(-2.5)), outline(seen(85.0))
    mean = mean_piece(first, second, matches(first, second, PRINT_COVARIANCE)[0], PRINT_COVARIANCE, surveyed=False)
    read = read_corners(mean)
    assert [each.angle.value for each in read] == pytest.approx(angles(PIECE), abs=1e-4)
    spread = mean.propagate_directions(corner_weights(0))
    # the print's numbers are affine: nothing of them is left, while alone they are worth 0.1 degrees
    assert spread.parts.get("print survey", 0.0) < 1e-5
    alone = np.degrees(corner_weights(0) @ _slopes(first) @ first.print_gain)
    assert math.sqrt(alone @ PRINT_COVARIANCE @ alone) > 0.1


def _slopes(piece):
    from visioncheck.reading.piece import direction_slopes

    return direction_slopes(piece.corners_mm)


def test_two_readings_are_better_by_the_root_of_two_but_the_woods_own_part_is_not():
    first, second = outline(seen(0, np.eye(2))), outline(seen(90, np.eye(2)))
    edge = np.eye(8) * READ_MM**2
    parts = np.stack([np.diag(np.repeat(np.eye(4)[k], 2)) for k in range(4)]) * READ_MM**2
    first, second = (
        replace(each, covariances=each.covariances | {"edge": edge}, edge_parts=parts) for each in (first, second)
    )
    alone = first.propagate_directions(corner_weights(0))
    mean = mean_piece(first, second, matches(first, second, PRINT_COVARIANCE)[0], PRINT_COVARIANCE, surveyed=True)
    both = mean.propagate_directions(corner_weights(0))
    assert both.parts["target points"] == pytest.approx(alone.parts["target points"] / math.sqrt(2), rel=0.01)
    assert both.parts["edge"] == pytest.approx(alone.parts["edge"], rel=0.01)


def test_what_a_survey_left_open_of_the_print_is_shared_by_both_photos():
    # an affine error still cancels over an exact quarter turn, being one and the same
    first, second = outline(seen(0)), outline(seen(90))
    match = matches(first, second, PRINT_COVARIANCE)[0]
    mean = mean_piece(first, second, match, PRINT_COVARIANCE, surveyed=True)
    assert mean.propagate_directions(corner_weights(0)).parts.get("print survey", 0.0) < 2e-3


def test_a_surveyed_pair_is_the_mean_of_both_where_the_print_is_known():
    first, second = outline(seen(-2.5)), outline(seen(87.5))
    mean = mean_piece(first, second, matches(first, second, PRINT_COVARIANCE)[0], np.zeros((2, 2)), surveyed=True)
    plain = (angles(first.corners_mm) + angles(second.corners_mm)) / 2
    assert np.abs(angles(first.corners_mm) - plain).max() > 0.05
    assert angles(mean.corners_mm) == pytest.approx(plain, abs=3e-3)


@pytest.mark.parametrize("part", [1.0, 0.3])
def test_what_a_lens_takes_up_of_the_prints_error_in_one_photo_alone_cancels_too(part):
    # the second photo shows a part of the print's error; the plain mean would keep half of what it lacks
    share = np.eye(2) + part * (PRINT - np.eye(2))
    first, second = outline(seen(0)), outline(seen(90, share))
    second = replace(second, print_gain=part * second.print_gain)
    match = matches(first, second, PRINT_COVARIANCE)[0]
    mean = mean_piece(first, second, match, PRINT_COVARIANCE, surveyed=True)
    read = [each.angle.value for each in read_corners(mean)]
    plain = (angles(first.corners_mm) + angles(second.corners_mm)) / 2
    assert read == pytest.approx(angles(PIECE), abs=4e-3)
    assert part == 1.0 or np.abs(plain - angles(PIECE)).max() > 0.02
    assert mean.propagate_directions(corner_weights(0)).parts.get("print survey", 0.0) < 4e-3


@pytest.mark.parametrize(("turn", "said"), [(180, "by a half turn"), (2, "not turned"), (45, "turned by 45°")])
def test_another_turn_is_said_clearly(turn, said):
    with pytest.raises(UserError, match=said) as refused:
        quarter_turn(photo(seen(10)), photo(seen(10 + turn)), PRINT_COVARIANCE)
    assert "do not cancel" in str(refused.value)
    assert "90°" in str(refused.value)


def test_a_square_needs_a_tag_and_the_tag_tells():
    turned = np.roll(SQUARE, 1, axis=0)  # a square turned a quarter looks as before
    with pytest.raises(UserError, match="piece tag"):
        quarter_turn(photo(SQUARE), photo(turned), PRINT_COVARIANCE)
    match = quarter_turn(photo(SQUARE, (0, -1)), photo(SQUARE, (1, 0)), PRINT_COVARIANCE)
    assert match.turn_deg == pytest.approx(90)
    with pytest.raises(UserError, match="by a half turn"):
        quarter_turn(photo(SQUARE, (0, -1)), photo(SQUARE, (0, 1)), PRINT_COVARIANCE)


def test_two_pieces_are_no_pair():
    other = PIECE * [1.0, 1.15] + [60, 100]
    with pytest.raises(UserError, match="one and the same piece"):
        quarter_turn(photo(seen(0)), photo(other), PRINT_COVARIANCE)
    crooked = seen(90) + np.array([[0.5, 0], [0, 0], [0, 0], [0, 0]])
    with pytest.raises(UserError, match="one and the same piece"):
        quarter_turn(photo(seen(0)), photo(crooked), PRINT_COVARIANCE)
    with pytest.raises(UserError, match="tags 222 and 223"):
        quarter_turn(photo(seen(0), (0, -1)), photo(seen(90), (1, 0), tag_id=223), PRINT_COVARIANCE)


def test_a_wildly_stretched_print_is_no_print():
    assert not matches(
        outline(seen(0, np.diag([1.05, 1.0]))), outline(seen(90, np.diag([1.05, 1.0]))), PRINT_COVARIANCE
    )
    assert matches(outline(seen(0, PRINT)), outline(seen(90, PRINT)), PRINT_COVARIANCE)
