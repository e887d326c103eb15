import numpy as np
import pytest
from scatterproof.solve.adjustment import Rule, adjust
from scatterproof.solve.align import Similarity, align_scenes
from scatterproof.solve.covariance import FIRST_CAMERA, INNER, inform, marginals, solvability
from scatterproof.solve.network import K1, Scene, Survey, Tracks, Unknowns
from scatterproof.solve.normal import gauge_modes, lay_out, rotation_of, state_of
from scatterproof.solve.response import pose_squares
from scatterproof.solve.slide import measure_slide, radius, slide, slow_part
from scatterproof.solve.track_errors import TrackErrors, add_up, run_starts, simulate, track_covariance, wandering
from small_networks import ALL, KINDS, dense, gappy_shot
from staged_shot import CENTRE_PX, look_at, nudged, seen_by, staged_shot

ACTION = np.array([0.2, 0.5, 1.0])


def dense_covariance(tracks, scene, unknowns, hold, survey=None):
    """Covariance of centres and turns (F, 6 + own), points, shared unknowns with K^T x = 0, by one bordered system.

    ``hold`` names the datum. Own assembly, own elimination: only the Jacobian rows are the engine's.
    """
    layout = lay_out(tracks, unknowns, survey)
    state = state_of(scene, layout)
    state.distorted |= bool(unknowns.distortion)
    jacobian, _ = dense(layout, state, survey=survey)
    f, n, c = len(layout.frame_ids), len(layout.point_ids), unknowns.per_frame
    # To centre and turn: shift v and turn w of the world move the centre by -v - w x (centre - pivot).
    change = np.eye(jacobian.shape[1])
    for i, arm in enumerate(state.centre - state.pivot):
        block = np.eye(c)
        block[:3, :3], block[3:6, 3:6] = -np.eye(3), -np.eye(3)
        block[:3, 3:6] = -np.cross(np.eye(3), arm).T
        change[c * i : c * i + c, c * i : c * i + c] = block
    normal = jacobian.T @ jacobian
    back = np.linalg.inv(change)
    normal = back.T @ normal @ back
    frames, points = gauge_modes(layout, state)
    gauge = change @ np.concatenate(
        [frames.reshape(-1, 7), points.transpose(1, 0, 2).reshape(-1, 7), np.zeros((len(unknowns.shared), 7))]
    )
    k = np.zeros_like(gauge)
    if isinstance(hold, str) and hold == INNER:
        position = np.zeros(len(gauge), bool)
        position[: c * f] = np.tile(np.arange(c) < 3, f)
        position[c * f : c * f + 3 * n] = True
        k[position] = gauge[position]
    elif isinstance(hold, str):
        k[:6, :6] = np.eye(6)
        away = state.centre - state.centre[0]
        far = int(np.argmax(np.linalg.norm(away, axis=1)))
        k[c * far : c * far + 3, 6] = away[far]
    else:
        for place in np.flatnonzero(np.isin(layout.point_ids, hold)):
            at = slice(c * f + 3 * place, c * f + 3 * place + 3)
            k[at] = gauge[at]
    if survey is not None and len(survey) >= 3:
        k = k[:, :0]
    size = np.sqrt(np.diag(normal))
    k = k / size[:, None]
    k = k / np.linalg.norm(k, axis=0)
    d = k.shape[1]
    bordered = np.block([[normal / size / size[:, None], k], [k.T, np.zeros((d, d))]])
    cov = np.linalg.inv(bordered)[: len(size), : len(size)] / size / size[:, None]
    order = np.argsort(layout.point_ids)
    pose = np.array([cov[c * i : c * i + c, c * i : c * i + c] for i in range(f)])
    point = np.array([cov[c * f + 3 * i :][:3, c * f + 3 * i :][:, :3] for i in order])
    return pose, point, cov[c * f + 3 * n :, c * f + 3 * n :]


@pytest.mark.parametrize("kind", ["fixed", "shared", "zoom", "lens"])
@pytest.mark.parametrize("keep_points", [True, False])
@pytest.mark.parametrize("datum", [INNER, FIRST_CAMERA, "points"])
def test_marginals_are_those_of_the_dense_matrix(kind, keep_points, datum):
    truth, tracks, rng = gappy_shot()
    hold = np.array([3, 8, 21, 22]) if datum == "points" else datum
    truth = truth.with_parts(distortion=rng.normal(0, 0.02, 5) * (kind == "lens"))
    ours = marginals(inform(tracks, truth, KINDS[kind], keep_points=keep_points), hold)
    pose, point, shared = dense_covariance(tracks, truth, KINDS[kind], hold)
    for mine, theirs in ((ours.pose, pose), (ours.point_m2, point), (ours.shared[None], shared[None])):
        size = np.sqrt(np.einsum("...ii->...i", theirs).max(0))  # of each unknown, in its own unit
        assert np.abs((mine - theirs) / (size * size[:, None])).max(initial=0) < 1e-7


