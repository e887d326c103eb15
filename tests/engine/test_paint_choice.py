"""The choice of marker paint: measures that move the right way, ranks by the plan's weights, nearly empty plans."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scatterproof.paint.choice import (
    MEASURES,
    Scene,
    ShotEdges,
    candidates_of,
    edge_crossings,
    scene_of,
    shot_edges,
    study_paint,
)
from scatterproof.paint.key import crunch, edge_profile, matte, matte_noise, rim_px
from scatterproof.plan import model as m
from scatterproof.readiness.rehearse import rehearse
from scatterproof.sightings.photometry import decode
from scatterproof.sightings.sighting import HIDDEN, OUTSIDE
from scatterproof.stage.layout import CORNER, build_layout

CAMERA = m.Camera(name="A", film_back=(24, 18), resolution=(2000, 1500), delivery_aspect=1.78, focal_length=30)
GREEN = decode(np.array([70.0, 148.0, 73.0]))
LIGHTER, DARKER, BLACK = GREEN * 2**0.5, GREEN * 2**-0.5, np.full(3, 0.04)
SCENE = Scene(light=1.0, shade=0.5, disc_px=2.0, crossings=1.0)


def a_plan(**more):
    known = {
        "name": "p",
        "paints": (
            m.Paint(name="screen", srgb=(70, 148, 73)),
            m.Paint(name="marker", srgb=(83, 173, 87)),
            m.Paint(name="band", srgb=(232, 119, 34)),
        ),
        "patches": (
            m.Patch(name="moss coat", srgb=(70, 110, 66)),
            m.Patch(name="lamp black", srgb=(40, 40, 41), use="prop"),
        ),
        "stage": m.Stage(
            floors=(m.Floor(x=(-3, 3), y=(-3, 3), light=0.8),),
            walls=(m.Wall(name="wall", start=(-3, 3), end=(3, 3), height=4),),
            shadows=(m.Shadow(surface="wall", outline=((0, 0), (2, 0), (2, 4), (0, 4)), factor=0.5),),
        ),
        "markers": (m.MarkerSet(name="a", surfaces=("wall",), layout="grid", shape="square", spacing=0.7),),
        "blockers": (m.Blocker(name="b", at=(0.3, 1, 0)),),
        "cameras": (CAMERA,),
        "shots": (m.Shot(name="s", camera="A", frames=(1, 12), move=m.Move(start=(0, -3, 1.5), aim=(0, 3, 1.5))),),
    }
    return m.Plan(**(known | more))


def by_name(study):
    return {candidate.name: candidate for candidate in study.candidates}


# --- the key ---------------------------------------------------------------------------------------------------


def test_noise_of_the_matte_by_simulation():
    rng = np.random.default_rng(3)
    white = 1 / CAMERA.shot_noise**2
    counted = rng.poisson(DARKER * white, (200_000, 3)) + rng.normal(0, CAMERA.read_noise * white, (200_000, 3))
    found = matte(counted / white, GREEN).std()
    # The brighter of two nearly equal primaries is taken, which is a little less noisy than either.
    assert found == pytest.approx(float(matte_noise(DARKER, GREEN, CAMERA)), rel=0.08)


def test_the_crunch_loses_marker_and_noise_and_grows_in_the_dark():
    for paint, residue in ((LIGHTER, 0.0), (DARKER, 0.293)):
        assert matte(paint, GREEN) == pytest.approx(residue, abs=1e-3)
        lit, dim = crunch(paint, GREEN, CAMERA), crunch(paint / 4, GREEN / 4, CAMERA)
        assert residue < lit < dim < 1
    assert crunch(BLACK, GREEN, CAMERA) == 1
    assert crunch(GREEN, np.full(3, 0.2), CAMERA) == 1  # a grey screen has no key
    quiet = replace(CAMERA, read_noise=0.0, shot_noise=0.0)
    assert crunch(DARKER, GREEN, quiet) == pytest.approx(1 - 2**-0.5, abs=1e-12)


def test_an_edge_profile_runs_from_screen_to_marker():
    at, linear = edge_profile(BLACK, GREEN, CAMERA, 4.0)
    assert at.shape == linear.shape[:2]
    np.testing.assert_allclose(linear[at < -3], np.broadcast_to(GREEN, linear[at < -3].shape), rtol=1e-9)
    np.testing.assert_allclose(linear[at > 3], np.broadcast_to(BLACK, linear[at > 3].shape), rtol=1e-9)
    middle = np.abs(at) < 1e-9
    np.testing.assert_allclose(linear[middle], np.broadcast_to((GREEN + BLACK) / 2, linear[middle].shape), rtol=1e-6)


def test_rims_widen_with_softness_and_coarse_colour_and_not_for_what_keys_clean():
    coarse = replace(CAMERA, sampling="4:2:2")
    rims = [rim_px(BLACK, GREEN, CAMERA, disc, 0.5) for disc in (0.0, 2.0, 6.0)]
    assert 0 < rims[0] < rims[1] < rims[2] < 3.5
    assert rim_px(BLACK, GREEN, coarse, 0.0, 0.5) > rims[0]
    assert rim_px(LIGHTER, GREEN, coarse, 2.0, 0.5) == 0
    assert rim_px(GREEN, GREEN, coarse, 2.0, 0.5) == 0


# --- candidates ------------------------------------------------------------------------------------------------


def test_candidates_are_general_ones_and_the_plan_s_own():
    names = [name for name, _ in candidates_of(a_plan(), 0.5)]
    assert names[:2] == ["marker", "band"]
    assert set(names[2:]) == {
        "screen, 0.5 stop lighter", "screen, 0.5 stop darker", "black", "white",
        "screen turned red", "screen turned blue",
    }  # fmt: skip
    turned = dict(candidates_of(a_plan(), 0.5))["screen turned blue"]
    np.testing.assert_allclose(turned, GREEN[[0, 2, 1]])
    blue = replace(a_plan(), paints=(m.Paint(name="screen", linear=(0.03, 0.08, 0.5)),))
    assert {"screen turned red", "screen turned green"} <= {name for name, _ in candidates_of(blue, 1.0)}
    assert max(dict(candidates_of(blue, 4.0))["screen, 4 stop lighter"]) == 1


def test_measures_of_the_usual_choices():
    found = by_name(study_paint(a_plan(), SCENE))
    lighter, darker, black, white = (
        found[name] for name in ("screen, 0.5 stop lighter", "screen, 0.5 stop darker", "black", "white")
    )
    assert lighter.stops == pytest.approx(0.5)
    assert black.contrast > darker.contrast > 15
    assert black.sigma_px < darker.sigma_px
    for candidate in found.values():
        assert candidate.shadow_contrast <= candidate.contrast
        assert candidate.shadow_sigma_px >= candidate.sigma_px
        assert all(0 <= merit <= 1 for merit in candidate.merits)
    assert (lighter.residue, black.residue, white.residue) == (0, 1, 1)
    assert lighter.crunch < darker.crunch < black.crunch == 1
    assert lighter.rim_px == 0 < black.rim_px
    assert white.headroom_stops == pytest.approx(math.log2(1 / 0.85), abs=1e-6)
    assert lighter.headroom_stops == pytest.approx(darker.headroom_stops - 1, abs=1e-9)
    assert lighter.cleanup < darker.cleanup < black.cleanup == SCENE.crossings
    assert lighter.nearest_patch == "moss coat"


def test_colours_that_go_with_a_marker():
    """Black paint takes the black prop with it; a crunch that loses the darker tone takes a moss green coat."""
    found = by_name(study_paint(a_plan(), SCENE))
    assert found["black"].lost_patches == ("lamp black",)
    assert found["black"].lost_colours > 0
    coat = decode(np.array([70.0, 110.0, 66.0]))
    clean = crunch(GREEN, GREEN, CAMERA)
    assert matte(coat, GREEN) > clean
    deep = by_name(study_paint(replace(a_plan(), paint_choice=m.PaintChoice(step=1.3, most_crunch=0.9)), SCENE))
    darker = deep["screen, 1.3 stop darker"]
    assert float(matte(coat, GREEN)) < darker.crunch < 0.9
    assert "moss coat" in darker.lost_patches
    assert "moss coat" not in found["screen, 0.5 stop lighter"].lost_patches


def test_the_plan_s_weights_rank_and_nothing_else():
    for measure in MEASURES:
        only = m.PaintChoice(**{name: float(name == measure) for name in MEASURES})
        study = study_paint(replace(a_plan(), paint_choice=only), SCENE)
        merits = [candidate.merits[MEASURES.index(measure)] for candidate in study.candidates]
        assert merits == sorted(merits, reverse=True)
        assert [candidate.score for candidate in study.candidates] == pytest.approx(merits)
    none = m.PaintChoice(**dict.fromkeys(MEASURES, 0.0))
    assert {c.score for c in study_paint(replace(a_plan(), paint_choice=none), SCENE).candidates} == {0.0}


def test_the_worst_camera_counts():
    noisy = replace(CAMERA, name="B", shot_noise=0.05)
    both = a_plan(cameras=(CAMERA, noisy))
    both = replace(both, shots=(*both.shots, replace(both.shots[0], name="t", camera="B")))
    alone, found = by_name(study_paint(a_plan(), SCENE)), by_name(study_paint(both, SCENE))
    assert found["marker"].sigma_px > alone["marker"].sigma_px
    assert found["marker"].crunch > alone["marker"].crunch
    unused = replace(a_plan(), cameras=(CAMERA, noisy))
    assert by_name(study_paint(unused, SCENE))["marker"] == alone["marker"]


# --- the scene -------------------------------------------------------------------------------------------------


def test_light_and_shade_are_those_at_markers():
    plan = a_plan()
    scene = scene_of(plan, build_layout(plan))
    assert (scene.light, scene.shade) == (1.0, 0.5)
    bare = replace(plan, markers=())
    scene = scene_of(bare, build_layout(bare))
    assert (scene.light, scene.shade) == (1.0, 0.8)
    mean = scene_of(
        plan, build_layout(plan), (ShotEdges(10, 5, 2.0), ShotEdges(30, 5, 4.0), ShotEdges(60, 0, math.nan))
    )
    assert (mean.crossings, mean.disc_px) == (pytest.approx(0.1), pytest.approx(3.5))


def test_crossings_are_markers_that_a_silhouette_cuts():
    plan = a_plan()
    (scored,) = rehearse(plan)
    found = edge_crossings(scored.layout, scored.sightings)
    features, why = scored.layout.features, scored.sightings.why[0]
    expected = 0
    for owner in np.unique(features.owner[features.kind == CORNER]):
        own = why[features.owner == owner]
        expected += bool((own == HIDDEN).any() and ((own != HIDDEN) & (own != OUTSIDE)).any())
    assert found[0] == expected > 0
    edges = shot_edges(scored.layout, scored.sightings)
    assert edges.crossings == found.sum()
    assert 0 < edges.disc_px < 20


@pytest.mark.parametrize(
    "plan",
    [
        m.Plan(name="bare", stage=m.Stage()),
        a_plan(cameras=(), shots=()),
        a_plan(paints=()),
        a_plan(paints=(m.Paint(name="screen", linear=(0.0, 0.0, 0.0)),)),
        a_plan(paints=(m.Paint(name="screen", linear=(0.4, 0.4, 0.4)),)),
        a_plan(markers=(), patches=()),
    ],
)
def test_plans_with_little_in_them(plan):
    for scene in (scene_of(plan, build_layout(plan)), Scene(0.0, 0.0, 0.0, 0.0)):
        study = study_paint(plan, scene)
        assert len(study.candidates) >= 6
        for candidate in study.candidates:
            assert not any(math.isnan(v) for v in (*candidate.merits, candidate.score, candidate.sigma_px))
