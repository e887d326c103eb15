"""From a plan's shot to a camera over frames: moves, keys, samples, lens settings, and what is refused."""

import dataclasses
import math

import numpy as np
import pytest
from scatterproof.camera.axes import from_pan_tilt_roll, look_at, quaternion_from_matrix
from scatterproof.camera.track import camera_track, delivery_frame
from scatterproof.plan.model import Camera, CameraKey, CameraSample, Move, Plan, Shot, Stage, Wander
from scatterproof.problems import BadInput
from scipy.spatial.transform import Rotation

PACKAGE = Camera(
    name="A",
    film_back=(24.0, 12.0),
    resolution=(1920, 800),  # pixels that are not square: 80 and 66.7 per mm
    delivery_aspect=2.4,
    delivery_width=960,
    focal_length=30.0,
    distortion=(-0.1, 0.02, 0.001, -0.001, 0.0),
    stop=5.6,
    focus=5.0,
)
HOLD = Move(kind="hold", start=(0.5, -4.0, 1.5), aim=(0.5, 0.0, 1.5))


def track_of(package=PACKAGE, **shot):
    made = Shot(**{"name": "the push", "camera": "A", "frames": (11, 30), **shot})
    return camera_track(Plan(name="p", stage=Stage(), cameras=(package,), shots=(made,)), made)


def key(frame, at=(0.0, -4.0, 1.5), **more):
    return CameraKey(frame=frame, at=at, **more)


def refusal(**shot):
    with pytest.raises(BadInput) as caught:
        track_of(**shot)
    (problem,) = caught.value.problems
    assert problem.where.startswith("shot[1] 'the push'")
    return str(problem)


def test_the_package_fills_the_track():
    track = track_of(move=HOLD)
    assert track.frame.tolist() == list(range(11, 31))
    np.testing.assert_allclose(track.focal_px, [[2400, 2000]] * 20)
    np.testing.assert_allclose(track.centre_px, [959.5, 399.5])
    assert track.size_px.tolist() == [1920, 800]
    assert track.distortion.tolist() == list(PACKAGE.distortion)
    assert (track.stop == 5.6).all()
    assert (track.focus_m == 5).all()
    assert (track.focal_mm == 30).all()
    assert track.exposure_s == pytest.approx(1 / 48)
    assert track.rate == 24
    np.testing.assert_allclose(track.world_from_cam, np.broadcast_to(look_at(HOLD.start, HOLD.aim), (20, 4, 4)))


def test_the_shot_overrides_the_package():
    track = track_of(move=HOLD, focal_length=60.0, focus=2.0, stop=2.8, rate=25.0)
    np.testing.assert_allclose(track.focal_px[0], [4800, 4000])
    assert (track.focus_m[0], track.stop[0], track.exposure_s) == (2.0, 2.8, pytest.approx(1 / 50))


def test_a_squeezed_lens_shows_more_across():
    track = track_of(dataclasses.replace(PACKAGE, squeeze=2.0), move=HOLD)
    np.testing.assert_allclose(track.focal_px[0], [1200, 2000])


def test_lens_shift_moves_the_principal_point_away_from_what_is_shown_more():
    track = track_of(dataclasses.replace(PACKAGE, shift=(3.0, 1.5)), move=HOLD)
    np.testing.assert_allclose(track.centre_px, [959.5 - 3 * 80, 399.5 + 1.5 * 800 / 12])


def test_delivery_is_the_largest_centred_crop():
    (left, top, right, bottom), scale = delivery_frame(PACKAGE)  # the gate is 2 to 1, so 2.4 takes all its width
    np.testing.assert_allclose([left, right, bottom - top, (top + bottom) / 2], [-0.5, 1919.5, 800 * 2 / 2.4, 399.5])
    assert scale == 0.5
    (left, top, right, bottom), scale = delivery_frame(dataclasses.replace(PACKAGE, delivery_aspect=1.5))
    np.testing.assert_allclose([top, bottom, right - left, (left + right) / 2], [-0.5, 799.5, 1440, 959.5])
    assert scale == pytest.approx(960 / 1440)


def test_keys_with_an_aim_interpolate_the_aim():
    keys = (
        key(11, at=(0, -6, 1), aim=(0, 0, 1), roll=0.2, interpolation="linear"),
        key(21, at=(2, -4, 2), aim=(1, 1, 1), roll=-0.2),
    )
    track = track_of(keys=keys)
    np.testing.assert_allclose(track.world_from_cam[5], look_at(np.array([1, -5, 1.5]), np.array([0.5, 0.5, 1])))
    np.testing.assert_allclose(track.world_from_cam[15], look_at(np.array([2, -4, 2]), np.array([1, 1, 1]), -0.2))


