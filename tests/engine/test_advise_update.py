"""Updates of a solve's information: the same as solving again with the features added, or without them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scatterproof.advise.update import Extra, changed, core_of, delta_of, key_rows, standing_still
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse
from scatterproof.solve.covariance import inform
from scatterproof.solve.network import Tracks
from scatterproof.solve.slide import slide
from scatterproof.solve.track_errors import TrackErrors

PLANS = {"LY": "lantern-yard", "CA": "clockwork-attic", "MB": "moonrise-basin"}


@cache
def network(name):
    plan = parse_plan(example(PLANS[name[:2]])).plan
    return next(rehearse(plan, [name])).network


def without(net, tracks):
    """The network without some tracks, and these as extra points, one group each."""
    kept = np.setdiff1d(np.arange(net.seen.shape[1]), tracks)
    less = replace(
        net, truth=net.truth.with_parts(points_m=net.truth.points_m[kept]), feature=net.feature[kept],
        seen=net.seen[:, kept], uv_px=net.uv_px[:, kept], covariance_px2=net.covariance_px2[:, kept],
        errors=net.errors.only(kept), supervised=net.supervised[kept],
    )  # fmt: skip
    return less


def extra_of(net, rows, tracks, group):
    return Extra(
        net.truth.points_m[tracks], np.asarray(group), int(np.max(group)) + 1,
        net.uv_px[rows][:, tracks], net.seen[rows][:, tracks], net.covariance_px2[rows][:, tracks],
        net.errors.offset_px[rows][:, tracks],
    )  # fmt: skip


def solved_again(net, rows, share):
    """Whole slide at every row, from the factorisation that the predictions use: points kept, frames eliminated."""
    truth = net.truth
    scene = truth.with_parts(
        world_from_cam=truth.world_from_cam[rows], focal_px=truth.focal_px[rows], distortion=truth.distortion[rows]
    )
    tracks = Tracks.from_grid(net.uv_px[rows], net.seen[rows], net.covariance_px2[rows] / share)
    information = inform(tracks, scene, net.unknowns, keep_points=True)
    errors = TrackErrors(net.covariance_px2[rows] / share, offset_px=net.errors.offset_px[rows])
    found = slide(
        information, net.action_m, net.in_view[rows], window=1, tracks=tracks, errors=errors,
        delivery_scale=net.delivery_scale,
    )  # fmt: skip
    return found.drift_px2


# Shots whose normal matrices are well enough conditioned for eight digits to mean something: see the test after this.
@pytest.mark.parametrize("name", ["LY040", "CA010", "CA030", "CA040", "MB010", "MB040"])
@pytest.mark.parametrize("every", [True, False])
def test_an_update_agrees_with_factoring_anew(name, every):
    net = network(name)
    rows = np.arange(0, len(net.frame), 4) if every else key_rows(len(net.frame))
    share = len(net.frame) / len(rows)
    long = np.flatnonzero(net.seen[rows].sum(0) >= 4)
    tracks = long[:: max(1, len(long) // 6)][:6]
    less = without(net, tracks)
    core = core_of(less, rows)
    more = changed(core, delta_of(core, extra_of(net, rows, tracks, [0, 0, 0, 1, 1, 2])))
    anew = solved_again(net, rows, share)[core.rows.searchsorted(rows[core.asked])]
    all_three = changed(core, delta_of(core, extra_of(net, rows, tracks, [0] * 6)))
    np.testing.assert_allclose(all_three.slide_px2[0], anew, rtol=1e-8, atol=1e-8 * np.abs(anew).max())
    for group, some in enumerate((tracks[:3], tracks[3:5], tracks[5:])):
        part = solved_again(without(net, np.setdiff1d(tracks, some)), rows, share)[core.asked]
        np.testing.assert_allclose(more.slide_px2[group], part, rtol=1e-8, atol=1e-8 * np.abs(part).max())
    # and back: what is taken away from the whole leaves what was there before
    whole = core_of(net, rows)
    back = changed(whole, delta_of(whole, extra_of(net, rows, tracks, [0] * 6)), -1.0)
    before = standing_still(core)
    size = np.abs(before.slide_px2).max()
    np.testing.assert_allclose(back.slide_px2[0], before.slide_px2[0], rtol=1e-8, atol=1e-8 * size)


def test_many_changes_at_once_equal_one_after_the_other_and_information_only_grows():
    net = network("CA040")
    rows = key_rows(len(net.frame))
    tracks = np.flatnonzero(net.seen[rows].sum(0) >= 3)[:30]
    core = core_of(without(net, tracks), rows)
    group = np.arange(30) // 3
    delta = delta_of(core, extra_of(net, rows, tracks, group))
    together = changed(core, delta)
    before = standing_still(core)
    assert (together.information > before.information[0]).all()
    # What is the same in every take may add up, or cancel: the rest can only get smaller.
    still, without_pull = replace(core, pull=0 * core.pull), replace(delta, pull=0 * delta.pull)
    sure = np.trace(standing_still(still).slide_px2[0], axis1=-2, axis2=-1) * (1 + 1e-9)
    assert (np.trace(changed(still, without_pull).slide_px2, axis1=-2, axis2=-1) <= sure).all()
    for one in range(10):
        alone = changed(core, delta_of(core, extra_of(net, rows, tracks[group == one], [0, 0, 0])))
        np.testing.assert_allclose(alone.slide_px2[0], together.slide_px2[one], rtol=1e-9)
        sign, size = np.linalg.slogdet(core.matrix + delta[[one]].matrices()[0])
        assert sign == 1
        assert abs(size - together.information[one]) < 1e-9 * abs(size)


def test_what_can_not_be_seen_twice_changes_nothing_and_what_fixes_nothing_is_told():
    net = network("CA040")
    rows = key_rows(len(net.frame))
    core = core_of(net, rows)
    tracks = np.flatnonzero(net.seen[rows].sum(0) >= 3)[:2]
    extra = extra_of(net, rows, tracks, [0, 1])
    once = np.zeros_like(extra.seen)
    once[5] = extra.seen[5]
    assert not delta_of(core, replace(extra, seen=once)).matrices().any()
    every = np.flatnonzero(net.seen[rows].sum(0) >= 2)
    nothing = changed(core, delta_of(core, extra_of(net, rows, every, [0] * len(every))), -1.0)
    assert not np.isfinite(nothing.information[0]) or (np.trace(nothing.slide_px2[0, 0]) > 1e6)


def test_moving_the_stage_leaves_the_slide():
    net = network("MB040")
    turn = np.eye(4)
    turn[:2, :2] = [[0.6, -0.8], [0.8, 0.6]]
    turn[:3, 3] = [3.0, -20.0, 1.5]
    moved = replace(
        net, action_m=turn[:3, :3] @ net.action_m + turn[:3, 3],
        truth=net.truth.with_parts(
            world_from_cam=turn @ net.truth.world_from_cam, points_m=net.truth.points_m @ turn[:3, :3].T + turn[:3, 3]
        ),
    )  # fmt: skip
    one, other = standing_still(core_of(net)), standing_still(core_of(moved))
    np.testing.assert_allclose(one.slide_px2, other.slide_px2, rtol=1e-6, atol=1e-6 * one.slide_px2.max())
