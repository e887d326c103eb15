import dataclasses

import numpy as np
import pytest
from scatterproof.solve.adjustment import COST, EMPTY, SINGULAR, STEP, STUCK, Rule, adjust
from scatterproof.solve.align import align
from scatterproof.solve.network import Scene, Survey, Tracks, Unknowns
from scatterproof.solve.normal import (
    Loss,
    Unknown,
    gauge_modes,
    gradient_of,
    lay_out,
    moved,
    reduce,
    residuals_of,
    rotation_of,
    state_of,
)
from small_networks import ALL, KINDS, dense, gappy_shot
from staged_shot import CENTRE_PX, look_at, nudged, seen_by, staged_shot


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("keep_points", [True, False])
def test_the_jacobian_leaves_a_second_order_remainder(kind, keep_points):
    truth, tracks, rng = gappy_shot()
    truth = truth.with_parts(distortion=rng.normal(0, 0.02, (len(truth), 5)) * (kind != "fixed"))
    layout = lay_out(tracks, KINDS[kind], keep_points=keep_points)
    state = state_of(truth, layout)
    u = layout.unknowns
    frames = rng.normal(0, 1, (len(layout.frame_ids), u.per_frame))
    points, shared = rng.normal(0, 1, state.point.shape), rng.normal(0, 1, len(u.shared))
    for column, inner in enumerate(u.of_frame):
        frames[:, 6 + column] *= 100 if inner == 0 else 0.1
    shared *= [100 if inner == 0 else 0.1 for inner in u.shared]
    jacobian, before = dense(layout, state)
    slope = jacobian @ np.concatenate([frames.ravel(), points.T.ravel(), shared])
    steps = 10.0 ** np.arange(-4.5, -2.4, 0.5)
    remainder = []
    for h in steps:
        after = dense(layout, moved(layout, state, Unknown(h * frames, h * points, h * shared)))[1]
        remainder.append(np.linalg.norm(after - before - h * slope))
    assert np.polyfit(np.log(steps), np.log(remainder), 1)[0] == pytest.approx(2, abs=0.05)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("keep_points", [True, False])
@pytest.mark.parametrize("surveyed", [False, True])
def test_the_reduced_step_is_the_dense_step(kind, keep_points, surveyed):
    truth, tracks, rng = gappy_shot()
    survey = None
    if surveyed:
        who = np.array([2, 7, 11, 20])
        survey = Survey(who, truth.points_m[who] + rng.normal(0, 0.01, (4, 3)), np.full((4, 1, 1), 1e-4) * np.eye(3))
    loss = Loss("cauchy", 2.0)
    layout = lay_out(tracks, KINDS[kind], survey, keep_points)
    state = state_of(nudged(truth, 1, 0.1), layout)
    state.distorted = True
    reduced = reduce(layout, state, loss, survey, 0.0)
    step, square = reduced.solve(reduced.gradient)
    alone = gradient_of(layout, state, loss, survey)
    for name in ("frames", "points", "shared"):
        assert np.allclose(getattr(alone, name), getattr(reduced.gradient, name), rtol=1e-9, atol=1e-6)
    jacobian, residual = dense(layout, state, loss, survey)
    ours = jacobian @ np.concatenate([step.frames.ravel(), step.points.T.ravel(), step.shared])
    # The step itself depends on the gauge; what it does to the sightings does not.
    size = np.linalg.norm(jacobian, axis=0)
    theirs = jacobian / size @ np.linalg.lstsq(jacobian / size, -residual, rcond=1e-13)[0]
    assert np.allclose(ours, theirs, rtol=1e-6, atol=1e-7 * np.linalg.norm(theirs))
    assert square == pytest.approx(theirs @ theirs, rel=1e-7)


@pytest.mark.parametrize(
    ("unknowns", "surveyed", "free"),
    [
        (Unknowns(), 0, 7),
        (Unknowns("shared"), 0, 7),
        (Unknowns("frame", ALL), 0, 7),
        (Unknowns(), 1, 4),
        (Unknowns("shared"), 2, 1),
        (Unknowns("shared"), 3, 0),
    ],
)
def test_gauge_freedoms_are_counted(unknowns, surveyed, free):
    # Seven zero eigenvalues of a calibrated network without control: Triggs et al. 2000, gauge section (from memory).
    truth, tracks, _ = gappy_shot()
    survey = Survey(np.arange(surveyed), truth.points_m[:surveyed], 1e-4 * np.eye(3 * surveyed)) if surveyed else None
    layout = lay_out(tracks, unknowns, survey, keep_points=True)
    state = state_of(truth, layout)
    jacobian, _ = dense(layout, state, survey=survey)
    jacobian /= np.linalg.norm(jacobian, axis=0)
    values = np.linalg.eigvalsh(jacobian.T @ jacobian)
    assert (values[:free] < 1e-12).all()
    assert values[free] > 1e-9
    assert reduce(layout, state, None, survey).gauge.shape[1] == free