def test_a_survey_is_a_datum_of_its_own():
    truth, tracks, rng = gappy_shot()
    who = np.array([2, 9, 13, 25])
    root = rng.normal(0, 0.01, (12, 12))
    survey = Survey(who, truth.points_m[who], root @ root.T + 1e-6 * np.eye(12))
    ours = marginals(inform(tracks, truth, Unknowns("shared"), survey))
    pose, point, shared = dense_covariance(tracks, truth, Unknowns("shared"), INNER, survey)
    assert np.allclose(ours.pose, pose, rtol=1e-6, atol=1e-12)
    assert np.allclose(ours.point_m2, point, rtol=1e-6, atol=1e-12)
    assert np.allclose(ours.shared, shared, rtol=1e-6)
    one = Survey(who[:1], truth.points_m[who[:1]], 1e-4 * np.eye(3))
    information = inform(tracks, truth, Unknowns(), one)
    assert information.frame_gauge.shape[2] == 4
    assert np.isfinite(marginals(information).point_m2).all()
    with pytest.raises(ValueError, match="survey already fixes"):
        marginals(information, FIRST_CAMERA)


def test_inner_constraints_have_the_smallest_trace():
    # Triggs et al. 2000, gauge section (from memory): no other datum has a smaller summed variance.
    truth, tracks, _ = gappy_shot()
    information = inform(tracks, truth, Unknowns("shared"))

    def trace(datum):
        c = marginals(information, datum)
        return np.trace(c.pose[:, :3, :3].sum(0)) + np.trace(c.point_m2.sum(0))

    least = trace(INNER)
    for datum in (FIRST_CAMERA, np.arange(5), np.arange(10, 30)):
        assert trace(datum) > least
    points = np.trace(marginals(information, np.arange(30)).point_m2.sum(0))
    assert points < np.trace(marginals(information, INNER).point_m2.sum(0))


def test_what_is_not_fixed_is_nan_and_hopeless_networks_are_none():
    truth, uv = staged_shot(12, 20, 0.1)
    uv[4] = np.nan
    uv[:, 6] = np.nan
    c = marginals(inform(Tracks.from_grid(uv), truth, Unknowns()))
    assert np.isnan(c.pose[4]).all()
    assert np.isnan(c.point_m2[6]).all()
    assert np.isfinite(c.centre_sigma_m[[0, 5]]).all()
    nothing = Tracks.from_grid(np.full_like(uv, np.nan))
    assert inform(nothing, truth, Unknowns()) is None
    assert solvability(None) == 0.0
    with pytest.raises(ValueError, match="some points"):
        marginals(inform(Tracks.from_grid(uv), truth, Unknowns()), np.array([1, 6]))
    with pytest.raises(ValueError, match="wanted 'inner"):
        marginals(inform(Tracks.from_grid(uv), truth, Unknowns()), "the moon")


@pytest.mark.parametrize("kind", ["fixed", "shared", "zoom", "lens"])
@pytest.mark.parametrize("keep_points", [True, False])
def test_the_flag_is_the_first_eigenvalue_after_the_gauge(kind, keep_points):
    truth, tracks, _ = gappy_shot()
    u = KINDS[kind]
    layout = lay_out(tracks, u)
    state = state_of(truth, layout)
    jacobian, _ = dense(layout, state)
    c = u.per_frame
    for i, arm in enumerate(state.centre - state.pivot):
        block = np.eye(c)
        block[:3, :3], block[3:6, 3:6] = -np.eye(3), -np.eye(3)
        block[:3, 3:6] = -np.cross(np.eye(3), arm).T
        jacobian[:, c * i : c * i + c] = jacobian[:, c * i : c * i + c] @ np.linalg.inv(block)
    jacobian /= np.linalg.norm(jacobian, axis=0)
    values = np.linalg.svd(jacobian, compute_uv=False)[::-1] ** 2
    assert (values[:7] < 1e-13).all()
    assert solvability(inform(tracks, truth, u, keep_points=keep_points), 1e-6) == pytest.approx(values[7], rel=1e-3)


