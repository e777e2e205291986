"""Four straight sides of drawn masks, however they are interrupted, against the corners drawn."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from visioncheck.outline.quads import best_quad

CORNERS = np.array([[90.3, 80.8], [310.6, 110.2], [292.1, 271.4], [70.9, 243.7]])
SHAPE = (360, 420)


def drawn(outline) -> np.ndarray:
    mask = np.zeros(SHAPE, np.uint8)
    cv2.fillPoly(mask, [np.round(np.asarray(outline) * 16).astype(np.int32)], 1, shift=4)
    return mask


def off_px(quad, corners=CORNERS) -> float:
    """How far the farthest corner lies from its true one."""
    return max(np.linalg.norm(quad.corners - corner, axis=1).min() for corner in corners)


def stick(start, end, width=15.0) -> np.ndarray:
    start, end = np.array(start, float), np.array(end, float)
    along = (end - start) / np.linalg.norm(end - start)
    side = np.array([-along[1], along[0]]) * width / 2
    return drawn([start - side, start + side, end + side, end - side])


NOTHING = np.zeros(SHAPE, np.uint8)
BESIDE = {
    "nothing": NOTHING,
    "a stick whose end touches a side": stick((200, 95), (240, 5)),
    "a stick whose flank touches a corner": stick((314, 20), (318, 180)),
    "two sticks": stick((200, 95), (240, 5)) | stick((80, 160), (10, 170)),
}
OVER = {
    "a stick across two sides": stick((150, 60), (230, 300)),
    "a stick over a corner": stick((250, 70), (345, 150), 25.0),
    "a hand across two sides": stick((150, 60), (230, 300), 70.0),
    "a broad jaw over a side": stick((180, 285), (185, 225), 45.0),
}


@pytest.mark.parametrize("name", BESIDE)
def test_what_looks_like_the_piece_and_touches_it_moves_no_side(name):
    quad = best_quad(drawn(CORNERS) | BESIDE[name], NOTHING)
    assert quad is not None
    assert off_px(quad) < 1.5


@pytest.mark.parametrize("name", OVER)
def test_what_lies_over_the_piece_moves_no_side(name):
    hidden = OVER[name]
    quad = best_quad(drawn(CORNERS) & ~hidden & 1, hidden)
    assert quad is not None
    assert off_px(quad) < 1.5


def test_a_round_thing_has_no_four_sides():
    turn = np.linspace(0, 2 * np.pi, 200)
    assert best_quad(drawn(np.array([200, 180]) + 90 * np.column_stack([np.cos(turn), np.sin(turn)])), NOTHING) is None


def test_a_cushion_has_no_straight_sides():
    turn = np.linspace(0, 2 * np.pi, 400)
    round_square = [np.sign(wave) * np.abs(wave) ** (2 / 3) for wave in (np.cos(turn), np.sin(turn))]
    assert best_quad(drawn(np.array([200, 180]) + 90 * np.column_stack(round_square)), NOTHING) is None


def test_a_hand_has_no_four_sides():
    hand = NOTHING.copy()
    for start, end in (((60, 200), (330, 120)), ((60, 210), (340, 180)), ((60, 220), (300, 260))):
        cv2.line(hand, start, end, 1, 26)
    cv2.circle(hand, (90, 210), 60, 1, -1)
    assert best_quad(hand, NOTHING) is None


def test_a_clamp_over_an_end_does_not_draw_the_outline_under_it():
    """What is covered costs nothing: of two that enclose the piece alike the one whose sides are seen is meant."""
    board = np.array([[281, 437], [105, 353], [150, 263], [325, 346]], np.int32)
    clamp = np.array([[136, 341], [29, 289], [50, 244], [158, 296]], np.int32)
    piece, covered = np.zeros((595, 425), np.uint8), np.zeros((595, 425), np.uint8)
    cv2.fillConvexPoly(piece, board, 1)
    cv2.fillConvexPoly(covered, clamp, 1)
    piece[covered > 0] = 0
    # beside the clamp too little is left to be seen, and ends in steps
    piece[310:, :118], piece[:310, :146] = 0, 0
    quad = best_quad(piece, covered)
    assert quad is not None
    far_end = np.linalg.norm(quad.corners[:, None] - board[None, [0, 3]], axis=2).min(axis=0)
    assert far_end.max() < 2
    assert quad.seen > 0.5