def test_gauge_modes_leave_every_residual():
    truth, tracks, _ = gappy_shot()
    layout = lay_out(tracks, Unknowns("shared"))
    state = state_of(nudged(truth, 1), layout)
    jacobian, _ = dense(layout, state)
    frames, points = gauge_modes(layout, state)
    modes = np.concatenate([frames.reshape(-1, 7), points.transpose(1, 0, 2).reshape(-1, 7), np.zeros((1, 7))])
    assert np.abs(jacobian @ modes).max() < 1e-9 * np.abs(jacobian).max()


@pytest.mark.parametrize("kind", KINDS)
def test_both_eliminations_reach_the_same(kind):
    truth, tracks, _ = gappy_shot()
    start = nudged(truth, 3, 0.3)
    one, two = (adjust(tracks, start, KINDS[kind], keep_points=k) for k in (True, False))
    assert one.converged
    assert two.converged
    assert one.cost[-1] == pytest.approx(two.cost[-1], rel=1e-9)
    assert one.sigma0 == pytest.approx(1, abs=0.15)
    rms = [np.concatenate([r.ravel() for _, r in residuals_of(x, state_of(y.scene, x))])
           for x, y in ((lay_out(tracks, KINDS[kind], keep_points=True), one),)]  # fmt: skip
    assert np.sum(rms[0] ** 2) / 2 == pytest.approx(one.cost[-1], rel=1e-12)


def test_noise_free_tracks_give_the_truth_back():
    truth, uv = staged_shot(20, 40, 0.0)
    survey = Survey(np.arange(3), truth.points_m[:3], 1e-6 * np.eye(9))
    done = adjust(Tracks.from_grid(uv), nudged(truth, 1), Unknowns("shared"), survey=survey, rule=Rule(0, 1e-9))
    assert done.cost[-1] < 1e-10
    assert np.abs(done.scene.points_m - truth.points_m).max() < 1e-6
    assert np.abs(done.scene.world_from_cam - truth.world_from_cam).max() < 1e-6
    assert done.scene.focal_px == pytest.approx(truth.focal_px, rel=1e-8)


def test_a_list_in_any_order_equals_the_grid():
    truth, tracks, rng = gappy_shot()
    order = rng.permutation(len(tracks))
    shuffled = Tracks(*(getattr(tracks, n)[order] for n in ("frame", "point", "uv_px", "white")), 12, 30)
    start = nudged(truth, 2, 0.3)
    one, two = adjust(tracks, start), adjust(shuffled, start)
    assert one.cost == two.cost
    assert np.array_equal(one.scene.points_m, two.scene.points_m)


def test_moving_the_whole_stage_moves_the_answer_alike():
    truth, tracks, _ = gappy_shot()
    start = nudged(truth, 2, 0.3)
    turn, shift, size = rotation_of(np.array([0.3, -0.5, 1.0])), np.array([10.0, -20.0, 3.0]), 2.5

    def move(scene):
        pose = scene.world_from_cam.copy()
        pose[:, :3, :3] = turn @ pose[:, :3, :3]
        pose[:, :3, 3] = size * scene.centres_m @ turn.T + shift
        return scene.with_parts(world_from_cam=pose, points_m=size * scene.points_m @ turn.T + shift)

    here = adjust(tracks, start, Unknowns("shared"), rule=Rule(0, 1e-7))
    there = adjust(tracks, move(start), Unknowns("shared"), rule=Rule(0, 1e-7))
    assert here.cost[-1] == pytest.approx(there.cost[-1], rel=1e-10)
    assert here.scene.focal_px == pytest.approx(there.scene.focal_px, rel=1e-7)
    back = align(there.scene.points_m, here.scene.points_m).move(there.scene)
    assert np.abs(here.scene.points_m - back.points_m).max() < 1e-6
    assert np.abs(here.scene.world_from_cam - back.world_from_cam).max() < 1e-6
    # Each step is free of the gauge, so the datum stays about where it was.
    drift = align(there.scene.points_m, move(start).points_m)
    assert drift.scale == pytest.approx(1, abs=0.01)
    assert np.abs(drift.rotation - np.eye(3)).max() < 0.01


