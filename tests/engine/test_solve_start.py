import numpy as np
import pytest
from scatterproof.solve.align import align, align_scenes
from scatterproof.solve.covariance import inform, marginals
from scatterproof.solve.network import K1, Scene, Tracks, Unknowns
from scatterproof.solve.normal import Loss, cross_matrix, rotation_of
from scatterproof.solve.resection import refine_poses, resect, three_point, triangulate
from scatterproof.solve.start import BROKEN, FEW_TRACKS, NO_MOTION, NO_PAIR, ON_A_LINE, Lens, start
from scatterproof.solve.track_errors import TrackErrors, simulate
from scatterproof.solve.twoview import (
    best_turn,
    decompose_essential,
    decompose_homography,
    fit_homography,
    five_point,
    gric,
    sampson,
    transfer,
    two_views,
)
from staged_shot import CENTRE_PX, FOCAL_PX, look_at, seen_by, staged_shot

LENS = Lens(FOCAL_PX * 1.02, CENTRE_PX)


def dirty(uv, seed, share=0.02, seen=None):
    """Tracks with a tenth of the sightings missing and some blunders."""
    rng = np.random.default_rng(seed)
    uv = uv.copy()
    bad = rng.random(uv.shape[:2]) < share
    uv[bad] += rng.normal(0, 25, (int(bad.sum()), 2))
    return Tracks.from_grid(uv, (rng.random(uv.shape[:2]) < 0.9) & (True if seen is None else seen), 0.04)


def centre_error(done, truth):
    """Root mean square distance of the solved camera centres after alignment."""
    frames, points = done.adjusted.frames_used, done.adjusted.points_used
    solved = align_scenes(done.scene, truth, frames, points).move(done.scene)
    return np.sqrt(np.mean(np.sum((solved.centres_m - truth.centres_m)[frames] ** 2, axis=1)))


def test_five_points_give_the_motion_back():
    rng = np.random.default_rng(0)
    turn, shift = rotation_of(np.array([0.1, -0.2, 0.05])), np.array([0.8, 0.1, -0.3])
    points = rng.uniform([-2, -2, 4], [2, 2, 8], (40, 5, 3))
    points[20:, :, 2] = 5 + 0.3 * points[20:, :, 0]  # samples of one plane too
    moved = points @ turn.T + shift
    found, real = five_point(points[..., :2] / points[..., 2:], moved[..., :2] / moved[..., 2:])
    wanted = cross_matrix(shift) @ turn
    wanted /= np.linalg.norm(wanted)
    gap = np.minimum(np.abs(found - wanted).max((2, 3)), np.abs(found + wanted).max((2, 3)))
    best = np.where(real, gap, np.inf).min(1)
    assert np.median(best) < 1e-10
    assert (best < 1e-6).mean() > 0.95
    # Each real root obeys the essential constraint (Hartley & Zisserman 2003): 2 E E^T E = tr(E E^T) E.
    e = found[real]
    square = e @ e.transpose(0, 2, 1)
    left = 2 * square @ e - np.trace(square, axis1=1, axis2=2)[:, None, None] * e
    assert np.quantile(np.abs(left).max((1, 2)), 0.95) < 1e-8


def test_three_points_give_the_pose_back_stacked_or_one_by_one():
    rng = np.random.default_rng(1)
    points = rng.uniform([-2, -2, 3], [2, 2, 9], (100, 3, 3))
    turn, shift = rotation_of(rng.normal(0, 0.3, (100, 3))), rng.normal(0, 0.5, (100, 3))
    cam = np.einsum("sij,spj->spi", turn, points) + shift[:, None]
    xy = cam[..., :2] / cam[..., 2:]
    found, real = three_point(points, xy)
    gap = np.abs(found - np.concatenate([turn, shift[..., None]], -1)[:, None]).max((2, 3))
    best = np.where(real, gap, np.inf).min(1)
    ahead = (cam[..., 2] > 0).all(1)
    assert (best[ahead] < 1e-6).mean() > 0.97
    for i in (0, 17, 99):
        one, alone = three_point(points[i : i + 1], xy[i : i + 1])
        assert np.array_equal(alone[0], real[i])
        assert np.allclose(one[0][alone[0]], found[i][real[i]], atol=1e-9)


