"""The solve against published problems, textbook relations and other libraries. Each check names its source."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from ceres_datum import HELD, our_covariance
from published_problem import read_problem
from scatterproof.solve.adjustment import Rule, adjust
from scatterproof.solve.align import align
from scatterproof.solve.covariance import _inverse_triangle, inform, marginals
from scatterproof.solve.network import K1, K2, K3, P1, P2, Scene, Survey, Tracks, Unknowns
from scatterproof.solve.normal import Loss, cross_matrix, lay_out, linearise, rotation_of, state_of
from scatterproof.solve.resection import refine_poses, resect
from scatterproof.solve.twoview import (
    decompose_homography,
    fit_homography,
    five_point,
    transfer,
    triangulate_pair,
    two_views,
)
from skimage.transform import SimilarityTransform
from staged_shot import CENTRE_PX, look_at, staged_shot


def test_the_published_problem_reaches_its_known_cost():
    """Agarwal et al., "Bundle Adjustment in the Large", 2010, problem 16-22106, cameras of f, k1, k2.

    18033.9035 is what Ceres 2.2 and GTSAM reach on the same file.
    """
    tracks, start = read_problem()
    unknowns = Unknowns("frame", (K1, K2), distortion_per_frame=True)
    done = adjust(tracks, start, unknowns, rule=Rule(cost=1e-10, step_sigma=0, damping=1e-4))
    assert done.converged
    assert done.cost[0] == pytest.approx(4185660, rel=1e-6)
    assert done.cost[-1] == pytest.approx(18033.9035, rel=1e-6)
    assert (done.frames_used.sum(), done.points_used.sum(), done.sightings_used) == (16, 22106, 83718)


def test_the_jacobian_is_opencvs():
    """cv2.projectPoints: pixel by rotation vector, translation, focal length, distortion, chained to our unknowns."""
    rng = np.random.default_rng(0)
    points = rng.uniform([-2, -1, 4], [2, 1, 8], (25, 3))
    rotation, centre = rotation_of(np.array([0.1, -0.2, 0.05])), np.array([0.3, -0.2, 0.4])
    lens = np.array([-0.2, 0.05, 0.001, -0.0005, 0.01])
    pose = np.tile(np.eye(4), (2, 1, 1))
    pose[:, :3, :3], pose[:, :3, 3] = rotation.T, centre
    scene = Scene(pose, points, 1000.0, CENTRE_PX, lens, aspect=1.1)
    camera = np.array([[1000, 0, CENTRE_PX[0]], [0, 1100, CENTRE_PX[1]], [0, 0, 1]])
    vector, shift = cv2.Rodrigues(rotation)[0].ravel(), -rotation @ centre
    uv, jac = cv2.projectPoints(points, vector, shift, camera, lens)
    uv, jac = uv[:, 0], jac.reshape(25, 2, -1)
    u = Unknowns("shared", (K1, K2, P1, P2, K3))
    layout = lay_out(Tracks.from_grid(np.stack([uv, uv])), u, keep_points=True)
    state = state_of(scene, layout)
    ours = linearise(layout.slabs[0][0], state, u, None)[0][:, :, np.argsort(layout.point_ids)].transpose(2, 1, 0)
    assert np.abs(ours[..., -1]).max() < 1e-9
    # By shift of the world: our v; by the rotation vector through d(R X) = R (w x (X - pivot)) + R v'.
    by_shift = jac[:, :, 3:6] @ rotation
    assert np.allclose(ours[..., :3], by_shift, rtol=1e-9, atol=1e-7)
    by_turn = np.einsum("nri,nij->nrj", by_shift, -_skew(points - state.pivot))
    assert np.allclose(ours[..., 3:6], by_turn, rtol=1e-9, atol=1e-6)
    by_vector = np.einsum("nri,nij->nrj", by_shift, -_skew(points)) @ _left_slope(vector)
    assert np.allclose(jac[:, :, :3], by_vector, rtol=1e-6, atol=1e-4)
    assert np.allclose(ours[..., 6], jac[:, :, 6:8] @ [1, 1.1], rtol=1e-9)
    assert np.allclose(ours[..., 7:12], jac[:, :, 10:15], rtol=1e-9, atol=1e-9)


def _skew(v):
    x, y, z = np.moveaxis(v, -1, 0)
    o = np.zeros_like(x)
    return np.stack([o, -z, y, z, o, -x, -y, x, o], -1).reshape(*v.shape, 3)


def _left_slope(vector, h=1e-6):
    """(3, 3) turn w of the world, R(vector + d) = R exp(w), by small changes d of the rotation vector."""
    r = rotation_of(vector)
    columns = []
    for axis in np.eye(3):
        change = r.T @ (rotation_of(vector + h * axis) - rotation_of(vector - h * axis)) / (2 * h)
        columns.append([change[2, 1], change[0, 2], change[1, 0]])
    return np.array(columns).T


def test_distortion_is_opencvs_closed_form():
    """Brown 1971 in OpenCV's order; pixel values recomputed with cv2.projectPoints 4.11."""
    lens = np.array([-0.2, 0.05, 0.001, -0.0005, 0.01])
    points = np.array([[0.3, 0.2, 1], [0.9, 0.5, 1], [-0.6, 0.4, 1]])
    wanted = np.array([[1252.425091, 735.123394], [1730.041144, 969.155080], [412.344352, 905.450432]])
    scene = Scene(np.tile(np.eye(4), (2, 1, 1)), points, 1000.0, np.array([960.0, 540.0]), lens)
    layout = lay_out(Tracks.from_grid(np.stack([wanted, wanted])), Unknowns(), keep_points=True)
    residual = linearise(layout.slabs[0][0], state_of(scene, layout), Unknowns(), None)[:, -1]
    assert np.abs(residual).max() < 1e-6


