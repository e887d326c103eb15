"""What a solve works with, and what the covariance says of it."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from scatterproof.plan.criteria import FRAME_TO_FRAME, REFERENCE
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.prove.predict import predict
from scatterproof.prove.shot import insert_in_view, shot_network, unknowns_of, walk_step
from scatterproof.readiness.rehearse import rehearse
from scatterproof.solve.network import K1, K2
from scatterproof.solve.track_errors import TrackErrors, run_starts
from scatterproof.stage.layout import CORNER


@cache
def rehearsal(name):
    plan = parse_plan(example({"LY": "lantern-yard", "CA": "clockwork-attic", "MB": "moonrise-basin"}[name[:2]])).plan
    return next(rehearse(plan, [name]))


def network(name, unknown="focal length", **criteria):
    r = rehearsal(name)
    camera = next(c for c in r.plan.cameras if c.name == r.shot.camera)
    camera = dataclasses.replace(camera, unknown=unknown)
    chosen = dataclasses.replace(r.criteria, **criteria)
    return shot_network(r.shot, camera, r.layout, r.track, chosen, r.sightings, r.readiness.rotation_only)


def without_bands_leaning(network):
    return dataclasses.replace(network, errors=TrackErrors(network.covariance_px2))


def test_every_unbroken_run_is_a_track_of_its_own():
    n, r = network("LY010", most_tracks=10_000), rehearsal("LY010")
    assert n.seen.sum() == r.sightings.seen.sum()
    assert (run_starts(n.seen).sum(0) == 1).all()
    assert (n.seen.sum(0) >= r.criteria.track_frames).all()
    pole = r.layout.features.pole_m[n.feature] > 0
    assert pole.any()
    assert not np.any(n.errors.offset_px[:, ~pole])
    for track in (0, 7, int(np.flatnonzero(~pole)[-1])):
        rows = np.flatnonzero(n.seen[:, track])
        assert r.sightings.seen[rows, n.feature[track]].all()
        assert np.array_equal(n.uv_px[rows, track], r.sightings.uv_px[rows, n.feature[track]])
        assert np.allclose(n.truth.points_m[track], r.layout.features.position_m[n.feature[track]])


def test_few_tracks_are_spread_over_all_markers_and_keep_what_stands_before_them():
    r = rehearsal("LY010")
    few = network("LY010", most_tracks=120)
    assert few.seen.shape[1] == 120
    features = r.layout.features
    free = np.flatnonzero((features.kind != CORNER) & r.sightings.seen.any(0))
    assert np.isin(free, few.feature).all()
    owners = features.owner[few.feature[features.kind[few.feature] == CORNER]]
    every = np.unique(features.owner[r.sightings.seen.any(0) & (features.kind == CORNER)])
    assert len(np.unique(owners)) == min(len(every), len(owners))
    again = network("LY010", most_tracks=120)
    assert np.array_equal(few.feature, again.feature)


def test_what_is_unknown_follows_the_camera():
    zoom, plain = rehearsal("CA030"), rehearsal("LY010")
    camera = plain.plan.cameras[0]
    told = [
        unknowns_of(dataclasses.replace(camera, unknown=unknown), r.track)
        for unknown in ("nothing", "focal length", "focal length and distortion")
        for r in (plain, zoom)
    ]
    assert [u.focal for u in told] == ["fixed", "fixed", "shared", "frame", "shared", "frame"]
    assert [u.distortion for u in told] == [()] * 4 + [(K1, K2)] * 2
    nodal = network("LY040")
    assert nodal.unknowns.rotation_only
    assert np.ptp(nodal.truth.centres_m, axis=0).max() == 0


def test_tracks_wander_from_frame_to_frame_and_not_against_a_reference():
    still, wandering = network("CA040"), network("CA040", matching=FRAME_TO_FRAME)
    assert rehearsal("CA040").criteria.matching == REFERENCE
    assert not np.any(still.errors.walk_px)
    assert not np.any(still.errors.drift_px)
    assert np.any(wandering.errors.walk_px)
    assert np.any(wandering.errors.drift_px)
    # By hand: sigma 0.1 px on both axes and a window of 15 px step by 15 sqrt(0.043 * 2) * 0.01 px.
    assert walk_step(np.array([0.01, 0.0, 0.01]), 15) == pytest.approx(15 * np.sqrt(0.086) * 0.01)
    turned = np.array([0.02 * 0.36 + 0.01 * 0.64, 0.48 * 0.01, 0.02 * 0.64 + 0.01 * 0.36])  # the same ellipse, turned
    assert walk_step(turned, 15) == pytest.approx(float(walk_step(np.array([0.02, 0.0, 0.01]), 15)))
    one, other = predict(still), predict(wandering)
    assert np.nanmedian(other.slide.drift_sigma_px) > 2 * np.nanmedian(one.slide.drift_sigma_px)
    quick = predict(wandering, thorough=False)
    for part in ("drift_sigma_px", "jitter_sigma_px"):
        ratio = getattr(quick.slide, part) / getattr(other.slide, part)
        assert np.nanmedian(ratio) == pytest.approx(1, abs=0.01)
        assert np.nanquantile(np.abs(ratio - 1), 0.9) < 0.15


def test_an_insert_is_in_view_a_little_beside_the_delivery_frame():
    track = rehearsal("LY010").track
    forward = track.world_from_cam[0, :3, 2]
    across = track.world_from_cam[0, :3, 0]
    half = (track.delivery_px[2] - track.delivery_px[0]) / 2 / track.focal_px[0, 0]
    ahead = track.centre_m[0] + 4 * forward
    places = np.array([ahead, ahead + 4 * 1.6 * half * across, ahead + 4 * 2.6 * half * across, ahead - 8 * forward])
    assert insert_in_view(places, track)[0].tolist() == [True, True, False, False]


def test_a_wall_alone_slides_and_two_stands_cure_it():
    wall, stands = predict(network("LY020")), predict(network("LY030"))
    assert wall.flat
    assert not wall.linear
    assert stands.linear
    assert np.nanmax(wall.slide.drift_95_px) > 10 * np.nanmax(stands.slide.drift_95_px)
    assert np.nanmax(wall.slide.jitter_95_px) > 10 * np.nanmax(stands.slide.jitter_95_px)
    # Fewer limits on the lens can't make a solve better.
    held, free, bent = (
        predict(without_bands_leaning(network("CA040", u)))
        for u in ("nothing", "focal length", "focal length and distortion")
    )
    for less, more in ((held, free), (free, bent)):
        assert (less.slide.drift_sigma_px <= more.slide.drift_sigma_px * (1 + 1e-9)).all()
        assert less.focal_sigma < more.focal_sigma
    assert held.focal_sigma == 0
    assert not bent.lens_held


def test_a_straight_push_trades_the_lens_for_depth_and_the_insert_does_not_mind():
    held, lost = (predict(network("LY030", unknown)) for unknown in ("nothing", "focal length and distortion"))
    assert lost.lens_held
    assert lost.solvable
    assert np.array_equal(lost.slide.drift_px2, held.slide.drift_px2)
    weak = predict(network("LY030"))
    assert weak.focal_sigma > 0.05
    assert np.nanmedian(weak.camera_sigma_m / held.camera_sigma_m) > 10
    assert np.allclose(weak.slide.drift_sigma_px, held.slide.drift_sigma_px, rtol=0.05)


def test_what_cannot_be_solved_is_a_result():
    n = network("LY020")
    nothing = dataclasses.replace(n, seen=np.zeros_like(n.seen))
    p = predict(nothing)
    assert not p.solvable
    assert not p.linear
    assert np.isinf(p.drift_95_px).all()
    assert np.isinf(p.jitter_95_px).all()
    assert len(p.frame) == len(p.camera_sigma_m) == 72
