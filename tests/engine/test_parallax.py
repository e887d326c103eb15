"""A plane gives no out-of-plane signal, a rotation gives none, and depth does."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.camera.track import CameraTrack
from scatterproof.solve.parallax import homography_rest, is_rotation_only, measure_parallax, pinhole_px
from scipy.spatial.transform import Rotation

FRAMES, POINTS = 33, 60
seeds = st.integers(0, 2**32 - 1)


def a_track(rng, travel_m=1.0, turn_rad=0.2, frames=FRAMES):
    """A smooth random move in front of the plane y = 6, looking upstage, with a zoom."""
    amount = np.linspace(0, 1, frames)
    start = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])  # x right, y down, z upstage
    turn = Rotation.from_rotvec(amount[:, None] * rng.normal(size=3) * turn_rad).as_matrix() @ start
    world_from_cam = np.tile(np.eye(4), (frames, 1, 1))
    world_from_cam[:, :3, :3] = turn.transpose(0, 1, 2)
    world_from_cam[:, :3, 3] = amount[:, None] * travel_m * _unit(rng.normal(size=3)) + [0.3, 0, 1.5]
    focal = 1800 * (1 + 0.3 * rng.random() * amount)
    return CameraTrack(
        frame=np.arange(frames) + 1,
        world_from_cam=world_from_cam,
        focal_px=np.stack([focal, focal * 1.3], axis=1),
        centre_px=np.array([960.0, 400.0]),
        size_px=np.array([1920, 800]),
        distortion=np.zeros(5),
        delivery_px=np.array([0.0, 0, 1920, 800]),
        delivery_scale=1.0,
        focal_mm=focal / 60,
        focus_m=np.full(frames, 4.0),
        stop=np.full(frames, 4.0),
        exposure_s=1 / 48,
        rate=24.0,
        read_out_s=0.0,
    )


def _unit(v):
    return v / np.linalg.norm(v)


def a_plane(rng):
    """Points on a leaning plane about six metres away."""
    normal = _unit(np.array([0, -1, 0]) + rng.normal(size=3) * 0.3)
    across = _unit(np.cross(normal, [0, 0, 1.0]))
    spread = rng.uniform(-2, 2, (POINTS, 2))
    return np.array([0, 6.0, 1.5]) + spread[:, :1] * across + spread[:, 1:] * np.cross(normal, across)


def measured(points, track, seen=None, sigma_px=0.2):
    seen = np.ones((len(track), len(points)), bool) if seen is None else seen
    return measure_parallax(points, track, seen, np.zeros(seen.shape, int), sigma_px)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_a_plane_gives_no_signal(seed):
    rng = np.random.default_rng(seed)
    result = measured(a_plane(rng), a_track(rng))
    assert result.signal_sigma.max() < 1e-3
    assert set(result.depths) == {1}


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_a_rotation_gives_no_signal_whatever_the_depths(seed):
    rng = np.random.default_rng(seed)
    points = rng.uniform([-2, 2, 0], [2, 9, 3], (POINTS, 3))
    track = a_track(rng, travel_m=0.0)
    result = measured(points, track)
    assert result.signal_sigma.max() < 1e-3
    assert set(result.depths) == {1}
    assert is_rotation_only(track, 2.0, 0.2)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_a_stand_before_a_wall_gives_signal_and_depths(seed):
    rng = np.random.default_rng(seed)
    stand = np.array([[0.4, 3.0, 1.0], [0.4, 3.0, 1.5], [0.4, 3.0, 2.0], [-0.5, 4.2, 1.3], [-0.5, 4.2, 2.0]])
    track = a_track(rng)
    result = measured(np.concatenate([a_plane(rng), stand]), track)
    assert result.signal_sigma.min() > 10
    assert result.depths.min() >= 3
    assert not is_rotation_only(track, 3.0, 0.2)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_the_signal_does_not_change_when_world_and_camera_move_together(seed):
    rng = np.random.default_rng(seed)
    points, track = rng.uniform([-2, 3, 0], [2, 9, 3], (POINTS, 3)), a_track(rng)
    move = np.eye(4)
    move[:3, :3], move[:3, 3] = Rotation.random(random_state=seed).as_matrix(), rng.normal(size=3) * 10
    moved = CameraTrack(**{name: getattr(track, name) for name in track.__slots__} | {
        "world_from_cam": move @ track.world_from_cam
    })  # fmt: skip
    a, b = measured(points, track), measured(points @ move[:3, :3].T + move[:3, 3], moved)
    np.testing.assert_allclose(a.signal_sigma, b.signal_sigma, rtol=1e-5)
    np.testing.assert_array_equal(a.depths, b.depths)


def test_parallax_against_the_pinhole_formula():
    """Hartley & Zisserman 2003, ch. 13: sideways travel t, plane at D: a point at Z shifts by f t (1/Z - 1/D)."""
    rng = np.random.default_rng(5)
    plane = np.column_stack([rng.uniform(-2, 2, (80, 2)), np.full(80, 4.0)])
    points = np.concatenate([plane, [[0.8, -0.3, 3.0]]])
    first = points[:, :2] / points[:, 2:]  # in units of the focal length, 1000 px
    second = (points[:, :2] + [0.5, 0]) / points[:, 2:]
    common = np.ones((1, 81), bool)
    # the off-plane point must not pull the homography: leave it out of the fit, then transfer it
    on_plane = common.copy()
    on_plane[0, -1] = False
    _, h = homography_rest(first[None], second[None], on_plane)
    mapped = h[0] @ [*first[-1], 1.0]
    shift_px = 1000 * (second[-1] - mapped[:2] / mapped[2])
    assert shift_px == pytest.approx([41.6667, 0], abs=1e-4)  # 1000 px x 0.5 m x (1/3 - 1/4)


def test_noise_alone_leaves_its_own_degrees_of_freedom():
    """A measured plane: the squared rest is 2N - 8 variances of a rest (HZ 2003, ch. 5: residual error)."""
    rng = np.random.default_rng(11)
    track, sigma = a_track(rng), 0.2
    image = pinhole_px(a_plane(rng), track)
    pairs = 400
    first = np.repeat(image[:1], pairs, axis=0) + rng.normal(size=(pairs, POINTS, 2)) * sigma
    second = np.repeat(image[-1:], pairs, axis=0) + rng.normal(size=(pairs, POINTS, 2)) * sigma
    rest, _ = homography_rest(first / 1000, second / 1000, np.ones((pairs, POINTS), bool))
    rest = rest * 1000
    expected = (2 * POINTS - 8) * 2 * sigma**2
    assert np.mean(np.einsum("pni,pni->p", rest, rest)) == pytest.approx(expected, rel=0.35)


def test_a_pair_needs_tracks_that_live_in_both_frames():
    rng = np.random.default_rng(3)
    points, track = rng.uniform([-2, 3, 0], [2, 9, 3], (POINTS, 3)), a_track(rng)
    seen = np.ones((FRAMES, POINTS), bool)
    runs = np.repeat(np.arange(FRAMES)[:, None], POINTS, axis=1)  # every track breaks after each frame
    broken = measure_parallax(points, track, seen, runs, 0.2)
    assert broken.signal_sigma.max() == 0


@pytest.mark.parametrize("points", [0, 1, 4])
def test_too_few_points_give_no_signal(points):
    rng = np.random.default_rng(1)
    result = measured(rng.uniform([-1, 3, 0], [1, 9, 3], (points, 3)), a_track(rng))
    assert result.signal_sigma.max(initial=0) == 0
    assert set(result.depths) == {min(points, 1)}


def test_a_single_frame_and_nothing_seen():
    rng = np.random.default_rng(2)
    points = rng.uniform([-1, 3, 0], [1, 9, 3], (POINTS, 3))
    assert measured(points, a_track(rng, frames=1)).signal_sigma.tolist() == [0.0]
    nothing = measured(points, a_track(rng), np.zeros((FRAMES, POINTS), bool))
    assert nothing.depths.tolist() == [0] * FRAMES
