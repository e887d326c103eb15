"""Whether a tracker can place what is seen: each reason by a case made for it, and every input that has no answer."""

import math
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.camera.track import camera_track
from scatterproof.plan import model as m
from scatterproof.plan.criteria import ShotCriteria
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.verdict import FIRM, LOST, THIN
from scatterproof.sightings.blockers import build_occluders
from scatterproof.sightings.blur import defocus_px, round_disc_px
from scatterproof.sightings.corner import corner_covariance
from scatterproof.sightings.photometry import looks_of
from scatterproof.sightings.sighting import (
    BLURRED,
    HIDDEN,
    MERGED,
    OUTSIDE,
    PALE,
    SEEN,
    UNCERTAIN,
    larger_sigma,
)
from scatterproof.sightings.visibility import frame_chunks, sight, spread_of
from scatterproof.stage.layout import BAND, CORNER, DISC, POINT, build_layout

CRITERIA = ShotCriteria(track_frames=1)
GREEN = (0.06, 0.3, 0.07)
JUDGED = (SEEN, PALE, BLURRED, UNCERTAIN)


def stops_up(stops):
    return tuple(v * 2**stops for v in GREEN)


def a_plan(step=0.5, sets=None, camera=None, shot=None, **stage):
    """A wall of squares 5 m away, straight ahead; a stand, a crate, a disc."""
    package = {"name": "A", "film_back": (24.0, 12.0), "resolution": (4000, 2000), "delivery_aspect": 2.0,
               "focal_length": 32.0, "focus": 5.0, "stop": 8.0}  # fmt: skip
    square = m.MarkerSet(
        name="squares", surfaces=("wall",), layout="grid", shape="square", spacing=0.6, size=(0.15, 0.15), turn=0.3
    )
    disc = m.MarkerSet(
        name="disc",
        surfaces=(),
        layout="placed",
        shape="disc",
        placed=(m.PlacedMarker(surface="wall", at=(3.05, 1.75), size=0.1),),
    )
    return m.Plan(
        name="p",
        paints=(
            m.Paint(name="screen", linear=GREEN),
            m.Paint(name="marker", linear=stops_up(step)),
            m.Paint(name="band", linear=(0.8, 0.2, 0.02)),
        ),
        stage=m.Stage(walls=(m.Wall(name="wall", start=(-3, 5), end=(3, 5), height=3.5),), **stage),
        markers=(square, disc) if sets is None else sets,
        stands=(m.Stand(name="s", at=(0.7, 3), height=2, bands=(1.2, 1.8)),),
        gear=(m.Gear(name="g", at=(-1, 3, 0.6), size=(0.5, 0.4, 0.6)),),
        cameras=(m.Camera(**(package | (camera or {}))),),
        shots=(
            m.Shot(
                **(
                    {"name": "s", "camera": "A", "frames": (1, 2), "move": m.Move(start=(0, 0, 1.6), aim=(0, 5, 1.6))}
                    | (shot or {})
                )
            ),
        ),
    )


def sighted(plan, criteria=CRITERIA, **changed):
    shot, layout = plan.shots[0], build_layout(plan)
    track = replace(camera_track(plan, shot), **changed)
    occluders = build_occluders(plan, shot, track.frame, None)
    looks = looks_of(plan, shot, layout, criteria.channel)
    return layout, track, looks, sight(layout.features, track, occluders, criteria, looks=looks)


def of_kind(layout, *kinds):
    return np.isin(layout.features.kind, kinds)


def reasons(layout, found, *kinds):
    """Reasons of the features of these kinds that were judged by their looks."""
    why = found.why[:, of_kind(layout, *kinds)]
    return set(why[np.isin(why, JUDGED)].tolist())


# --- what is placed, and how well ------------------------------------------------------------------------------


def test_a_clear_shot_tracks_every_kind_of_feature():
    layout, _, _, found = sighted(a_plan())
    for kind in (CORNER, DISC, BAND, POINT):
        assert reasons(layout, found, kind) == {SEEN}
    sigma = larger_sigma(found.covariance[found.seen])
    assert sigma.min() > 0.01
    assert sigma.max() * math.sqrt(2) < CRITERIA.match
    assert np.isinf(larger_sigma(found.covariance[~found.seen & ~np.isin(found.why, JUDGED)])).all()