def test_a_flat_wall_with_unknown_focal_length_is_flagged():
    rng = np.random.default_rng(0)
    centre = np.column_stack([np.linspace(-0.2, 0.2, 40), np.linspace(-6, -4.5, 40), np.full(40, 1.6)])
    pose = look_at(centre, np.array([0.0, 3.0, 1.6]))
    wall = np.column_stack([rng.uniform(-2.5, 2.5, 50), np.full(50, 0.0), rng.uniform(0.3, 3, 50)])
    stands = np.column_stack(
        [np.repeat([-0.8, 0.9], 6), np.repeat([-2.5, -3.0], 6), np.tile(np.linspace(0.4, 2.6, 6), 2)]
    )
    flags = {}
    for name, points in (("wall", wall), ("stands", np.vstack([wall, stands]))):
        scene = Scene(pose, points, 1500.0, CENTRE_PX)
        tracks = Tracks.from_grid(seen_by(scene), covariance_px2=0.01)
        flags[name] = (
            solvability(inform(tracks, scene, Unknowns())),
            solvability(inform(tracks, scene, Unknowns("shared"))),
        )
    assert flags["stands"][0] > 1e-5
    assert flags["wall"][1] < 1e-8
    assert flags["wall"][1] < flags["wall"][0] < flags["stands"][0]
    assert flags["stands"][1] > 500 * flags["wall"][1]


def moved_scene(scene, scale=2.5):
    turn = rotation_of(np.array([0.3, -0.5, 1.0]))
    return Similarity(turn, scale, np.array([10.0, -20.0, 3.0]), 0.0).move(scene), turn


def test_moving_the_stage_turns_covariances_and_leaves_slide_alone():
    truth, tracks, _ = gappy_shot()
    there, turn = moved_scene(truth)
    move = Similarity(turn, 2.5, np.array([10.0, -20.0, 3.0]), 0.0)
    one, two = inform(tracks, truth, Unknowns("shared")), inform(tracks, there, Unknowns("shared"))
    a, b = marginals(one), marginals(two)
    assert np.allclose(2.5**2 * turn @ a.point_m2 @ turn.T, b.point_m2, rtol=1e-6, atol=1e-10)
    assert np.allclose(2.5**2 * turn @ a.pose[:, :3, :3] @ turn.T, b.pose[:, :3, :3], rtol=1e-6, atol=1e-10)
    assert np.allclose(turn @ a.pose[:, 3:, 3:] @ turn.T, b.pose[:, 3:, 3:], rtol=1e-6, atol=1e-12)
    assert np.allclose(a.shared, b.shared, rtol=1e-6)
    s, t = slide(one, ACTION), slide(two, move.apply(ACTION))
    assert np.allclose(s.drift_px2, t.drift_px2, rtol=1e-6, atol=1e-9)
    assert np.allclose(s.jitter_px2, t.jitter_px2, rtol=1e-6, atol=1e-9)
    drift, jitter = measure_slide(align_scenes(there, truth).move(there), truth, ACTION)
    assert max(np.abs(drift).max(), np.abs(jitter).max()) < 1e-6


def test_slide_by_both_eliminations_and_by_white_errors_spelled_out():
    truth, tracks, _ = gappy_shot()
    unknowns = Unknowns("shared", (K1,))
    one, two = (inform(tracks, truth, unknowns, keep_points=k) for k in (True, False))
    cov = np.zeros((12, 30, 2, 2))
    w = tracks.white
    root = np.linalg.inv(np.stack([w[:, 0], w[:, 1], 0 * w[:, 0], w[:, 2]], -1).reshape(-1, 2, 2))
    cov[tracks.frame, tracks.point] = root @ root.transpose(0, 2, 1)
    wanted = slide(one, ACTION)
    for information in (one, two):
        for errors in (None, TrackErrors(cov)):
            s = slide(information, ACTION, tracks=tracks, errors=errors)
            assert np.allclose(s.drift_px2, wanted.drift_px2, rtol=1e-6, atol=1e-10)
            assert np.allclose(s.jitter_px2, wanted.jitter_px2, rtol=1e-6, atol=1e-10)
        pose = pose_squares(information, tracks, TrackErrors(cov))
        assert np.allclose(pose, marginals(information).pose[:, :6, :6], rtol=1e-6, atol=1e-12)
    view = np.ones(12, bool)
    view[[0, 5]] = False
    part = slide(one, ACTION, view, delivery_scale=2.0)
    assert np.isnan(part.drift_px2[[0, 5]]).all()
    assert np.isfinite(part.drift_95_px[view]).all()
    assert np.isnan(part.drift_95_px[~view]).all()
    with pytest.raises(ValueError, match="tracks they belong to"):
        slide(one, ACTION, errors=TrackErrors(1.0))