def test_a_swinging_aim_does_not_roll_a_camera_that_no_key_rolls():
    keys = [key(frame, aim=(x, 0, 1), interpolation="elastic") for frame, x in ((11, 0.0), (21, 1.0))]
    track = track_of(keys=tuple(keys))
    assert np.abs(track.world_from_cam[:, 2, 0]).max() < 1e-12  # across stays level
    rolled = track_of(keys=(dataclasses.replace(keys[0], roll=0.2), keys[1]))
    assert np.abs(rolled.world_from_cam[:, 2, 0]).max() > 0.1


def test_keys_without_an_aim_turn_as_written():
    """A pan of one turn and a half goes all the way round."""
    keys = (key(11, interpolation="linear"), key(23, pan=3 * math.pi, tilt=0.3, roll=0.1))
    track = track_of(keys=keys)
    np.testing.assert_allclose(
        track.world_from_cam[4],
        from_pan_tilt_roll(np.array([0, -4, 1.5]), np.array([math.pi, 0.1, 0.1 / 3])),
        atol=1e-12,
    )


def test_keyed_lens_falls_back_to_the_shots_own():
    keys = (key(11, focal_length=20.0, interpolation="linear"), key(21, focus=1.0, interpolation="linear"), key(31))
    track = track_of(keys=keys, focus=3.0, focal_length=40.0)
    np.testing.assert_allclose(track.focal_mm[[0, 5, 10, 15]], [20, 30, 40, 40])
    np.testing.assert_allclose(track.focus_m[[0, 5, 10, 15]], [3, 2, 1, 2])
    np.testing.assert_allclose(track.focal_px, track.focal_mm[:, None] * [80, 800 / 12])


def test_a_lens_that_no_key_sets_does_not_swing_with_the_camera():
    """An elastic curve swings even between equal values, as in Blender; but a curve without keys does nothing."""
    keys = tuple(key(f, interpolation="elastic", focus=5.0 if f == 1 else None) for f in (1, 20))
    track = track_of(frames=(1, 20), keys=keys)
    assert np.ptp(track.focal_mm) == 0
    assert np.ptp(track.focus_m) > 0


def test_samples():
    turns = Rotation.random(20, random_state=4).as_matrix()
    rows = zip(quaternion_from_matrix(turns), range(20), strict=True)
    samples = tuple(
        CameraSample(at=(i, 2.0, 3.0), turn=tuple(q), focal_length=30.0 + i if i else None) for q, i in rows
    )
    track = track_of(samples=samples)
    np.testing.assert_allclose(track.world_from_cam[:, :3, :3], turns, atol=1e-12)
    np.testing.assert_allclose(track.centre_m[7], [7, 2, 3])
    np.testing.assert_allclose(track.focal_mm[[0, 7]], [30, 37])
    assert (track.focus_m == 5).all()


def test_every_array_is_read_only_and_wander_reaches_the_track():
    calm, shaky = track_of(move=HOLD), track_of(move=dataclasses.replace(HOLD, wander=Wander(travel=0.02)))
    assert 0.001 < np.abs(shaky.centre_m - calm.centre_m).max() < 0.2
    with pytest.raises(ValueError, match="read-only"):
        calm.world_from_cam[0, 0, 0] = 2


@pytest.mark.parametrize("direction", [(0, 0, -3), (0, 0, 3)])
def test_straight_down_or_up_has_a_defined_up(direction):
    at = np.array([1.0, 2.0, 5.0])
    track = track_of(keys=(key(11, at=tuple(at), aim=tuple(at + direction)),))
    np.testing.assert_allclose(track.world_from_cam[0, :3, 0], [1, 0, 0])


def test_what_is_refused():
    assert "'B'; expected one of the plan's cameras: 'A'" in refusal(camera="B", move=HOLD)
    assert "empty shot" in refusal(frames=(5, 4), move=HOLD)
    assert "move.aim: found the place of start" in refusal(move=dataclasses.replace(HOLD, aim=HOLD.start))
    mixed = (key(11, aim=(0, 0, 1)), key(20))
    assert "no aim at frame 20" in refusal(keys=mixed)
    assert "no aim at frame 11" in refusal(keys=(key(11), key(20, aim=(0, 0, 1))))
    through = (key(11, at=(0, -1, 1), aim=(0, 0, 1), interpolation="linear"), key(21, at=(0, 1, 1), aim=(0, 0, 1)))
    assert "the camera on its aim in frame 16" in refusal(keys=through)
    assert "3 samples" in refusal(samples=(CameraSample(at=(0, 0, 0), turn=(1, 0, 0, 0)),) * 3)
    assert "all zeros" in refusal(frames=(1, 2), samples=(CameraSample(at=(0, 0, 0), turn=(0, 0, 0, 0)),) * 2)
    assert "too far away" in refusal(move=dataclasses.replace(HOLD, kind="push", distance=1e308, start=(0, 1e308, 0)))
    swing = (key(11, focal_length=200.0, interpolation="back", easing="in"), key(30, focal_length=15.0))
    assert np.all(track_of(keys=swing).focal_mm > 0)
    swing = (key(11, focal_length=15.0, interpolation="back", easing="in"), key(30, focal_length=200.0))
    assert "a focal length of -" in refusal(keys=swing)
