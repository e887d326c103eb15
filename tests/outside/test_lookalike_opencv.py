"""Look-alikes against pictures: patches against a renderer of their own, likeness against cv2.matchTemplate, chances
against drawn noise."""

import cv2
import numpy as np
import pytest
from corner_cases import marker
from corner_pictures import painted
from scatterproof.sightings.lookalike import jump_chance, likeness, lookalikes, patches
from scatterproof.stage.shapes import outlines, plain_outline

WINDOW, MIDDLE = 15, 40


def some_markers(count, seed=2):
    rng = np.random.default_rng(seed)
    rings = [marker(rng) for _ in range(count)]
    most = max(map(len, rings))
    return rings, np.stack([np.concatenate([r, np.repeat(r[-1:], most - len(r), axis=0)]) for r in rings])


def crop(picture, half=WINDOW // 2):
    return picture[MIDDLE - half : MIDDLE + half + 1, MIDDLE - half : MIDDLE + half + 1]


@pytest.mark.parametrize("disc", [0.0, 4.0])
def test_patches_are_what_a_renderer_shows(disc):
    """Exactly covered pixels, blurred by a true disc; patches take a Gaussian of the same second moments for it."""
    rings, filled = some_markers(30)
    drawn = patches(filled, np.sqrt(1 / 12 + disc**2 / 16), WINDOW)
    shown = np.stack([crop(painted([r + MIDDLE], 2 * MIDDLE, disc, (0, 0))) for r in rings])
    assert np.abs(drawn - shown).max() < (0.08 if disc else 0.14)
    assert np.sqrt(np.mean((drawn - shown) ** 2)) < 0.02


def test_likeness_is_opencvs_normalised_correlation():
    """cv2.matchTemplate, TM_CCOEFF_NORMED, of the inner 13 x 13 px of one patch over all of the other."""
    _, filled = some_markers(12)
    drawn = patches(filled, 1.0, WINDOW)
    ours = likeness(drawn, drawn, slack_px=1)
    for i, j in np.ndindex(ours.shape):
        template, whole = (z.astype(np.float32) for z in (drawn[i, 1:-1, 1:-1], drawn[j]))
        theirs = cv2.matchTemplate(whole, template, cv2.TM_CCOEFF_NORMED)
        assert ours[i, j] == pytest.approx(theirs.max(), abs=2e-4)


def test_chances_are_those_of_drawn_noise():
    """Sums of squared differences at the right and at the wrong place, both frames noisy, 4,000 draws each."""
    rng = np.random.default_rng(3)
    _, filled = some_markers(6)
    drawn = patches(filled, 0.7, WINDOW).reshape(6, -1)
    tried = []
    for i, j, contrast in [(0, 1, 6.0), (1, 2, 2.0), (3, 4, 1.5), (0, 0, 5.0), (2, 5, 1.0)]:
        one, two = (contrast * (drawn[k] - drawn[k].mean()) for k in (i, j))
        alike = np.sum(one * two) / np.sqrt(np.sum(one**2) * np.sum(two**2))
        noise = 4.0
        first, right, wrong = (noise * rng.standard_normal((4000, len(one))) for _ in range(3))
        jumps = np.mean(np.sum((two + wrong - one - first) ** 2, axis=1) < np.sum((right - first) ** 2, axis=1))
        chance = float(jump_chance(alike, np.sum(one**2), np.sum(two**2), noise, WINDOW))
        assert jumps == pytest.approx(chance, abs=0.03)
        tried.append(chance)
    assert min(tried) < 0.2
    assert max(tried) == pytest.approx(0.5, abs=1e-6)


def a_lattice(shapes, gap_px=45.0):
    """Markers of 25 px in rows of four, two frames: uv, rings."""
    rings, points, at = [], [], 0
    for i, shape in enumerate(shapes):
        points.append(25 * shape + gap_px * np.array(divmod(i, 4)) + 100)
        rings.append(at + np.arange(len(shape))[None])
        at += len(shape)
    return np.tile(np.concatenate(points), (2, 1, 1)), rings


def test_a_lattice_of_one_shape_is_full_of_doubles_and_a_scatter_of_random_ones_is_not():
    crosses, rings = a_lattice([plain_outline("thick cross")] * 12)
    doubles = lookalikes(crosses, rings, np.ones(crosses.shape[:2], bool), range_px=60, contrast=25.0, noise=2.0)
    worst, which = doubles.alike, doubles.which
    np.testing.assert_allclose(worst, 1, atol=1e-6)
    np.testing.assert_allclose(doubles.chance, 0.5, atol=0.01)  # the very same pattern: heads or tails
    assert np.all((which >= 0) & (which != np.arange(crosses.shape[1])))
    scattered, rings = a_lattice(outlines("random", (5, 8), [4], 12))
    doubles = lookalikes(scattered, rings, np.ones(scattered.shape[:2], bool), range_px=60, contrast=25.0, noise=2.0)
    mixed = doubles.alike
    assert np.mean(doubles.chance) < 0.05
    assert np.median(mixed) < 0.99
    assert mixed.min() > 0.3


def test_what_is_out_of_range_or_sight_is_no_double():
    uv, rings = a_lattice([plain_outline("square")] * 12)
    seen = np.ones(uv.shape[:2], bool)
    # A square's corners point four ways: near by there is none alike.
    alone = lookalikes(uv, rings, seen, range_px=30).alike
    assert alone.max() < 0.5
    seen[1, 4:] = False
    doubles = lookalikes(uv, rings, seen, range_px=60)
    worst, which = doubles.alike, doubles.which
    np.testing.assert_allclose(worst[0], 1, atol=1e-6)
    assert worst[1, :4].max() < 0.5
    np.testing.assert_array_equal(worst[1, 4:], 0)
    np.testing.assert_array_equal(which[1, 4:], -1)
    none = lookalikes(uv, rings, np.zeros_like(seen), range_px=60)
    np.testing.assert_array_equal(none.alike, 0)
    assert lookalikes(uv, [], seen, range_px=60).alike.max() == 0