@pytest.mark.parametrize("seen", [False, True], ids=["behind every camera", "not asked about"])
@pytest.mark.parametrize("coloured", [False, True])
def test_a_point_without_any_frame_has_no_slide(seen, coloured):
    truth, tracks, _ = gappy_shot()
    information = inform(tracks, truth, Unknowns("shared"))
    errors = TrackErrors(1.0) if coloured else None
    none = np.zeros(12, bool)
    asked = {"frames": none} if seen else {"in_view": none}
    nothing = slide(information, ACTION, tracks=tracks, errors=errors, **asked)
    assert nothing.drift_px2.shape == (12, 2, 2)
    assert np.isnan(nothing.drift_px2).all()
    assert np.isnan(nothing.jitter_px2).all()


def test_the_slow_part_keeps_straight_lines_and_takes_noise_off():
    frame = np.array([3, 4, 5, 6, 7, 8, 9, 10, 20, 21, 40])
    smooth = slow_part(frame)
    assert np.allclose(smooth @ (2.0 - 0.3 * frame), 2.0 - 0.3 * frame)
    assert smooth[-1, -1] == 1
    middle = slow_part(np.arange(50))[25]
    assert np.allclose(middle[21:30], 1 / 9)
    assert np.count_nonzero(middle) == 9


def test_radius_has_its_two_closed_forms():
    # Rayleigh for equal sigmas, the two-sided normal quantile for one of them zero.
    assert radius(np.eye(2), 0.95) == pytest.approx(np.sqrt(-2 * np.log(0.05)), rel=1e-9)
    assert radius(np.diag([4.0, 0.0]), 0.95) == pytest.approx(2 * 1.959964, rel=1e-3)
    cov = np.array([[2.0, 0.7], [0.7, 0.5]])
    draws = np.random.default_rng(0).multivariate_normal([0, 0], cov, 400_000)
    assert np.mean(np.linalg.norm(draws, axis=1) < radius(cov, 0.95)) == pytest.approx(0.95, abs=0.0015)


def test_track_errors_add_up_along_runs_only():
    seen = np.array([1, 1, 1, 0, 1, 1], bool)[:, None]
    assert run_starts(seen)[:, 0].tolist() == [True, False, False, False, True, False]
    assert add_up(np.arange(1.0, 7)[:, None], seen)[:, 0].tolist() == [0, 2, 5, 0, 0, 6]
    with pytest.raises(ValueError, match="negative"):
        TrackErrors(walk_px=-1.0).over(2, 2)


def test_simulated_errors_have_the_stated_covariance():
    rng = np.random.default_rng(1)
    seen = np.ones((9, 3), bool)
    seen[4, 0] = seen[0, 1] = False
    root = rng.normal(0, 0.2, (9, 3, 2, 2))
    errors = TrackErrors(root @ root.transpose(0, 1, 3, 2), np.array([0.1, 0.0, 0.05]), rng.uniform(0, 0.05, (9, 3)))
    draws = np.array([simulate(errors, seen, rng) for _ in range(20_000)])
    for track, stated in enumerate(track_covariance(errors, seen)):
        flat = draws[:, :, track].reshape(len(draws), -1)
        sample = flat.T @ flat / len(flat)
        wanted = stated.reshape(18, 18)
        size = np.sqrt(np.diag(wanted))
        assert np.abs(sample - wanted).max() < 0.05 * size.max() ** 2
    assert np.array_equal(
        simulate(errors, seen, np.random.default_rng(5)), simulate(errors, seen, np.random.default_rng(5))
    )


def test_wandering_is_the_variance_about_a_track_s_own_mean():
    seen = np.ones((60, 2), bool)
    errors = TrackErrors(0.0, np.array([0.1, 0.0]), np.array([0.0, 0.05]))
    draws = np.array([simulate(errors, seen, np.random.default_rng(seed)) for seed in range(12_000)])
    measured = np.var(draws, axis=1).mean((0, -1))
    assert wandering(errors, seen)[0] == pytest.approx(measured, rel=0.05)
    assert np.ptp(wandering(errors, seen), axis=0).max() == 0
    assert not wandering(TrackErrors(0.3), seen).any()


