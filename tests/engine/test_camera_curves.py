"""Keyed values on their own: ends, batching, closed forms, smoothness. tests/addon compares them with Blender's."""

import numpy as np
import pytest
from scatterproof.camera.curves import evaluate
from scatterproof.plan.model import EASINGS, INTERPOLATIONS

FRAMES = np.linspace(-2, 40, 169)
KEYS = np.array([3.0, 10, 11, 35])
VALUES = np.array([[0.0, 5, -1], [2, 5, 0], [2.5, 4, 3], [1, 9, 4]])


@pytest.mark.parametrize("easing", EASINGS)
@pytest.mark.parametrize("interpolation", INTERPOLATIONS)
def test_keys_are_met_ends_are_constant_and_channels_do_not_mix(interpolation, easing):
    out = evaluate(FRAMES, KEYS, VALUES, interpolation, easing)
    np.testing.assert_array_equal(evaluate(KEYS, KEYS, VALUES, interpolation, easing), VALUES)
    assert (out[FRAMES <= 3] == VALUES[0]).all()
    assert (out[FRAMES >= 35] == VALUES[-1]).all()
    for channel in range(3):
        alone = evaluate(FRAMES, KEYS, VALUES[:, [channel]], interpolation, easing)
        np.testing.assert_array_equal(alone[:, 0], out[:, channel])
    one_by_one = [evaluate(FRAMES[[i]], KEYS, VALUES, interpolation, easing)[0] for i in range(0, len(FRAMES), 17)]
    np.testing.assert_array_equal(one_by_one, out[::17])


@pytest.mark.parametrize("interpolation", set(INTERPOLATIONS) - {"elastic"})
def test_scaling_and_lifting_the_keys_does_it_to_the_curve(interpolation):
    out = evaluate(FRAMES, KEYS, VALUES, interpolation)
    np.testing.assert_allclose(evaluate(FRAMES, KEYS, VALUES * -3 + 7, interpolation), out * -3 + 7, atol=1e-12)


def test_closed_forms():
    share = np.linspace(0, 1, 21)
    both = np.array([[0.0], [1.0]])

    def curve(*words):
        return evaluate(share * 8, np.array([0.0, 8]), both, *words)[:, 0]

    np.testing.assert_allclose(curve("sine", "in-out"), (1 - np.cos(np.pi * share)) / 2, atol=1e-15)
    np.testing.assert_allclose(curve("cubic", "out"), 1 - (1 - share) ** 3, atol=1e-15)
    np.testing.assert_allclose(curve("bezier"), 3 * share**2 - 2 * share**3, atol=1e-15)  # level handles at a third
    np.testing.assert_allclose(curve("linear"), share, atol=1e-15)


def test_bezier_runs_have_continuous_acceleration():
    """Second derivatives from both sides of each key of a gentle rising run agree; the run has no handle at a limit."""
    keys, values = np.array([0.0, 10, 25, 35, 50]), np.array([[0.0], [3], [9], [12], [15]])
    step = 1e-3

    def bend(frame, side):
        at = frame + side * step * np.arange(4)
        f = evaluate(at, keys, values, "bezier")[:, 0]
        return (2 * f[0] - 5 * f[1] + 4 * f[2] - f[3]) / step**2  # exact for cubics

    for key in keys[1:-1]:
        assert bend(key, 1) == pytest.approx(bend(key, -1), abs=1e-7)


def test_bezier_never_passes_its_keys():
    rng = np.random.default_rng(4)
    for _ in range(50):
        keys = np.cumsum(rng.integers(1, 40, 8)).astype(float)
        values = rng.normal(size=(8, 3)).cumsum(axis=0)
        frames = np.linspace(keys[0], keys[-1], 400)
        out = evaluate(frames, keys, values, "bezier")
        before = np.clip(np.searchsorted(keys, frames, side="right") - 1, 0, 6)
        low, high = np.minimum(values[before], values[before + 1]), np.maximum(values[before], values[before + 1])
        assert ((out >= low - 1e-12) & (out <= high + 1e-12)).all()


def test_one_key_holds():
    np.testing.assert_array_equal(
        evaluate(FRAMES, np.array([7.0]), np.array([[4.0]]), "bezier"), np.full((169, 1), 4.0)
    )


def test_an_interpolation_and_an_easing_per_key():
    kinds, eases = ["linear", "constant", "quad", "bezier"], ["auto", "auto", "out", "auto"]
    out = evaluate(np.array([6.5, 10.5, 23.0]), KEYS, VALUES[:, :1], kinds, eases)[:, 0]
    np.testing.assert_allclose(out, [1.0, 2.0, 2.5 - 1.5 * 0.75])


@pytest.mark.parametrize(
    ("keys", "kind", "ease", "message"),
    [
        ([], "linear", "auto", "one key at least"),
        ([2.0, 2.0], "linear", "auto", "strictly rising"),
        ([1.0, 2.0], "swoop", "auto", "swoop"),
        ([1.0, 2.0], "quad", "sideways", "sideways"),
    ],
)
def test_wrong_calls(keys, kind, ease, message):
    with pytest.raises(ValueError, match=message):
        evaluate(np.array([1.5]), np.array(keys), np.zeros((len(keys), 1)), kind, ease)
