"""Things of known size that do not lie on one plane are told apart; a card tells what a ruler's strokes stand for."""

from dataclasses import replace

import numpy as np
import pytest
from test_plane_fit import FOCAL, H, W, camera, card, ruler, scale_error

from holecount.scale.agree import fit_agreeing


def fit(refs):
    return fit_agreeing(refs, width_px=W, height_px=H, focal_px=FOCAL)


def on_the_floor(rng, cam):
    """A box of a card's shape 400 mm below the frame, as its own reference."""
    true = card(rng, cam)
    xy = true.points_mm + np.array([-60.0, 40.0])
    px = cam.to_px(np.column_stack([xy, np.full(4, -400.0)]))
    return type(true)(**{f: getattr(true, f) for f in true.__slots__} | {"points_px": px, "outline_px": px})


def test_a_box_on_the_floor_is_left_out():
    for seed in range(4):
        rng = np.random.default_rng(seed)
        cam = camera(rng, 8.0)
        lying, rule, box = card(rng, cam), ruler(rng, cam), on_the_floor(rng, cam)
        plane, used, left_out = fit([lying, box, rule])
        assert [r is box for r in left_out] == [True]
        assert len(used) == 2
        error, (u, _) = scale_error(plane, cam)
        assert abs(error.mean()) < 4 * u


def test_what_belongs_together_stays_together():
    for seed in range(4):
        rng = np.random.default_rng(seed)
        cam = camera(rng, 15.0)
        _, used, left_out = fit([card(rng, cam), card(rng, cam, at=(-120.0, -80.0)), ruler(rng, cam)])
        assert (len(used), len(left_out)) == (3, 0)


def test_among_two_that_disagree_the_first_is_kept():
    rng = np.random.default_rng(1)
    cam = camera(rng, 8.0)
    lying, box = card(rng, cam), on_the_floor(rng, cam)
    assert fit([lying, box])[1] == (lying,)
    assert fit([box, lying])[1] == (box,)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_card_tells_what_a_rulers_strokes_stand_for(factor):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        cam = camera(rng, 12.0)
        rule = ruler(rng, cam)
        misread = replace(rule, points_mm=rule.points_mm / factor)
        plane, used, left_out = fit([card(rng, cam), misread])
        assert left_out == ()
        assert np.allclose(used[1].points_mm, rule.points_mm)
        assert used[1].notes
        error, (u, _) = scale_error(plane, cam)
        assert abs(error.mean()) < 4 * u


def test_a_ruler_misread_by_another_factor_is_left_out_and_rulers_alone_are_read_as_they_are():
    rng = np.random.default_rng(2)
    cam = camera(rng, 12.0)
    rule = ruler(rng, cam)
    tenths = replace(rule, points_mm=rule.points_mm * 1.27)
    assert fit([card(rng, cam), tenths])[2] == (tenths,)
    halves = replace(rule, points_mm=rule.points_mm * 2)
    _, used, left_out = fit([halves, ruler(rng, cam)])
    assert (used, len(left_out)) == ((halves,), 1)