def test_a_survey_with_its_full_covariance_is_weighed():
    truth, tracks, rng = gappy_shot()
    who = np.array([1, 5, 9, 17, 25])
    root = rng.normal(0, 0.01, (15, 15))
    cov = root @ root.T + 1e-6 * np.eye(15)
    survey = Survey(who, truth.points_m[who] + (np.linalg.cholesky(cov) @ rng.normal(size=15)).reshape(5, 3), cov)
    done = adjust(tracks, nudged(truth, 2, 0.3), survey=survey, rule=Rule(0, 1e-6))
    layout = lay_out(tracks, Unknowns(), survey)
    assert layout.keeps_points
    jacobian, residual = dense(layout, state_of(done.scene, layout), survey=survey)
    step = np.linalg.lstsq(jacobian, -residual, rcond=None)[0]
    assert np.linalg.norm(jacobian @ step) < 1e-5
    assert done.cost[-1] == pytest.approx(residual @ residual / 2, rel=1e-9)
    with pytest.raises(ValueError, match="points kept"):
        lay_out(tracks, Unknowns(), survey, keep_points=False)


@pytest.mark.parametrize("kind", ["huber", "cauchy"])
def test_a_robust_loss_shrugs_blunders_off(kind):
    truth, uv = staged_shot(30, 60, 0.3, 4)
    rng = np.random.default_rng(5)
    bad = rng.random(uv.shape[:2]) < 0.05
    uv[bad] += rng.normal(0, 30, (int(bad.sum()), 2))
    tracks = Tracks.from_grid(uv, covariance_px2=0.09)
    survey = Survey(np.arange(0, 60, 10), truth.points_m[::10], 1e-8 * np.eye(18))
    start = nudged(truth, 1, 0.2)
    plain = adjust(tracks, start, Unknowns("shared"), survey=survey)
    robust = adjust(tracks, start, Unknowns("shared"), survey=survey, loss=Loss(kind, 2.0))
    error = [np.sqrt(np.mean((x.scene.points_m - truth.points_m) ** 2)) for x in (plain, robust)]
    assert robust.converged
    assert error[1] < error[0] / 4


def test_the_losses_meet_the_quadratic_and_their_slopes_fit():
    for loss in (Loss("huber", 1.5), Loss("cauchy", 1.5)):
        s = np.linspace(1e-3, 30, 500)
        slope = loss.of(s)[1]
        h = 1e-6
        assert np.allclose((loss.of(s + h)[0] - loss.of(s - h)[0]) / (2 * h), slope, atol=1e-5)
        assert loss.of(np.array([1e-9]))[0] == pytest.approx(1e-9, rel=1e-6)


def test_a_zoom_gets_a_focal_length_per_frame():
    truth, _ = staged_shot(40, 80, 0.0)
    truth = truth.with_parts(focal_px=np.linspace(1200, 2000, 40))
    uv = seen_by(truth) + np.random.default_rng(0).normal(0, 0.1, (40, 80, 2))
    start = nudged(truth, 1, 0.3).with_parts(focal_px=truth.focal_px * 1.02)
    done = adjust(Tracks.from_grid(uv, covariance_px2=0.01), start, Unknowns("frame"))
    assert done.converged
    assert done.scene.focal_px == pytest.approx(truth.focal_px, rel=0.01)


def test_a_nodal_shot_solves_for_rotation_only():
    rng = np.random.default_rng(0)
    pan = np.linspace(-0.5, 0.5, 30)
    aim = np.column_stack([np.sin(pan), np.cos(pan), 0.1 * np.cos(9 * pan)])
    centre = np.array([1.0, -2.0, 1.7])
    pose = np.concatenate([look_at(np.zeros((1, 3)), a) for a in aim])
    pose[:, :3, 3] = centre
    points = centre + np.column_stack([rng.uniform(-4, 4, 60), rng.uniform(4, 8, 60), rng.uniform(-1.5, 1.5, 60)])
    truth = Scene(pose, points, 1500.0, CENTRE_PX)
    uv = seen_by(truth)
    uv[(uv < 0).any(2) | (uv > 2 * CENTRE_PX).any(2)] = np.nan
    uv += rng.normal(0, 0.2, uv.shape)
    start = pose.copy()
    start[:, :3, :3] = start[:, :3, :3] @ rotation_of(rng.normal(0, 0.01, (30, 3)))
    scene = Scene(start, points + rng.normal(0, 0.05, points.shape), 1480.0, CENTRE_PX)
    for keep in (True, False):
        tracks = Tracks.from_grid(uv, covariance_px2=0.04)
        done = adjust(tracks, scene, Unknowns("shared", rotation_only=True), keep_points=keep)
        assert done.converged
        assert done.sigma0 == pytest.approx(1, abs=0.1)
        assert np.array_equal(done.scene.centres_m, scene.centres_m)
        assert done.scene.focal_px[0] == pytest.approx(1500, rel=2e-3)
        turn = done.scene.cam_from_world_rotation @ pose[:, :3, :3]
        between = turn.transpose(0, 2, 1) @ turn[15]
        assert np.abs(between - np.eye(3)).max() < 2e-3