def test_an_essential_matrix_has_four_motions_and_a_homography_too():
    turn, shift = rotation_of(np.array([0.02, -0.15, 0.01])), np.array([0.5, -0.1, 0.05])
    rotations, shifts = decompose_essential(cross_matrix(shift) @ turn)
    gap = np.abs(rotations - turn).max((1, 2)) + np.abs(shifts - shift / np.linalg.norm(shift)).max(1)
    assert gap.min() < 1e-12
    normal, distance = np.array([0.6, 0.0, 0.8]), 4.0
    for scale in (1.0, -3.0):
        turns, over, normals = decompose_homography(scale * (turn + np.outer(shift, normal) / distance))
        gap = (
            np.abs(turns - turn).max((1, 2)) + np.abs(over - shift / distance).max(1) + np.abs(normals - normal).max(1)
        )
        assert gap.min() < 1e-12
        for r, t, n in zip(turns, over, normals, strict=True):
            assert np.allclose(r + np.outer(t, n), turn + np.outer(shift, normal) / distance, atol=1e-12)
    turns, over, _ = decompose_homography(turn)
    assert np.allclose(turns[0], turn, atol=1e-7)
    assert np.abs(over).max() < 1e-6


def test_the_criterion_tells_plane_from_depth_and_turn_from_travel():
    rng = np.random.default_rng(2)
    turn, shift = rotation_of(np.array([0.02, -0.1, 0.01])), np.array([0.4, 0.1, 0.0])
    sigma = np.full(80, 0.3 / 1500)
    labels = {}
    for name, points, move in (
        ("depth", rng.uniform([-2, -1, 3], [2, 1, 9], (80, 3)), shift),
        ("turn", rng.uniform([-2, -1, 3], [2, 1, 9], (80, 3)), 0 * shift),
        ("plane", np.column_stack([rng.uniform(-2, 2, (80, 2)), np.full(80, 6.0)]), shift),
    ):
        cam = points @ turn.T + move
        x1, x2 = points[:, :2] / points[:, 2:], cam[:, :2] / cam[:, 2:]
        x1, x2 = x1 + rng.normal(0, sigma[0], x1.shape), x2 + rng.normal(0, sigma[0], x2.shape)
        views = two_views(x1, x2, sigma, np.random.default_rng(0))
        labels[name] = views
        if name != "turn":
            aim = views.shift @ move / np.linalg.norm(move)
            assert aim.max() > 0.99
    assert not labels["depth"].turn_only
    assert not labels["plane"].turn_only
    assert labels["turn"].turn_only
    assert not labels["depth"].plane
    # By hand: ten exact correspondences, E: 3 * 10 ln 4 + 5 ln 40.
    assert gric(np.zeros(10), np.ones(10), 3, 5) == pytest.approx(30 * np.log(4) + 5 * np.log(40))
    assert gric(np.full(10, 99.0), np.ones(10), 2, 8) == pytest.approx(40 + 20 * np.log(4) + 8 * np.log(40))


def test_distances_are_in_sigmas():
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(-2, 2, (4000, 2)), np.full(4000, 6.0)])
    turn, shift, s = rotation_of(np.array([0.0, -0.05, 0.0])), np.array([0.3, 0.0, 0.0]), 1e-4
    cam = points @ turn.T + shift
    x1 = points[:, :2] / points[:, 2:] + rng.normal(0, s, (4000, 2))
    x2 = cam[:, :2] / cam[:, 2:] + rng.normal(0, s, (4000, 2))
    assert np.sqrt(np.mean(sampson(cross_matrix(shift) @ turn, x1, x2) ** 2)) / s == pytest.approx(1, rel=0.05)
    plane = turn + np.outer(shift, [0, 0, 1]) / 6
    assert np.sqrt(np.mean(transfer(plane, x1, x2) ** 2) / 2) / s == pytest.approx(1, rel=0.05)


def test_resection_and_triangulation_survive_blunders():
    truth, uv = staged_shot(12, 60, 0.2, 5)
    rng = np.random.default_rng(1)
    bad = rng.random(uv.shape[:2]) < 0.1
    uv[bad] += rng.normal(0, 50, (int(bad.sum()), 2))
    xy, sigma, seen = (uv - CENTRE_PX) / FOCAL_PX, np.full((12, 60), 1 / FOCAL_PX), np.ones((12, 60), bool)
    seen[3, 3:] = False
    poses, share = resect(truth.points_m, xy, sigma, seen, rng)
    assert share[3] == 0
    there = np.arange(12) != 3
    assert (share[there] > 0.7).all()
    tracks = Tracks.from_grid(np.where(seen[..., None], uv, np.nan), covariance_px2=0.04)
    fine = refine_poses(tracks, truth.with_parts(world_from_cam=poses), Loss("cauchy", 2.0))
    assert np.abs(fine.centres_m - truth.centres_m)[there].max() < 0.01
    points, relative = triangulate(truth.world_from_cam, xy, sigma / 5, seen)
    assert np.median(np.linalg.norm(points - truth.points_m, axis=1)) < 0.02
    assert (relative < 0.05).all()
    _, alone = triangulate(truth.world_from_cam[:1], xy[:1], sigma[:1], seen[:1])
    assert np.isinf(alone).all()


