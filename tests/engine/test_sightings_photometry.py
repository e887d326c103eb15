"""Light, shadows and what edges are worth: hand-worked cases, and every input that leaves nothing to see."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.plan import model as m
from scatterproof.sightings.blockers import Box, Rounded, place
from scatterproof.sightings.photometry import (
    clip_level,
    code_noise,
    edge_signal,
    encode,
    exposure_gain,
    key_blocked,
    key_direction,
    light_stops,
    looks_of,
    outlined_shadow,
    rings_of,
    without_key,
)
from scatterproof.stage.layout import BAND, CORNER, POINT, build_layout

CAMERA = m.Camera(name="A", film_back=(24, 18), resolution=(2000, 1500), delivery_aspect=1.78, focal_length=30)
GREEN, LIGHTER = np.array([0.06, 0.3, 0.07]), np.array([0.06, 0.3, 0.07]) * math.sqrt(2)
ORANGE = np.array([0.8, 0.18, 0.02])


def a_plan(**stage):
    return m.Plan(
        name="p",
        paints=(
            m.Paint(name="screen", linear=tuple(GREEN)),
            m.Paint(name="marker", linear=tuple(LIGHTER)),
            m.Paint(name="band", linear=tuple(ORANGE)),
            m.Paint(name="pole", linear=(0.5, 0.5, 0.5)),
        ),
        stage=m.Stage(
            floors=(m.Floor(x=(-3, 3), y=(-3, 3), light=0.5),),
            walls=(m.Wall(name="wall", start=(-3, 3), end=(3, 3), height=4),),
            **stage,
        ),
        markers=(
            m.MarkerSet(name="a", surfaces=("wall",), layout="grid", shape="square", spacing=1.0, size=(0.2, 0.2)),
            m.MarkerSet(
                name="b", surfaces=("floor",), layout="grid", shape="thick cross", spacing=1.0, size=(0.2, 0.2)
            ),
        ),
        stands=(m.Stand(name="s", at=(0, 0), height=2, bands=(0.5, 1.5), pole=0.04),),
        gear=(m.Gear(name="g", at=(2, 2, 0), size=(0.3, 0.3, 0.3)),),
        cameras=(CAMERA,),
        shots=(m.Shot(name="s", camera="A", frames=(1, 2), move=m.Move(start=(0, -3, 1), aim=(0, 3, 1))),),
    )


# --- edges and noise -------------------------------------------------------------------------------------------


def test_a_clean_patch_at_code_150_has_a_noise_of_two_codes():
    linear = np.full(3, 0.3050)
    assert encode(linear)[0] == pytest.approx(150, abs=0.2)
    assert code_noise(linear, CAMERA) == pytest.approx([2, 2, 2], abs=0.05)


def test_noise_follows_a_simulation_of_electrons():
    """Poisson electrons and Gaussian read noise through the encoding, against the first-order formula."""
    rng = np.random.default_rng(5)
    linear, white = 0.2, 1 / CAMERA.shot_noise**2
    counted = rng.poisson(linear * white, 200_000) + rng.normal(0, CAMERA.read_noise * white, 200_000)
    assert encode(counted / white).std() == pytest.approx(float(code_noise(np.full(3, linear), CAMERA)[0]), rel=0.02)


def test_what_clips_has_neither_noise_nor_contrast():
    contrast, noise, stops = edge_signal(np.full(3, 3.0), np.full(3, 2.0), CAMERA)
    assert (contrast, noise, stops) == (0, 0, 0)
    narrow = replace(CAMERA, encoding="BT.709", code_range="narrow")
    assert 1.15 < clip_level(narrow) < 1.25  # codes 236 to 255 lie above white
    assert edge_signal(np.full(3, 1.1), np.full(3, 1.0), narrow)[0] > 5
    assert edge_signal(np.full(3, 1.1), np.full(3, 1.0), CAMERA)[0] == pytest.approx(0, abs=1e-9)


@given(st.floats(0, 1.5), st.floats(0, 1.5), st.sampled_from(m.CHANNELS), st.sampled_from(m.SAMPLINGS))
def test_edges_are_symmetric_finite_and_none_between_equals(a, b, channel, sampling):
    camera = replace(CAMERA, sampling=sampling)
    one, other = np.array([a, b, a]), np.array([b, b, a])
    found = np.array(edge_signal(one, other, camera, channel))
    np.testing.assert_allclose(found, edge_signal(other, one, camera, channel), atol=1e-9)
    assert np.isfinite(found).all()
    assert (found >= 0).all()
    assert edge_signal(one, one, camera, channel)[0] == pytest.approx(0, abs=1e-9)


def test_coarse_colour_costs_coloured_edges_and_leaves_luma_alone():
    fine, half, quarter = (replace(CAMERA, sampling=s) for s in m.SAMPLINGS)
    for channel in ("luma", "red"):
        c = [float(edge_signal(ORANGE, GREEN, camera, channel)[0]) for camera in (fine, half, quarter)]
        assert c[0] == c[1] == c[2] if channel == "luma" else c[0] > c[1] > c[2] > 0.5 * c[0]


def test_coarse_colour_by_a_simulated_edge():
    """The squared gradient of a blurred edge in red, its colour blurred by half a square pixel more."""
    quarter = replace(CAMERA, sampling="4:2:0")
    x = np.linspace(-8, 8, 4001)
    step = encode(ORANGE) - encode(GREEN)
    luma = step @ [0.2126, 0.7152, 0.0722]

    def gradient(sigma):
        return np.exp(-(x**2) / (2 * sigma**2)) / (sigma * math.sqrt(2 * math.pi))

    sharp = 0.515
    both = luma * gradient(sharp) + (step[0] - luma) * gradient(math.sqrt(sharp**2 + 0.5))
    worth = math.sqrt((both**2).sum() / (gradient(sharp) ** 2).sum())
    assert float(edge_signal(ORANGE, GREEN, quarter, "red")[0]) == pytest.approx(worth, rel=1e-3)


def test_zero_light_leaves_nothing_and_no_complaint():
    plan = a_plan()
    dark = replace(plan, shots=(replace(plan.shots[0], light=0.0),))
    looks = looks_of(dark, dark.shots[0], build_layout(dark))
    assert not looks.contrast.any()
    assert not looks.stops.any()
    assert np.isfinite(looks.noise).all()
    assert looks.half_stop > 15  # what is asked for does not fade with the light


# --- exposure --------------------------------------------------------------------------------------------------


def test_exposure_by_stop_time_and_light():
    shot = m.Shot(name="s", camera="A", frames=(1, 2))
    assert exposure_gain(CAMERA, shot) == 1
    assert exposure_gain(CAMERA, replace(shot, stop=CAMERA.stop * 2)) == pytest.approx(1 / 4)
    assert exposure_gain(CAMERA, replace(shot, exposure=1 / 192)) == pytest.approx(1 / 4)
    assert exposure_gain(CAMERA, replace(shot, exposure=1 / 192, light=4.0)) == pytest.approx(1)
    assert exposure_gain(CAMERA, replace(shot, exposure=0.0)) == 0
    # A package that never opens stands for a picture without motion blur.
    assert exposure_gain(replace(CAMERA, shutter=0.0), shot) == 1
    assert light_stops(4, 0, 4, 1 / 48) == math.inf
    assert light_stops(4, 0, 4, 0) == 0


# --- light -----------------------------------------------------------------------------------------------------


def test_the_key_light_s_direction():
    audience = m.Light(azimuth=math.pi, elevation=math.radians(30), share=0.5)
    np.testing.assert_allclose(key_direction(audience), [0, -math.cos(math.pi / 6), 0.5], atol=1e-12)
    left = m.Light(azimuth=math.pi / 2, elevation=0.0)
    np.testing.assert_allclose(key_direction(left), [-1, 0, 0], atol=1e-12)
    np.testing.assert_allclose(key_direction(m.Light(azimuth=1.0, elevation=math.pi / 2)), [0, 0, 1], atol=1e-12)


def test_what_is_left_in_the_key_s_shadow():
    light = m.Light(azimuth=math.pi, elevation=0.0, share=0.6)  # level, from the audience
    normals = np.array([[0, -1, 0], [0, 1, 0], [0, 0, 1], [0, -math.sqrt(0.5), math.sqrt(0.5)], [0, 0, 0]], float)
    # Facing it 0.4 of 1 is left; what looks away or along it loses nothing; at 45 degrees 0.4 of 0.4 + 0.6 cos 45.
    half = 0.4 / (0.4 + 0.6 * math.sqrt(0.5))
    np.testing.assert_allclose(without_key(normals, light), [0.4, 1, 1, half, 0.4], rtol=1e-12)
    alone = without_key(normals, replace(light, share=1.0))
    np.testing.assert_allclose(alone, [0, 1, 1, 0, 0], atol=1e-12)


def test_outlined_shadows_multiply_where_they_overlap():
    square = ((0.0, 0.0), (3.0, 0.0), (3.0, 4.0), (0.0, 4.0))
    plan = a_plan(
        shadows=(
            m.Shadow(surface="wall", outline=square, factor=0.5),
            m.Shadow(surface="wall", outline=((0.0, 0.0), (6.0, 0.0), (6.0, 1.0), (0.0, 1.0)), factor=0.4),
        )
    )
    layout = build_layout(plan)
    left = outlined_shadow(plan.stage.shadows, layout.surfaces, layout.features)
    x, z = layout.features.position_m[:, 0], layout.features.position_m[:, 2]
    wall = layout.features.surface == 1
    # The wall's coordinates begin at x = -3.
    np.testing.assert_allclose(left[wall], (np.where(x < 0, 0.5, 1) * np.where(z < 1, 0.4, 1))[wall])
    assert (left[~wall] == 1).all()


def test_a_performer_shadows_the_floor_behind_him_as_seen_from_the_key():
    # Key at 45 degrees from the audience; a ball of radius 1 about (0, 0, 2) throws its shadow about (0, 2, 0).
    towards = key_direction(m.Light(azimuth=math.pi, elevation=math.radians(45)))
    ball = place("ball", Rounded(np.ones(3), 0.0), np.tile([0, 0, 1.0], (2, 1)), np.zeros(2))
    point = np.array([[0, 2, 0], [0.99, 2, 0], [1.01, 2, 0], [0, 2 + 1.4, 0], [0, 2 + 1.43, 0], [0, -2, 0.0]])
    frame = np.zeros(len(point), int)
    assert key_blocked([ball], frame, point, towards).tolist() == [True, True, False, True, False, False]
    assert key_blocked([], frame, point, towards).tolist() == [False] * 6


def test_a_box_shadows_the_floor_beyond_it_and_its_own_far_side():
    towards = key_direction(m.Light(azimuth=math.pi, elevation=math.radians(45)))
    box = place("box", Box(np.array([0.5, 0.5, 0.5])), np.zeros((1, 3)), np.zeros(1))
    point = np.array([[0, 0.5 + 0.99, 0], [0, 0.5 + 1.01, 0], [0.2, 0.5, 0.5], [0.2, -0.5, 0.5], [0.2, 0.1, 1.0]])
    assert key_blocked([box], np.zeros(5, int), point, towards).tolist() == [True, False, True, False, False]


# --- looks -----------------------------------------------------------------------------------------------------


def test_looks_of_markers_bands_and_gear():
    plan = a_plan(key_light=m.Light(azimuth=math.pi, elevation=0.0, share=0.6))
    layout = build_layout(plan)
    looks, kind = looks_of(plan, plan.shots[0], layout), layout.features.kind
    wall, floor = (layout.features.surface == row for row in (1, 0))
    contrast, noise, stops = edge_signal(LIGHTER, GREEN, CAMERA)
    np.testing.assert_allclose(looks.contrast[0, wall], contrast)
    np.testing.assert_allclose(looks.noise[0, wall], noise)
    np.testing.assert_allclose(looks.stops[:, wall | floor], stops, rtol=1e-6)
    np.testing.assert_allclose(looks.contrast[1, wall], edge_signal(0.4 * LIGHTER, 0.4 * GREEN, CAMERA)[0])
    np.testing.assert_allclose(looks.contrast[:, floor], edge_signal(0.5 * LIGHTER, 0.5 * GREEN, CAMERA)[0])
    band, point = kind == BAND, kind == POINT
    np.testing.assert_allclose(looks.contrast[0, band], edge_signal(ORANGE, np.full(3, 0.05), CAMERA)[0])
    np.testing.assert_allclose(looks.beside[0, band], edge_signal(ORANGE, GREEN, CAMERA)[0])
    np.testing.assert_allclose(looks.pole[0, band], edge_signal(np.full(3, 0.05), GREEN, CAMERA)[0])
    np.testing.assert_allclose(layout.features.pole_m, np.where(band, 0.04, 0.0))
    np.testing.assert_allclose(looks.contrast[0, point], edge_signal(ORANGE, GREEN, CAMERA)[0])
    assert not looks.pole[:, ~band].any()
    bright = replace(plan, stands=(replace(plan.stands[0], pole_paint="pole"),))
    other = looks_of(bright, bright.shots[0], layout)
    np.testing.assert_allclose(other.contrast[0, band], edge_signal(ORANGE, np.full(3, 0.5), CAMERA)[0])


def test_a_plan_without_paints_or_markers_still_has_looks():
    plan = replace(a_plan(), paints=(), markers=())
    looks = looks_of(plan, plan.shots[0], build_layout(plan))
    assert looks.contrast.shape == (1, 10)
    assert np.isfinite(looks.contrast).all()
    empty = replace(plan, stands=(), gear=())
    assert looks_of(empty, empty.shots[0], build_layout(empty)).contrast.shape == (1, 0)


def test_rings_hold_every_corner_once_in_the_order_of_its_outline():
    layout = build_layout(a_plan())
    features, rings = layout.features, rings_of(layout.features)
    assert sorted(ring.shape[1] for ring in rings) == [4, 12]
    every = np.sort(np.concatenate([ring.ravel() for ring in rings]))
    assert every.tolist() == np.flatnonzero(features.kind == CORNER).tolist()
    for ring in rings:
        following = np.roll(ring, -1, axis=1)
        np.testing.assert_array_equal(features.after_m[ring], features.position_m[following])