@pytest.mark.parametrize("colour", ["white", "walking", "leaning"])
def test_prediction_and_simulation_agree(colour):
    takes = 200
    truth, _ = staged_shot(30, 40, 0.0, 3)
    clean = seen_by(truth)
    seen = np.random.default_rng(2).random(clean.shape[:2]) < 0.9
    lean = np.zeros((30, 40, 2))
    lean[:, :6, 1] = 0.01 * np.arange(30)[:, None] ** 1.5 * [1, -1, 1, 1, 1, 1]
    errors = {
        "white": TrackErrors(0.09), "walking": TrackErrors(0.01, 0.06, 0.03), "leaning": TrackErrors(0.01, 0, 0, lean)
    }[colour]  # fmt: skip
    tracks = Tracks.from_grid(clean, seen, 0.09)
    u = Unknowns("shared")
    information = inform(tracks, truth, u)
    wanted = slide(information, ACTION, tracks=tracks, errors=errors)
    drift, jitter, focal, centre, turn = [], [], [], [], []
    for take in range(takes):
        uv = clean + simulate(errors, seen, np.random.default_rng(take))
        done = adjust(Tracks.from_grid(uv, seen, 0.09), truth, u, rule=Rule(0, 0.01))
        assert done.converged
        solved = align_scenes(done.scene, truth).move(done.scene)
        d, j = measure_slide(solved, truth, ACTION)
        drift.append(d)
        jitter.append(j)
        focal.append(done.scene.focal_px[0])
        centre.append(solved.centres_m - truth.centres_m)
        turn.append(solved.world_from_cam[:, :3, :3] @ truth.world_from_cam[:, :3, :3].transpose(0, 2, 1))

    def rms(values):
        return np.sqrt(np.mean(np.sum(np.square(values), axis=-1), axis=0))

    assert np.median(rms(drift) / wanted.drift_sigma_px) == pytest.approx(1, abs=0.10)
    assert np.median(rms(jitter) / wanted.jitter_sigma_px) == pytest.approx(1, abs=0.10)
    if colour == "walking":
        white = slide(information, ACTION)
        assert np.median(white.jitter_sigma_px / wanted.jitter_sigma_px) > 2  # white noise would mislead
    pose = pose_squares(information, tracks, errors)
    sigma = np.sqrt(np.trace(pose[:, :3, :3], axis1=1, axis2=2)), np.sqrt(np.trace(pose[:, 3:, 3:], axis1=1, axis2=2))
    assert np.median(rms(centre) / sigma[0]) == pytest.approx(1, abs=0.10)
    turn = np.array(turn)
    angle = np.stack([turn[..., 2, 1], turn[..., 0, 2], turn[..., 1, 0]], -1)
    assert np.median(rms(angle) / sigma[1]) == pytest.approx(1, abs=0.10)
    if colour != "white":
        return
    predicted = marginals(information)
    assert np.allclose(sigma[0], predicted.centre_sigma_m, rtol=1e-6)
    assert np.std(focal) == pytest.approx(np.sqrt(predicted.shared[0, 0]), rel=4 / np.sqrt(2 * takes))
    beyond = np.linalg.norm(drift, axis=-1) > wanted.drift_95_px
    assert beyond.mean() == pytest.approx(0.05, abs=0.02)


def test_noisier_tracks_and_fewer_tracks_are_worse():
    truth, _, _ = gappy_shot()
    grid = seen_by(truth)
    full = inform(Tracks.from_grid(grid, covariance_px2=0.04), truth, Unknowns("shared", ALL))
    noisy = inform(Tracks.from_grid(grid, covariance_px2=0.16), truth, Unknowns("shared", ALL))
    assert np.allclose(slide(noisy, ACTION).drift_px2, 4 * slide(full, ACTION).drift_px2, rtol=1e-6)
    fewer = inform(Tracks.from_grid(np.where(np.arange(30)[:, None] < 20, grid, np.nan), covariance_px2=0.04), truth,
                   Unknowns("shared", ALL))  # fmt: skip
    assert (slide(fewer, ACTION).drift_sigma_px > slide(full, ACTION).drift_sigma_px).all()
    assert np.all(np.linalg.eigvalsh(marginals(fewer).shared - marginals(full).shared) > 0)
    assert nudged(truth, 1) is not truth