def test_the_best_turn_ignores_weightless_rows():
    rng = np.random.default_rng(0)
    turn, a = rotation_of(np.array([0.3, 0.2, -0.4])), rng.normal(size=(5, 10, 3))
    b = a @ turn.T
    b[:, :3] = rng.normal(size=(5, 3, 3))
    weight = np.ones((5, 10))
    weight[:, :3] = 0
    assert np.allclose(best_turn(a, b, weight), turn)
    samples = rng.normal(size=(2, 6, 2))
    h = np.array([[1.1, 0.1, 0.2], [0.0, 0.9, -0.1], [0.05, 0.02, 1.0]])
    image = np.concatenate([samples, np.ones((2, 6, 1))], -1) @ h.T
    found = fit_homography(samples, image[..., :2] / image[..., 2:])
    assert np.allclose(found / found[:, 2:, 2:], h, atol=1e-9)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("wall_only", [False, True])
def test_a_shot_is_solved_from_nothing(seed, wall_only):
    truth, uv = staged_shot(40, 60, 0.2, seed, wall_only)
    done = start(dirty(uv, seed), LENS, seed=seed)
    assert done
    assert not done.rotation_only
    assert not done.lost_frames
    assert done.adjusted.frames_used.all()
    assert done.adjusted.sigma0 == pytest.approx(1, abs=0.06)
    assert 0.005 < 1 - done.kept.mean() < 0.05
    sigma = marginals(inform(dirty(uv, seed), truth, Unknowns("shared"))).centre_sigma_m
    assert centre_error(done, truth) < 3 * np.sqrt(np.mean(sigma**2))
    focal_sigma = np.sqrt(marginals(inform(dirty(uv, seed), truth, Unknowns("shared"))).shared[0, 0])
    assert done.scene.focal_px[0] == pytest.approx(FOCAL_PX, abs=4 * focal_sigma)


def test_the_same_seed_gives_the_same_solve():
    _, uv = staged_shot(30, 40, 0.2, 3)
    one, two = (start(dirty(uv, 1), LENS, seed=7) for _ in range(2))
    assert np.array_equal(one.scene.world_from_cam, two.scene.world_from_cam)
    assert np.array_equal(one.scene.points_m, two.scene.points_m, equal_nan=True)
    assert one.pair == two.pair


def test_wandering_tracks_are_solved_though_their_sigma_is_understated():
    truth, _ = staged_shot(48, 60, 0.0, 2)
    uv = seen_by(truth)
    uv += simulate(TrackErrors(0.01, 0.03, 0.005), np.ones((48, 60), bool), np.random.default_rng(1))
    rng = np.random.default_rng(2)
    bad = rng.random(uv.shape[:2]) < 0.02
    uv[bad] += rng.normal(0, 25, (int(bad.sum()), 2))
    done = start(Tracks.from_grid(uv, covariance_px2=0.01), LENS)
    assert done
    assert not done.lost_frames
    assert centre_error(done, truth) < 0.01


def test_tracks_that_come_and_go_are_chained():
    rng = np.random.default_rng(4)
    centre = np.column_stack(
        [np.linspace(-5, 5, 80), np.full(80, -5.0) + 0.2 * np.sin(np.arange(80) / 9), np.full(80, 1.6)]
    )
    aim = centre + np.column_stack([0.3 * np.sin(np.arange(80) / 11), np.ones(80), np.zeros(80)])
    pose = np.concatenate([look_at(c[None], a) for c, a in zip(centre, aim, strict=True)])
    wall = np.column_stack([rng.uniform(-9, 9, 120), np.zeros(120), rng.uniform(0.2, 3.2, 120)])
    near = np.column_stack([rng.uniform(-9, 9, 40), rng.uniform(-3, -1, 40), rng.uniform(0.2, 2.2, 40)])
    truth = Scene(pose, np.vstack([wall, near]), FOCAL_PX, CENTRE_PX)
    uv = seen_by(truth)
    inside = ((uv > 0) & (uv < 2 * CENTRE_PX)).all(2)
    assert not (inside[0] & inside[-1]).any()
    tracks = dirty(uv + rng.normal(0, 0.2, uv.shape), 1, seen=inside)
    done = start(tracks, Lens(FOCAL_PX, CENTRE_PX), Unknowns(), seed=1)
    assert done
    assert not done.lost_frames
    sigma = marginals(inform(tracks, truth, Unknowns())).centre_sigma_m
    assert centre_error(done, truth) < 3 * np.sqrt(np.mean(sigma**2))