def test_umeyamas_own_example():
    """Umeyama, PAMI 13(4), 1991, the reflection branch; inputs from memory, values recomputed with scikit-image."""
    source, target = np.array([[0.0, 0], [1, 0], [0, 2]]), np.array([[0.0, 0], [-1, 0], [0, 2]])
    ours = align(source, target)
    assert np.allclose(ours.rotation, [[0.832050, 0.554700], [-0.554700, 0.832050]], atol=1e-6)
    assert ours.scale == pytest.approx(0.721110, abs=1e-6)
    assert np.allclose(ours.shift, [-0.8, 0.4], atol=1e-6)
    assert ours.error == pytest.approx(0.533333, abs=1e-6)


@pytest.mark.parametrize("dimension", [2, 3])
def test_alignment_is_scikit_images(dimension):
    rng = np.random.default_rng(dimension)
    for _ in range(20):
        source, target = rng.normal(size=(2, 8, dimension))
        ours = align(source, target)
        theirs = SimilarityTransform.from_estimate(source, target)
        assert np.allclose(ours.scale * ours.rotation, theirs.params[:-1, :-1], atol=1e-12)
        assert np.allclose(ours.shift, theirs.params[:-1, -1], atol=1e-12)


def test_the_hand_case_of_the_schur_complement():
    """N = [4 1 2; 1 3 1; 2 1 5], last unknown eliminated: [3.2 0.6; 0.6 2.8]; exact, by hand (Triggs et al. 2000)."""
    normal = np.array([[4.0, 1, 2], [1, 3, 1], [2, 1, 5]])
    root = _inverse_triangle(np.linalg.cholesky(normal))
    covariance = root.T @ root
    assert np.allclose(covariance[:2, :2], [[0.325581, -0.069767], [-0.069767, 0.372093]], atol=1e-6)
    assert np.allclose(np.linalg.inv(covariance[:2, :2]), [[3.2, 0.6], [0.6, 2.8]], atol=1e-12)


def test_a_convergent_network_is_as_good_as_published():
    """Fraser, "Network design considerations for non-topographic photogrammetry", Photogrammetric Engineering and
    Remote Sensing, 1984: mean standard error of object coordinates = q S sigma / sqrt(k), scale number S = d / f, k
    images at each station; q about 0.4 to 0.8 for strong convergent networks, inner constraints (band from memory).
    """
    rng = np.random.default_rng(0)
    points = rng.uniform(-0.5, 0.5, (60, 3))
    turn = np.arange(4) * np.pi / 2
    centre = 5 * np.column_stack([np.cos(turn) * 0.75, np.sin(turn) * 0.75, np.full(4, 0.66)])
    for images in (1, 2, 4):
        pose = look_at(np.repeat(centre, images, axis=0), np.zeros(3))
        scene = Scene(pose, points, 1500.0, CENTRE_PX)
        tracks = Tracks.from_grid(np.zeros((len(pose), 60, 2)), covariance_px2=0.04)
        variance = np.einsum("nii->ni", marginals(inform(tracks, scene, Unknowns()), np.arange(60)).point_m2)
        mean_error = np.sqrt(variance.mean())
        q = mean_error / (np.linalg.norm(centre[0]) / 1500 * 0.2 / np.sqrt(images))
        assert 0.4 < q < 0.8


