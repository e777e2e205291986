"""A rig whose sheet is out of square by what it says it may be, and what pieces on it show of that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.learning import evidence_of_pair, sheet_error_deg
from tests.pairs import turned
from tests.simulation.bench import Cut, sawn_piece, sheared, shoot_piece, workshop
from tests.simulation.hand import MILD, STILL, Setting
from visioncheck.camera.refine import refine, sheet_angle_u_deg
from visioncheck.reading.pair import matches
from visioncheck.reading.sheet_evidence import pair_evidence, panel_evidence

EXACT = replace(MILD, point_px=1e-3, edge_px=1e-3, halo_mm=0.0)
SMOOTH = (Cut(1e-5, 1.0, 1),) * 4
ERRORS_DEG = np.array([0.014, -0.01])


@pytest.fixture(scope="module")
def good_shop():
    shop = workshop(11, Setting(STILL, EXACT))
    assert shop.rig is not None
    return shop


def told_and_expected(shop, kind, look):
    """What pieces show of a sheet that is wrong by ERRORS_DEG, and what that error should show, in units of noise."""
    rig = sheared(shop.rig, ERRORS_DEG, 0.02)
    errors = np.concatenate([np.zeros(8), (rig.points_mm - shop.rig.points_mm).ravel()])
    told, expected = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        piece = replace(sawn_piece(kind, rng), cuts=SMOOTH)
        evidence = look(piece, rig, rng)
        sizes = np.sqrt(np.diag(evidence.noise))
        told.append(evidence.apart / sizes)
        expected.append(evidence.gain @ errors / sizes)
    return np.concatenate(told), np.concatenate(expected)


def follows(told, expected):
    """How much of what is expected was told: 1, but for noise."""
    return told @ expected / (expected @ expected)


def test_pairs_tell_the_sheets_shear_and_stretch_with_their_sign(good_shop):
    def pair(piece, rig, rng):
        first, second = (shoot_piece(lying, good_shop, rig, rng) for lying in (piece, turned(piece, rng)))
        match = next(m for m in matches(first, second, rig.covariance) if m.shift == 0)
        return pair_evidence(first, second, match)

    assert 0.6 < follows(*told_and_expected(good_shop, "corner", pair)) < 1.4


def test_panels_tell_it_whichever_way_round_they_were_cut(good_shop):
    def panel(piece, rig, rng):
        # edge 0 was cut first; the corners at edge 2 are both 90 + e
        return panel_evidence(shoot_piece(piece, good_shop, rig, rng), first_cut=0)

    assert 0.6 < follows(*told_and_expected(good_shop, "panel", panel)) < 1.4


def test_the_corners_of_a_panel_scatter_by_how_the_cuts_were_seated(good_shop):
    rng = np.random.default_rng(7)
    panel = shoot_piece(replace(sawn_piece("panel", rng), cuts=SMOOTH), good_shop, good_shop.rig, rng)
    # two cuts of 0.01° each
    assert panel_evidence(panel, 0).noise[0, 0] > 2 * 0.01**2


def test_ten_pairs_find_the_sheets_error_as_well_as_they_say():
    before, after, stated = [], [], []
    for user in range(5):
        shop = workshop(4000 + user, Setting(STILL, MILD))
        assert shop.rig is not None
        rng = np.random.default_rng([77, user])
        errors = rng.normal(0, 0.01, 2)
        shop = replace(shop, rig=sheared(shop.rig, errors, 0.01))
        evidence = [each for each in (evidence_of_pair(shop, rng) for _ in range(6)) if each is not None]
        assert len(evidence) >= 4
        rig = refine(shop.rig, evidence)
        before.append(sheet_error_deg(shop, shop.rig))
        after.append(sheet_error_deg(shop, rig))
        stated.append(sheet_angle_u_deg(rig))
    assert np.sqrt(np.mean(np.square(after))) < 0.3 * np.sqrt(np.mean(np.square(before)))
    # of 10 numbers, and the worse of two directions is stated: chi-squared/10 below 3 but once in 1000
    assert np.mean((np.array(after) / np.array(stated)[:, None]) ** 2) < 3
    assert np.max(stated) < 0.006