@pytest.mark.parametrize("sweep", [0.0, 0.8])
@pytest.mark.parametrize("walk", [0.0, 0.03])
def test_a_camera_that_only_turns_is_solved_for_rotation_and_labelled(sweep, walk):
    rng = np.random.default_rng(6)
    pan = np.linspace(-sweep / 2, sweep / 2, 40)
    centre = np.array([0.0, -5.0, 1.6])
    pose = np.concatenate([look_at(centre[None], centre + np.array([np.sin(a), np.cos(a), 0.0])) for a in pan])
    points = np.vstack([
        np.column_stack([rng.uniform(-5, 5, 60), np.zeros(60), rng.uniform(0, 3.4, 60)]),
        np.column_stack([rng.uniform(-2, 2, 12), np.full(12, -2.5), rng.uniform(0.8, 2.4, 12)]),
    ])  # fmt: skip
    truth = Scene(pose, points, FOCAL_PX, CENTRE_PX)
    uv = seen_by(truth)
    inside = ((uv > 0) & (uv < 2 * CENTRE_PX)).all(2)
    uv = uv + simulate(TrackErrors(0.04, walk), inside, rng)
    done = start(dirty(uv, 1, seen=inside), LENS)
    assert done
    assert done.rotation_only
    assert done.adjusted.frames_used.all()
    turn = truth.world_from_cam[:, :3, :3] @ done.scene.cam_from_world_rotation
    assert np.abs(turn.transpose(0, 2, 1) @ turn[0] - np.eye(3)).max() < 0.005
    if sweep:
        assert done.scene.focal_px[0] == pytest.approx(FOCAL_PX, rel=0.01)


@pytest.mark.parametrize(("travel", "stands"), [(0.3, 0), (0.6, 0), (2.5, 8)])
@pytest.mark.parametrize("seed", range(3))
def test_a_track_along_a_wall_is_no_turn_through_a_longer_lens(travel, stands, seed):
    rng = np.random.default_rng(seed)
    t = np.linspace(-0.5, 0.5, 40)
    centre = np.column_stack([travel * t, np.full(40, -5.0), np.full(40, 1.6)])
    aim = centre + np.column_stack([0.15 * t, np.ones(40), np.zeros(40)])
    pose = np.concatenate([look_at(c[None], a) for c, a in zip(centre, aim, strict=True)])
    points = np.vstack([
        np.column_stack([rng.uniform(-3, 3, 60), np.zeros(60), rng.uniform(0, 3.4, 60)]),
        np.column_stack([rng.uniform(-1, 1, stands), np.full(stands, -2.5), rng.uniform(0.8, 2.4, stands)]),
    ])  # fmt: skip
    truth = Scene(pose, points, FOCAL_PX, CENTRE_PX)
    uv = seen_by(truth)
    inside = ((uv > 0) & (uv < 2 * CENTRE_PX)).all(2)
    done = start(dirty(uv + rng.normal(0, 0.2, uv.shape), seed, seen=inside), LENS, seed=seed)
    assert done
    assert not done.rotation_only
    assert done.scene.focal_px[0] == pytest.approx(FOCAL_PX, rel=0.05)
    assert centre_error(done, truth) < 0.05


def test_a_few_centimetres_of_unrest_before_stands_are_no_turn():
    rng = np.random.default_rng(8)
    centre = np.array([0.0, -5.0, 1.6]) + 0.02 * np.column_stack([np.sin(np.arange(48) / s) for s in (3, 5, 7)])
    pose = np.concatenate([look_at(c[None], np.array([0.0, 0.5, 1.5])) for c in centre])
    points = np.vstack([
        np.column_stack([rng.uniform(-3, 3, 60), np.zeros(60), rng.uniform(0, 3.4, 60)]),
        np.column_stack([rng.uniform(-1, 1, 6), np.full(6, -2.5), rng.uniform(0.8, 2.4, 6)]),
    ])  # fmt: skip
    truth = Scene(pose, points, FOCAL_PX, CENTRE_PX)
    done = start(dirty(seen_by(truth) + rng.normal(0, 0.2, (48, 66, 2)), 3), Lens(FOCAL_PX, CENTRE_PX), Unknowns())
    assert done
    assert not done.rotation_only
    assert centre_error(done, truth) < 0.01