def test_pose_covariance_is_that_of_many_solve_pnp_runs():
    """The classical resection covariance sigma^2 (J^T J)^-1 against 2000 noisy runs of cv2.solvePnP (gate 6 %).

    Points known to a micrometre make our network a resection.
    """
    rng = np.random.default_rng(1)
    points = rng.uniform([-2, -1.5, 4], [2, 1.5, 8], (30, 3))
    scene = Scene(np.eye(4)[None], points, 1500.0, CENTRE_PX)
    uv = 1500 * points[:, :2] / points[:, 2:] + CENTRE_PX
    tracks = Tracks.from_grid(uv[None], covariance_px2=0.25**2)
    survey = Survey(np.arange(30), points, 1e-12 * np.eye(90))
    ours = marginals(inform(tracks, scene, Unknowns(), survey)).pose[0]
    camera = np.array([[1500, 0, CENTRE_PX[0]], [0, 1500, CENTRE_PX[1]], [0, 0, 1]])
    runs = []
    for _ in range(2000):
        noisy = uv + rng.normal(0, 0.25, uv.shape)
        _, vector, shift = cv2.solvePnP(points, noisy, camera, None, np.zeros(3), np.zeros(3), True)
        runs.append(np.concatenate([-cv2.Rodrigues(vector)[0].T @ shift, -vector]).ravel())
    ratio = np.std(runs, axis=0) / np.sqrt(np.diag(ours))
    assert np.abs(ratio - 1).max() < 0.06


def test_residuals_and_estimates_share_the_noise_as_in_the_textbook():
    """Hartley & Zisserman 2003, ch. 5 (from memory): rms residual sigma sqrt(1 - d/N), rms estimate sigma sqrt(d/N).

    sigma 0.25 px, a resection of 30 points: d = 6, N = 60: 0.237171 and 0.079057.
    """
    rng = np.random.default_rng(2)
    points = rng.uniform([-2, -1.5, 4], [2, 1.5, 8], (30, 3))
    scene = Scene(np.eye(4)[None], points, 1500.0, CENTRE_PX)
    uv = 1500 * points[:, :2] / points[:, 2:] + CENTRE_PX
    survey = Survey(np.arange(30), points, 1e-14 * np.eye(90))
    residual, estimate = [], []
    for _ in range(400):
        noisy = uv + rng.normal(0, 0.25, uv.shape)
        done = adjust(Tracks.from_grid(noisy[None]), scene, survey=survey, rule=Rule(0, 1e-4))
        moved = done.scene.points_m - done.scene.centres_m[0]
        cam = moved @ done.scene.cam_from_world_rotation[0].T
        drawn = 1500 * cam[:, :2] / cam[:, 2:] + CENTRE_PX
        residual.append(drawn - noisy)
        estimate.append(drawn - uv)
    assert np.sqrt(np.mean(np.square(residual))) == pytest.approx(0.237171, rel=0.01)
    assert np.sqrt(np.mean(np.square(estimate))) == pytest.approx(0.079057, rel=0.04)


def test_pose_covariances_are_ceres():
    """Ceres 2.2 (pyceres 2.6, sparse QR) on the same shot and datum; recorded by bench_adjustment.py --record."""
    truth, uv = staged_shot(12, 30, noise_px=0.3, seed=5)
    file = Path(__file__).parent / "data" / "covariance-ceres.json"
    theirs = np.array(json.loads(file.read_text())["pose"])
    ours = our_covariance(Tracks.from_grid(uv), truth)
    size = np.sqrt(np.einsum("fii->fi", theirs))
    size[-1, 3 + HELD] = 1.0  # held: zero in both
    assert np.abs((ours - theirs) / (size[:, :, None] * size[:, None])).max() < 1e-8