def test_frames_and_points_that_nothing_fixes_keep_their_start():
    truth, uv = staged_shot(15, 30, 0.2)
    uv[3] = np.nan
    uv[5, 2:] = np.nan  # two sightings: too few for a pose
    uv[:, 7] = np.nan
    uv[:, 8] = np.nan
    uv[4, 8] = [10.0, 10.0]  # seen once
    start = nudged(truth, 1, 0.3)
    done = adjust(Tracks.from_grid(uv, covariance_px2=0.04), start)
    assert np.flatnonzero(~done.frames_used).tolist() == [3, 5]
    assert np.flatnonzero(~done.points_used).tolist() == [7, 8]
    assert np.array_equal(done.scene.world_from_cam[[3, 5]], start.world_from_cam[[3, 5]])
    assert np.array_equal(done.scene.points_m[[7, 8]], start.points_m[[7, 8]])
    assert done.converged
    assert done.sigma0 == pytest.approx(1, abs=0.15)


def test_hopeless_networks_are_named_not_thrown():
    truth, uv = staged_shot(6, 12, 0.1)
    assert adjust(Tracks.from_grid(np.full_like(uv, np.nan)), truth).reason == EMPTY
    line = truth.points_m[0] + np.linspace(0, 1, 12)[:, None] * np.array([0.3, 0.1, 1.0])
    flat = truth.with_parts(points_m=line)
    done = adjust(Tracks.from_grid(seen_by(flat) + 0.1), nudged(flat, 1, 0.1))
    assert done.reason in (SINGULAR, STUCK, COST, STEP)
    assert np.isfinite(done.scene.world_from_cam).all()
    still = truth.with_parts(world_from_cam=np.tile(truth.world_from_cam[:1], (6, 1, 1)))
    done = adjust(Tracks.from_grid(seen_by(still)), nudged(still, 1, 0.1))
    assert np.isfinite(done.scene.points_m).all()


def test_wrong_calls_say_what_is_wrong():
    truth, uv = staged_shot(4, 10, 0.1)
    bad = uv.copy()
    bad[2, 3] = np.inf
    with pytest.raises(ValueError, match="not finite in frame 2, point 3"):
        Tracks.from_grid(bad, np.ones(uv.shape[:2], bool))
    with pytest.raises(ValueError, match="given twice"):
        Tracks.from_list(np.array([0, 0]), np.array([1, 1]), np.zeros((2, 2)))
    with pytest.raises(ValueError, match="out of range"):
        Tracks.from_list(np.array([0, 9]), np.array([1, 1]), np.zeros((2, 2)), frames=4)
    with pytest.raises(ValueError, match="positive"):
        Tracks.from_grid(uv, covariance_px2=-1.0)
    with pytest.raises(ValueError, match="the start has 4"):
        adjust(Tracks.from_grid(uv[:3]), truth)
    with pytest.raises(ValueError, match="wanted 'fixed'"):
        Unknowns("free")
    with pytest.raises(ValueError, match="not positive definite"):
        Survey(np.array([0]), np.zeros((1, 3)), np.zeros((3, 3)))
    with pytest.raises(ValueError, match="not finite"):
        truth.with_parts(focal_px=np.nan)


def test_results_are_frozen():
    truth, uv = staged_shot(4, 10, 0.1)
    done = adjust(Tracks.from_grid(uv), truth)
    with pytest.raises(dataclasses.FrozenInstanceError):
        done.reason = "none"
    with pytest.raises(ValueError, match="read-only"):
        done.scene.points_m[0] = 0