def test_a_lens_that_bends_is_solved_along():
    truth, _ = staged_shot(40, 80, 0.0, 4)
    xy = (seen_by(truth) - CENTRE_PX) / FOCAL_PX
    r2 = (xy**2).sum(-1, keepdims=True)
    uv = xy * (1 - 0.08 * r2) * FOCAL_PX + CENTRE_PX + np.random.default_rng(0).normal(0, 0.2, xy.shape)
    done = start(dirty(uv, 2), LENS, Unknowns("shared", (K1,)))
    assert done
    assert done.scene.distortion[0, 0] == pytest.approx(-0.08, abs=0.005)
    assert done.adjusted.sigma0 == pytest.approx(1, abs=0.06)


def test_a_zoom_is_solved_with_a_focal_length_per_frame():
    truth, _ = staged_shot(40, 60, 0.0, 7)
    truth = truth.with_parts(focal_px=np.linspace(1300, 1700, 40))
    uv = seen_by(truth) + np.random.default_rng(0).normal(0, 0.2, (40, 60, 2))
    tracks = dirty(uv, 2)
    done = start(tracks, Lens(truth.focal_px * 1.01, CENTRE_PX), Unknowns("frame"))
    assert done
    assert not done.lost_frames
    wanted = marginals(inform(tracks, truth, Unknowns("frame"))).pose[:, 6, 6]
    gap = (done.scene.focal_px - truth.focal_px) / np.sqrt(wanted)
    assert np.sqrt(np.mean(gap**2)) < 3


def test_what_cannot_be_started_says_why():
    truth, uv = staged_shot(20, 30, 0.2)
    few = uv.copy()
    few[:, 7:] = np.nan
    no = start(Tracks.from_grid(few), LENS)
    assert not no
    assert no.code == FEW_TRACKS
    assert no.frames == tuple(range(20))
    apart = np.full((20, 600, 2), np.nan)
    for f in range(20):
        apart[f, 30 * f : 30 * f + 30] = uv[f]
    no = start(Tracks.from_grid(apart), LENS)
    assert not no
    assert no.code == NO_PAIR
    assert "tracks must live longer" in no.remedy
    noise = np.random.default_rng(0).uniform(0, 2000, (20, 30, 2))
    no = start(Tracks.from_grid(noise, covariance_px2=0.04), LENS)
    assert not no
    assert no.code in (NO_MOTION, BROKEN)
    assert no.frames
    with pytest.raises(ValueError, match="focal_px must be"):
        start(Tracks.from_grid(uv), Lens(-1.0, CENTRE_PX))
    with pytest.raises(ValueError, match="distortion has shape"):
        start(Tracks.from_grid(uv), Lens(1.0, CENTRE_PX, (0.0,)))
    line = truth.points_m[0] + np.linspace(0, 1, 30)[:, None] * np.array([0.3, 0.1, 1.0])
    on_line = seen_by(truth.with_parts(points_m=line)) + np.random.default_rng(1).normal(0, 0.2, (20, 30, 2))
    on_line[3, 4] += 50
    no = start(Tracks.from_grid(on_line, covariance_px2=0.04), LENS)
    assert not no
    assert no.code == ON_A_LINE
    assert len(no.frames) == 20


def test_alignment_says_what_is_wrong():
    with pytest.raises(ValueError, match="wanted"):
        align(np.zeros((3, 3)), np.zeros((4, 3)))
    with pytest.raises(ValueError, match="at least two"):
        align(np.zeros((1, 3)), np.zeros((1, 3)))
    with pytest.raises(ValueError, match="coincide"):
        align(np.ones((3, 3)), np.zeros((3, 3)))
    source = np.random.default_rng(0).normal(size=(20, 3))
    turn = rotation_of(np.array([0.2, 0.4, -0.3]))
    found = align(source, 2 * source @ turn.T + 1, rigid=True)
    assert found.scale == 1
    assert np.allclose(found.rotation, turn)
