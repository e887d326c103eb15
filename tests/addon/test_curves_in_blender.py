"""Keyed values against Blender's own F-curves: every interpolation, easing, uneven keys, several keys, extremes."""

import itertools

import numpy as np
import pytest
from scatterproof.camera.curves import auto_clamped_handles, evaluate
from scatterproof.plan.model import EASINGS, INTERPOLATIONS

bpy = pytest.importorskip("bpy")

BLENDER_EASING = {"auto": "AUTO", "in": "EASE_IN", "out": "EASE_OUT", "in-out": "EASE_IN_OUT"}


@pytest.fixture
def new_curve():
    """Makes F-curves as inserting keys does: default handles, smoothing, back, amplitude and period."""
    thing = bpy.data.objects.new("keyed", None)
    thing.keyframe_insert("location", frame=0)
    action, slot = thing.animation_data.action, getattr(thing.animation_data, "action_slot", None)  # from 4.4 on
    fcurves = action.layers[0].strips[0].channelbag(slot).fcurves if slot else action.fcurves
    numbers = itertools.count(10)

    def make(key_frame, key_value, interpolation, easing):
        curve = fcurves.new(f'["channel {next(numbers)}"]')
        for frame, value, kind, ease in zip(key_frame, key_value, interpolation, easing, strict=True):
            key = curve.keyframe_points.insert(frame, value)
            key.interpolation, key.easing = kind.upper(), BLENDER_EASING[ease]
        curve.update()
        return curve

    yield make
    bpy.data.objects.remove(thing)
    bpy.data.actions.remove(action)


def assert_as_in_blender(new_curve, key_frame, key_value, interpolation, easing):
    """Agreement to 1e-5 of the channel's size (of 1 where it is smaller): Blender keeps single precision."""
    frames = np.unique(
        np.r_[np.arange(key_frame[0] - 3, key_frame[-1] + 4), np.linspace(key_frame[0], key_frame[-1], 97)]
    )
    ours = evaluate(frames, key_frame, key_value, interpolation, easing)
    for channel, values in enumerate(key_value.T):
        curve = new_curve(key_frame, values, interpolation, easing)
        theirs = np.array([curve.evaluate(float(np.float32(f))) for f in frames])
        tolerance = 1e-5 * max(1.0, np.abs(values).max())
        np.testing.assert_allclose(
            ours[:, channel], theirs, rtol=0, atol=tolerance, err_msg=f"{interpolation} {easing}"
        )


@pytest.mark.parametrize("interpolation", INTERPOLATIONS)
@pytest.mark.parametrize("easing", EASINGS)
def test_two_keys(new_curve, interpolation, easing):
    key_frame = np.array([3.0, 27.0])
    # Changes above and below the elastic amplitude, falling, and none.
    key_value = np.array([[1.5, 0.2, 4.0, 2.5], [6.0, 0.6, -3.0, 2.5]])
    assert_as_in_blender(new_curve, key_frame, key_value, [interpolation] * 2, [easing] * 2)


@pytest.mark.parametrize("seed", range(40))
def test_many_uneven_bezier_keys(new_curve, seed):
    """Rising runs, extremes and plateaus; gaps from 1 to 60 frames, sixty to one side by side."""
    rng = np.random.default_rng(seed)
    keys = int(rng.integers(2, 12))
    key_frame = np.cumsum(rng.choice([1, 2, 3, 5, 12, 60], keys)).astype(float)
    walk = np.cumsum(rng.normal(size=(keys, 4)), axis=0)
    climb = np.cumsum(rng.exponential(size=(keys, 4)) ** 2, axis=0)
    rounded = np.round(walk)
    key_value = np.concatenate([walk, climb, -climb, rounded], axis=1)
    assert_as_in_blender(new_curve, key_frame, key_value, ["bezier"] * keys, ["auto"] * keys)


@pytest.mark.parametrize("seed", range(20))
def test_mixed_keys(new_curve, seed):
    rng = np.random.default_rng(1000 + seed)
    keys = int(rng.integers(2, 9))
    key_frame = np.cumsum(rng.integers(1, 40, keys)).astype(float)
    key_value = rng.normal(size=(keys, 3)) * 3
    kinds, eases = rng.choice(INTERPOLATIONS, keys).tolist(), rng.choice(EASINGS, keys).tolist()
    assert_as_in_blender(new_curve, key_frame, key_value, kinds, eases)


@pytest.mark.parametrize("seed", range(20))
def test_handles(new_curve, seed):
    rng = np.random.default_rng(2000 + seed)
    keys = int(rng.integers(2, 10))
    key_frame = np.cumsum(rng.choice([1, 4, 30], keys)).astype(float)
    key_value = np.cumsum(rng.normal(0.7, 1, size=(keys, 1)), axis=0)
    rise = np.stack(auto_clamped_handles(key_frame, key_value))[..., 0]
    points = new_curve(key_frame, key_value[:, 0], ["bezier"] * keys, ["auto"] * keys).keyframe_points
    handles = np.array([[p.co - p.handle_left, p.handle_right - p.co] for p in points])  # (K, 2, 2)
    np.testing.assert_allclose(rise, handles[..., 1].T, rtol=0, atol=1e-5 * max(1, np.abs(key_value).max()))
    gap = np.diff(key_frame)
    thirds = np.stack([np.r_[gap[0], gap], np.r_[gap, gap[-1]]], axis=1) / 3
    np.testing.assert_allclose(handles[..., 0], thirds, rtol=0, atol=1e-6 * key_frame[-1])


def test_one_key_and_the_ends_are_constant(new_curve):
    assert_as_in_blender(new_curve, np.array([5.0]), np.array([[2.5]]), ["bezier"], ["auto"])
