"""The solve against published problems, textbook relations and other libraries. Each check names its source."""

import cv2
import numpy as np
import pytest
from published_problem import read_problem
from scatterproof.solve.adjustment import Rule, adjust
from scatterproof.solve.align import align
from scatterproof.solve.covariance import _inverse_triangle, inform, marginals
from scatterproof.solve.network import K1, K2, K3, P1, P2, Scene, Survey, Tracks, Unknowns
from scatterproof.solve.normal import lay_out, linearise, rotation_of, state_of
from skimage.transform import SimilarityTransform
from staged_shot import CENTRE_PX, look_at


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