def test_corners_have_half_the_covariance_of_their_own_match():
    plan = a_plan(shot={"move": m.Move(kind="dolly", start=(0, 0, 1.6), aim=(0, 5, 1.6)), "frames": (1, 24)})
    layout, track, looks, found = sighted(plan)
    features = layout.features
    some = np.argwhere(found.seen & of_kind(layout, CORNER))[::97]
    assert len(some) > 10
    for row, corner in some:
        ring = np.flatnonzero((features.owner == features.owner[corner]) & of_kind(layout, CORNER))
        ring = np.roll(ring, -int(np.flatnonzero(ring == corner)[0]))
        depth = found.depth_m[row, corner]
        disc = round_disc_px(defocus_px(track, np.array([depth]), np.array([row])))[0]
        assert found.defocus_px[row, corner] == pytest.approx(disc, rel=1e-5, abs=1e-6)
        alone, tracked = corner_covariance(
            found.uv_px[row, ring], looks.contrast[0, corner], looks.noise[0, corner], disc,
            found.motion_px[row, corner], CRITERIA.window,
        )  # fmt: skip
        assert tracked
        packed = alone.reshape(4)[[0, 1, 3]] / 2
        np.testing.assert_allclose(found.covariance[row, corner], packed, rtol=1e-3, atol=1e-3 * packed.max())