# Hartley & Zisserman, Multiple View Geometry, 2003, ch. 13 (from memory): x2 ~ H x1, H = K (R + t n^T / D) K^-1.
CASE_K = np.array([[1000.0, 0, 960], [0, 1000, 540], [0, 0, 1]])
CASE_R, CASE_T = rotation_of(np.array([0.02, -0.15, 0.01])), np.array([0.5, -0.1, 0.05])
CASE_PLANE = CASE_R + np.outer(CASE_T, [0, 0, 1]) / 4
CASE_H = np.array([
    [1.336522786, 0.008202605, -181.810224103],
    [0.105301197, 1.192324161, -160.7579386],
    [0.000176499, 0.000022634, 1],
])  # fmt: skip


def two_pictures(points):
    moved = points @ CASE_R.T + CASE_T
    return points[:, :2] / points[:, 2:], moved[:, :2] / moved[:, 2:]


def test_a_homography_of_a_plane_is_the_textbooks():
    """Values recomputed with OpenCV's Rodrigues; the plane n.X = D, n = (0, 0, 1), D = 4, in both signs."""
    rng = np.random.default_rng(0)
    plane = np.column_stack([rng.uniform(-2, 2, (12, 2)), np.full(12, 4.0)])
    x1, x2 = two_pictures(plane)
    ours = CASE_K @ fit_homography(x1[None], x2[None])[0] @ np.linalg.inv(CASE_K)
    assert np.allclose(ours / ours[2, 2], CASE_H, rtol=1e-5, atol=1e-7)
    theirs = cv2.findHomography(x1 * 1000 + [960, 540], x2 * 1000 + [960, 540])[0]
    theirs = np.linalg.inv(CASE_K) @ theirs @ CASE_K
    assert transfer(theirs, x1, x2).max() * 1000 < 1e-3
    assert transfer(CASE_PLANE, x1, x2).max() * 1000 < 1e-9
    turns, shifts, normals = decompose_homography(CASE_PLANE)
    gap = np.abs(turns - CASE_R).max((1, 2)) + np.abs(shifts - CASE_T / 4).max(1) + np.abs(normals - [0, 0, 1]).max(1)
    best = int(np.argmin(gap))
    assert gap[best] < 1e-9
    other_sign = turns[best] - np.outer(shifts[best] * 4, normals[best]) / -4  # n.X + d = 0 has d = -D
    assert np.allclose(other_sign, turns[best] + np.outer(shifts[best], normals[best]))
    # The same four motions as OpenCV's.
    pixels = CASE_K @ CASE_PLANE @ np.linalg.inv(CASE_K)
    count, turns_cv, shifts_cv, normals_cv = cv2.decomposeHomographyMat(pixels, CASE_K)
    assert count == 4
    for r, t, n in zip(turns_cv, shifts_cv, normals_cv, strict=True):
        gap = np.abs(turns - r).max((1, 2)) + np.abs(shifts - t.ravel()).max(1) + np.abs(normals - n.ravel()).max(1)
        assert gap.min() < 1e-6


def test_off_plane_points_leave_the_homography_towards_the_epipole():
    """Plane plus parallax, Hartley & Zisserman ch. 13: residuals 39.719457 and 24.598586 px, collinear with K t."""
    for depth, wanted in ((3.0, (39.016985, -7.437076)), (4.0, (0.0, 0.0)), (5.0, (-24.155823, 4.646142))):
        x1, x2 = two_pictures(np.array([[0.8, -0.3, depth]]))
        image = CASE_PLANE @ np.append(x1[0], 1)
        residual = 1000 * (x2[0] - image[:2] / image[2])
        assert np.allclose(residual, wanted, atol=1e-5)
        assert transfer(CASE_PLANE, x1, x2)[0] * 1000 * np.sqrt(2) == pytest.approx(np.linalg.norm(wanted), abs=1e-5)
    x1, x2 = two_pictures(np.array([[0.8, -0.3, 4.0]]))
    assert np.allclose(x2[0] * 1000 + [960, 540], (1129.277613, 424.452784), atol=1e-6)


