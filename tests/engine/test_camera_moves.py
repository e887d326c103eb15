"""Moves by kind do what their table says; unrest keeps to its band and strength and repeats exactly."""

import dataclasses
import math

import numpy as np
import pytest
from scatterproof.camera.axes import look_at, pan_tilt_roll
from scatterproof.camera.moves import TAKES, band_limited_noise, idle_parameters, move_poses
from scatterproof.plan.model import INTERPOLATIONS, MOVES, Move, Wander

START, AIM = np.array([1.0, -6.0, 1.4]), np.array([-0.5, 2.0, 0.9])
FRAMES = np.arange(101, 150)
OPENING = look_at(START, AIM)


def poses_of(kind, **more):
    move = Move(kind=kind, start=tuple(START), aim=tuple(AIM), **more)
    return move_poses(move, FRAMES, 101, 149, 24.0)


def eased():
    return (1 - np.cos(np.pi * (FRAMES - 101) / 48)) / 2  # sine, in and out


def looks_at_aim(poses):
    sight = AIM - poses[:, :3, 3]
    return np.allclose(poses[:, :3, 2], sight / np.linalg.norm(sight, axis=1, keepdims=True), atol=1e-12)


@pytest.mark.parametrize("kind", MOVES)
def test_every_move_starts_at_the_start_looking_at_the_aim_and_stays_level(kind):
    poses = poses_of(kind)
    np.testing.assert_allclose(poses[0], OPENING, atol=1e-12)
    np.testing.assert_allclose(poses[:, 2, 0], 0, atol=1e-12)
    assert set(TAKES) == set(MOVES)


@pytest.mark.parametrize(("kind", "column", "sign"), [("push", 2, 1), ("pull", 2, -1), ("dolly", 0, 1)])
def test_straight_travel_keeps_its_direction(kind, column, sign):
    poses = poses_of(kind, distance=2.5)
    along = OPENING[:3, column] * sign
    np.testing.assert_allclose(poses[:, :3, 3], START + 2.5 * eased()[:, None] * along, atol=1e-12)
    np.testing.assert_allclose(poses[:, :3, :3], np.broadcast_to(OPENING[:3, :3], (49, 3, 3)), atol=1e-15)


def test_a_hold_stays():
    assert (poses_of("hold") == OPENING).all()


def test_a_crane_rises_and_keeps_looking():
    poses = poses_of("crane", distance=-1.0)
    np.testing.assert_allclose(poses[:, :3, 3], START - np.outer(eased(), [0, 0, 1]), atol=1e-12)
    assert looks_at_aim(poses)


def test_an_arc_circles_the_aim_to_the_right():
    poses = poses_of("arc", angle=math.radians(50))
    out = poses[:, :2, 3] - AIM[:2]
    np.testing.assert_allclose(np.linalg.norm(out, axis=1), np.linalg.norm((START - AIM)[:2]), rtol=1e-12)
    np.testing.assert_allclose(poses[:, 2, 3], START[2])
    angle = np.unwrap(np.arctan2(out[:, 1], out[:, 0]))
    np.testing.assert_allclose(angle - angle[0], math.radians(50) * eased(), atol=1e-12)
    assert (poses[10, :3, 3] - START) @ OPENING[:3, 0] > 0
    assert looks_at_aim(poses)


@pytest.mark.parametrize(("kind", "channel"), [("pan", 0), ("tilt", 1)])
def test_nodal_moves_do_not_travel(kind, channel):
    poses = poses_of(kind, angle=math.radians(-35))
    assert (poses[:, :3, 3] == START).all()
    expected = np.tile(pan_tilt_roll(OPENING), (49, 1))
    expected[:, channel] += math.radians(-35) * eased()
    np.testing.assert_allclose(pan_tilt_roll(poses), expected, atol=1e-12)


def test_a_camera_over_its_aim_can_still_pan_and_tilt():
    for kind in ("pan", "tilt"):
        move = Move(kind=kind, start=(0, 0, 5), aim=(0, 0, 0), angle=0.5)
        poses = move_poses(move, np.array([1, 9]), 1, 9, 24.0)
        np.testing.assert_allclose(poses[0, :3, 2], [0, 0, -1], atol=1e-12)
        assert np.isfinite(poses).all()