@pytest.mark.parametrize("kind", [BAND, DISC])
def test_large_shapes_are_matched_where_the_window_holds_them(kind):
    """Twice the size in the picture: one halving more, where the same picture has half the noise to begin with, so
    that a place is known as well as before in pixels of the larger picture (the camera's own blur helps a little)."""
    sigmas = []
    for width in (4000, 8000, 16000):
        plan = a_plan(camera={"resolution": (width, width // 2)})
        layout, _, _, found = sighted(plan)
        mine = of_kind(layout, kind)
        assert reasons(layout, found, kind) == {SEEN}
        sigmas.append(float(np.median(larger_sigma(found.covariance[:, mine][found.seen[:, mine]]))))
    assert max(sigmas) < 1.5 * min(sigmas)


# --- why not ---------------------------------------------------------------------------------------------------


def test_too_little_contrast():
    layout, _, _, found = sighted(a_plan(step=0.05))
    assert reasons(layout, found, CORNER, DISC) == {PALE}
    assert reasons(layout, found, BAND, POINT) == {SEEN}
    layout, _, _, found = sighted(a_plan(step=0.0))
    assert reasons(layout, found, CORNER, DISC) == {PALE}
    assert np.isinf(larger_sigma(found.covariance[:, of_kind(layout, CORNER)])).all()


def test_too_soft_and_too_smeared():
    soft = a_plan(camera={"focus": 0.5, "stop": 1.4})
    layout, _, _, found = sighted(soft)
    assert reasons(layout, found, CORNER) == {BLURRED}
    fast = a_plan(shot={"move": m.Move(kind="pan", start=(0, 0, 1.6), aim=(0, 5, 1.6), angle=1.5), "frames": (1, 9)})
    layout, _, _, found = sighted(fast)
    assert found.blur_px[4, found.why[4] != OUTSIDE].min() > 50
    assert reasons(layout, found, CORNER) >= {BLURRED}
    assert PALE not in reasons(layout, found, CORNER)


def test_pale_and_soft_is_called_by_what_costs_more():
    slightly_soft = {"camera": {"stop": 2.8, "focus": 4.0}}  # 3 px
    layout, _, _, found = sighted(a_plan(step=0.06, **slightly_soft))
    assert reasons(layout, found, CORNER) == {PALE}
    very_soft = {"camera": {"stop": 0.7, "focus": 2.0}}
    layout, _, _, found = sighted(a_plan(step=0.4, **very_soft))
    assert reasons(layout, found, CORNER) == {BLURRED}


def test_what_is_too_uncertain_sharp_as_it_is():
    """A corner that is all but straight holds its point in one direction only."""
    flat = ((-0.3, -0.2), (0.3, -0.2), (0.3, 0.2), (0.0, 0.203), (-0.3, 0.2))
    sets = (
        m.MarkerSet(
            name="flat",
            surfaces=(),
            layout="placed",
            placed=(m.PlacedMarker(surface="wall", at=(3, 1.6), size=0.5, outline=flat),),
        ),
    )
    layout, _, _, found = sighted(a_plan(sets=sets))
    corners = of_kind(layout, CORNER)
    assert sorted(found.why[0, corners].tolist()) == [SEEN] * 4 + [UNCERTAIN]


def test_a_performer_s_shadow_hides_markers_by_taking_their_light():
    key = m.Light(azimuth=math.radians(150), elevation=0.0, share=1.0)  # its shadow falls 1.15 m further to the right
    plan = replace(a_plan(key_light=key), blockers=(m.Blocker(name="b", size=(0.8, 0.8, 1.8), at=(0.2, 3.0, 0)),))
    layout, _, looks, found = sighted(plan)
    dark = found.shaded & np.isin(found.why, JUDGED)
    assert dark.sum() > 4
    assert (found.why[dark] == PALE).all()
    assert not looks.contrast[1, of_kind(layout, CORNER)].any()
    half = replace(plan, stage=replace(plan.stage, key_light=replace(key, share=0.5)))
    layout, _, looks, found = sighted(half)
    assert (found.why[found.shaded & of_kind(layout, CORNER)] == SEEN).all()
    assert (looks.contrast[1] < looks.contrast[0])[of_kind(layout, CORNER)].all()


def test_another_channel_sees_other_bands():
    """Orange on green: little in luma, much in red."""
    plan = a_plan()
    sigma = {}
    for channel in ("luma", "red"):
        layout, _, _, found = sighted(plan, replace(CRITERIA, channel=channel))
        sigma[channel] = larger_sigma(found.covariance[0, of_kind(layout, BAND)]).max()
    assert sigma["red"] < sigma["luma"]


@settings(max_examples=25, deadline=None)
@given(st.floats(0.5, 1.0), st.floats(1.0, 3.0), st.floats(0.05, 0.6), st.floats(1.4, 8.0), st.floats(2.0, 8.0))
def test_less_light_and_wider_stops_never_help(light, wider, step, stop, focus):
    plan = a_plan(step=step, camera={"stop": stop, "focus": focus})
    _, _, _, before = sighted(plan)
    dimmer = replace(plan, shots=(replace(plan.shots[0], light=light),))
    wide = a_plan(step=step, camera={"stop": max(stop / wider, 0.5), "focus": focus})
    for changed in (dimmer, wide):
        _, _, _, after = sighted(changed)
        judged = np.isin(before.why, JUDGED)
        # Beyond what tracks, sigmas only say "lost", at what size is no matter.
        one, other = (np.minimum(larger_sigma(found.covariance[judged]), CRITERIA.match) for found in (before, after))
        assert (other >= one * (1 - 1e-3)).all()
        assert not (after.seen & ~before.seen).any()


# --- input without an answer -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plan", "changed"),
    [
        (a_plan(shot={"light": 0.0}), {}),
        (a_plan(camera={"shutter": 0.0}), {}),
        (a_plan(shot={"exposure": 0.0}), {}),
        (a_plan(), {"focus_m": np.array([0.03, 0.03])}),
        (a_plan(), {"focus_m": np.array([-1.0, 0.0])}),
        (a_plan(), {"focus_m": np.array([np.inf, np.inf])}),
        (a_plan(shot={"move": m.Move(start=(0, 4.99, 1.6), aim=(0, 5, 1.6))}), {}),
        (a_plan(shot={"move": m.Move(start=(0, 0, 1.6), aim=(0, -5, 1.6))}), {}),
        (a_plan(sets=()), {}),
        (replace(a_plan(sets=()), stands=(), gear=()), {}),
        (replace(a_plan(), paints=()), {}),
        (a_plan(camera={"read_noise": 0.0, "shot_noise": 0.0}), {}),
        (a_plan(camera={"read_noise": 1.0, "shot_noise": 1.0}), {}),
    ],
)
def test_no_answer_is_said_without_complaint(plan, changed):
    _, _, _, found = sighted(plan, **changed)
    assert not np.isnan(found.covariance).any()
    assert np.isfinite(found.covariance[found.seen]).all()
    assert np.isin(found.why, (*JUDGED, *range(1, 6))).all()


def test_without_light_and_without_focus_nothing_is_tracked():
    _, _, _, dark = sighted(a_plan(shot={"light": 0.0}))
    assert not dark.seen.any()
    assert (dark.why == PALE).any()
    _, _, _, blind = sighted(a_plan(), focus_m=np.array([0.03, -1.0]))
    assert not blind.seen.any()
    assert (blind.why == BLURRED).any()


def test_a_shutter_that_never_opens_stands_for_a_picture_without_motion_blur():
    move = m.Move(kind="pan", start=(0, 0, 1.6), aim=(0, 5, 1.6), angle=1.5)
    layout, _, _, found = sighted(a_plan(camera={"shutter": 0.0}, shot={"move": move, "frames": (1, 9)}))
    assert reasons(layout, found, CORNER) == {SEEN}


def test_geometry_alone_where_nobody_tells_the_looks():
    plan = a_plan(step=0.0)
    layout, shot = build_layout(plan), plan.shots[0]
    found = sight(layout.features, camera_track(plan, shot), (), CRITERIA)
    assert found.seen.any()
    assert np.isinf(found.covariance[..., 0]).all()
    assert np.isin(found.why, (SEEN, OUTSIDE, HIDDEN, MERGED)).all()


# --- in chunks -------------------------------------------------------------------------------------------------


def test_in_chunks_as_all_at_once():
    plan = a_plan(
        shot={"move": m.Move(kind="dolly", start=(0, 0, 1.6), aim=(0, 5, 1.6)), "frames": (1, 12)},
        key_light=m.Light(azimuth=math.radians(150), elevation=0.0, share=0.9),
    )
    plan = replace(plan, blockers=(m.Blocker(name="b", size=(0.8, 0.8, 1.8), at=(0.2, 3.0, 0)),))
    layout, shot = build_layout(plan), plan.shots[0]
    track, looks = camera_track(plan, shot), looks_of(plan, shot, layout)
    occluders = build_occluders(plan, shot, track.frame, None)
    whole = sight(layout.features, track, occluders, CRITERIA, looks=looks)
    assert whole.shaded.any()
    for first in range(0, 12, 5):
        rows = slice(first, min(first + 5, 12))
        part = sight(layout.features, track, occluders, CRITERIA, rows, looks=looks)
        for name in ("why", "shaded", "defocus_px"):
            np.testing.assert_array_equal(getattr(part, name), getattr(whole, name)[rows], err_msg=name)
        np.testing.assert_allclose(part.covariance, whole.covariance[rows], rtol=1e-4)


def test_memory_with_looks_stays_within_its_budget():
    move = m.Move(kind="dolly", start=(0, 0, 1.6), aim=(0, 5, 1.6))
    plan = a_plan(shot={"move": move, "frames": (1, 400)}, camera={"stop": 0.7, "focus": 2.0})  # all fail, at length
    layout, shot = build_layout(plan), plan.shots[0]
    track, looks = camera_track(plan, shot), looks_of(plan, shot, layout)
    rows = next(frame_chunks(len(track), len(layout.features), 20_000_000))
    assert 20 < rows.stop < 400
    spread = spread_of(layout.features)
    tracemalloc.start()
    found = sight(layout.features, track, (), CRITERIA, rows, spread, looks)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert (found.why == BLURRED).mean() > 0.3
    assert peak < 20_000_000


# --- the verdict -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("step", "state"), [(0.5, FIRM), (0.3, THIN), (0.2, LOST)])
def test_contrast_decides_a_frame(step, state):
    move = m.Move(kind="pan", start=(0, 0, 1.6), aim=(0, 5, 1.6), angle=0.02)
    (scored,) = rehearse(a_plan(step=step, shot={"move": move, "frames": (1, 24)}))
    readiness = scored.readiness
    assert readiness.rotation_only
    assert (readiness.state == state).all()
    assert readiness.contrast_stops == pytest.approx(np.full(24, step), abs=1e-3)
    if state != FIRM:
        assert {reasons[0].code for reasons in readiness.reasons} == {"contrast"}
        assert "stops from their screen" in readiness.reasons[0][0].text


def test_a_rolling_shutter_is_told_in_pixels():
    move = m.Move(kind="pan", start=(0, 0, 1.6), aim=(0, 5, 1.6), angle=0.1)
    plan = a_plan(camera={"read_out": 0.02}, shot={"move": move, "frames": (1, 24)})
    (scored,) = rehearse(plan)
    (note,) = [note for note in scored.notes if "read-out" in note]
    assert "20 ms" in note
    assert not [note for r in rehearse(a_plan()) for note in r.notes if "read-out" in note]