def test_the_essential_matrix_is_the_textbooks_and_opencvs():
    """E = [t] R: singular values |t| = 0.512347538 twice and 0; the constraint 2 E E^T E = tr(E E^T) E."""
    essential = cross_matrix(CASE_T) @ CASE_R
    assert np.allclose(np.linalg.svd(essential, compute_uv=False), [0.512347538, 0.512347538, 0], atol=1e-9)
    rng = np.random.default_rng(1)
    points = rng.uniform([-2, -1, 3], [2, 1, 8], (60, 3))
    x1, x2 = two_pictures(points)
    found, real = five_point(x1[None, :5], x2[None, :5])
    gap = [min(np.abs(s * e - essential / np.linalg.norm(essential)).max() for s in (1, -1)) for e in found[0][real[0]]]
    assert min(gap) < 1e-9
    p1, p2 = x1 * 1000 + [960, 540], x2 * 1000 + [960, 540]
    e_cv, _ = cv2.findEssentialMat(p1, p2, CASE_K, cv2.RANSAC, 0.999, 0.1)
    turn_cv, shift_cv = cv2.recoverPose(e_cv, p1, p2, CASE_K)[1:3]
    ours = two_views(x1, x2, np.full(60, 1e-4), np.random.default_rng(0))
    assert np.allclose(ours.rotation[0], turn_cv, atol=1e-8)
    assert np.allclose(ours.shift[0], shift_cv.ravel(), atol=1e-8)
    assert np.allclose(ours.shift[0], CASE_T / np.linalg.norm(CASE_T), atol=1e-8)
    depths = triangulate_pair(CASE_R, CASE_T, x1, x2)[0]
    assert np.allclose(depths, points[:, 2], atol=1e-9)
    motion = np.hstack([CASE_R, CASE_T[:, None]])
    theirs = cv2.triangulatePoints(np.eye(3, 4), motion, x1.T, x2.T)
    assert np.allclose((theirs[:3] / theirs[3]).T[:, 2], depths, atol=1e-8)


def test_motion_between_noisy_views_is_as_good_as_opencvs():
    """Shared data, 0.3 px noise, one blunder in ten: our two-view motion against findEssentialMat's, median of 20."""
    errors = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        points = rng.uniform([-2, -1, 3], [2, 1, 8], (100, 3))
        x1, x2 = (x + rng.normal(0, 3e-4, x.shape) for x in two_pictures(points))
        bad = rng.random(100) < 0.1
        x2[bad] += rng.normal(0, 0.05, (int(bad.sum()), 2))
        p1, p2 = x1 * 1000 + [960, 540], x2 * 1000 + [960, 540]
        e_cv, inliers = cv2.findEssentialMat(p1, p2, CASE_K, cv2.RANSAC, 0.999, 0.6)
        shift_cv = cv2.recoverPose(e_cv, p1, p2, CASE_K, mask=inliers)[2].ravel()
        ours = two_views(x1, x2, np.full(100, 3e-4), rng).shift[0]
        aim = CASE_T / np.linalg.norm(CASE_T)
        errors.append([np.arccos(np.clip(v @ aim, -1, 1)) for v in (ours, shift_cv)])
    ours, theirs = np.median(errors, axis=0)
    assert ours < 1.1 * theirs


def test_resection_is_opencvs():
    """cv2.solvePnP, iterative, on the same noisy points: both are least squares in pixels, so they must agree."""
    rng = np.random.default_rng(3)
    points = rng.uniform([-2, -1.5, 4], [2, 1.5, 8], (30, 3))
    moved = points @ CASE_R.T + CASE_T
    uv = 1000 * moved[:, :2] / moved[:, 2:] + [960, 540] + rng.normal(0, 0.25, (30, 2))
    vector, shift = cv2.solvePnP(points, uv, CASE_K, None)[1:]
    xy = (uv - [960, 540]) / 1000
    sigma, seen = np.full((1, 30), 1e-3), np.ones((1, 30), bool)
    rough, share = resect(points, xy[None], sigma, seen, rng)
    assert share[0] > 0.9
    scene = Scene(rough, points, 1000.0, np.array([960.0, 540.0]))
    fine = refine_poses(Tracks.from_grid(uv[None], covariance_px2=0.25**2), scene, Loss("huber", 1e6))
    assert np.allclose(fine.cam_from_world_rotation[0], cv2.Rodrigues(vector)[0], atol=1e-6)
    assert np.allclose(fine.centres_m[0], (-cv2.Rodrigues(vector)[0].T @ shift).ravel(), atol=1e-5)