@pytest.mark.parametrize("ease", INTERPOLATIONS)
def test_every_ease_arrives(ease):
    poses = poses_of("dolly", distance=2.0, ease=ease)
    np.testing.assert_allclose(poses[-1, :3, 3], START + 2 * OPENING[:3, 0], atol=1e-12)


def test_a_shot_of_one_frame_holds():
    move = Move(kind="push", start=tuple(START), aim=tuple(AIM))
    np.testing.assert_allclose(move_poses(move, np.array([7]), 7, 7, 24.0), OPENING[None], atol=1e-15)


def test_idle_parameters_are_named():
    pan = Move(kind="pan", start=(0, 0, 1), aim=(0, 4, 1), distance=3.0, angle=0.4)
    assert idle_parameters(pan) == ("distance",)
    assert idle_parameters(dataclasses.replace(pan, kind="hold")) == ("distance", "angle")
    assert idle_parameters(dataclasses.replace(pan, kind="dolly")) == ("angle",)
    assert idle_parameters(Move(kind="hold", start=(0, 0, 1), aim=(0, 4, 1))) == ()


def test_unrest_has_its_strength_and_keeps_to_its_band():
    rate, band = 8.0, (0.4, 2.5)
    noise = band_limited_noise(band, np.arange(2**15) / rate, 6, seed=5)
    np.testing.assert_allclose(noise.std(axis=0), 1, rtol=0.02)
    np.testing.assert_allclose(noise.mean(axis=0), 0, atol=0.01)
    correlation = np.corrcoef(noise.T) - np.eye(6)
    assert np.abs(correlation).max() < 0.05
    power = np.abs(np.fft.rfft(noise * np.hanning(len(noise))[:, None], axis=0)) ** 2
    frequency = np.fft.rfftfreq(len(noise), 1 / rate)
    outside = (frequency < band[0] - 0.01) | (frequency > band[1] + 0.01)
    assert (power[outside].sum(axis=0) < 1e-6 * power.sum(axis=0)).all()
    # Evenly filled: each third of the band holds a third of the power, within what 21 waves can vary.
    for low in (0.4, 1.1, 1.8):
        part = power[(frequency >= low) & (frequency < low + 0.7)].sum(axis=0) / power.sum(axis=0)
        np.testing.assert_allclose(part, 1 / 3, atol=0.05)


def test_unrest_is_nearly_normal():
    noise = band_limited_noise((0.3, 3.0), np.arange(2**14) / 7, 1, seed=1)[:, 0]
    assert np.mean(noise**4) / np.mean(noise**2) ** 2 == pytest.approx(3, abs=0.15)


def test_unrest_repeats_exactly_and_does_not_know_the_shots_length():
    wander = Wander(travel=0.03, turn=0.01, seed=11)
    move = Move(kind="dolly", start=tuple(START), aim=tuple(AIM), wander=wander)
    first = move_poses(move, FRAMES, 101, 149, 24.0)
    np.testing.assert_array_equal(move_poses(move, FRAMES, 101, 149, 24.0), first)
    np.testing.assert_array_equal(move_poses(move, FRAMES[:10], 101, 149, 24.0), first[:10])
    other = dataclasses.replace(move, wander=dataclasses.replace(wander, seed=12))
    assert np.abs(move_poses(other, FRAMES, 101, 149, 24.0) - first).max() > 1e-3
    noise = band_limited_noise((0.3, 3.0), np.arange(5) / 24, 6, 11)
    np.testing.assert_allclose(
        noise, band_limited_noise((0.3, 3.0), np.arange(10) / 48, 6, 11)[::2], rtol=0, atol=1e-12
    )


def test_unrest_goes_into_every_axis_and_turn():
    wander = Wander(travel=0.03, turn=0.01, band=(0.5, 3.0), seed=3)
    calm = Move(kind="hold", start=tuple(START), aim=tuple(AIM))
    frames = np.arange(24 * 600)
    poses = move_poses(dataclasses.replace(calm, wander=wander), frames, 0, len(frames) - 1, 24.0)
    np.testing.assert_allclose(poses[:, :3, 3].std(axis=0), 0.03, rtol=0.05)
    np.testing.assert_allclose(poses[:, :3, 3].mean(axis=0), START, atol=2e-3)
    np.testing.assert_allclose(pan_tilt_roll(poses).std(axis=0), 0.01, rtol=0.05)
    np.testing.assert_allclose(pan_tilt_roll(poses).mean(axis=0), pan_tilt_roll(OPENING), atol=1e-3)
