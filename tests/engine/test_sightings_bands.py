"""Where a band is seen on its pole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scatterproof.camera.lens import project
from scatterproof.prove.bands import as_one_point
from scatterproof.sightings.bands import NEAR, near_side
from scatterproof.stage.layout import BAND
from track_files import rehearsal


def test_a_band_is_seen_towards_the_camera_and_level_with_its_middle():
    axis = np.array([[0.0, 0.0, 1.0], [2.0, 2.0, 1.5]])
    near = near_side(axis, np.array([0.02, 0.0]), np.array([[0.0, -3.0, 2.0], [4.0, 0.0, 0.0]]))
    assert near[:, 0] == pytest.approx(np.array([[0, -NEAR * 0.02, 1], [NEAR * 0.02, 0, 1]]))
    assert np.array_equal(near[:, 1], np.tile(axis[1], (2, 1)))  # a thread has no near side


def test_the_mean_of_the_near_half_of_a_band_s_edge_is_where_it_is_taken_to_be():
    # The visible half circle of an edge, as even steps across the pole, in the picture of a camera far above it.
    across = (np.arange(2000) + 0.5) / 1000 - 1
    depth = np.sqrt(1 - across**2)
    assert depth.mean() == pytest.approx(NEAR, rel=1e-4)


def test_one_point_explains_a_band_from_one_place_and_nearly_from_a_straight_push():
    r = rehearsal()
    track, n = r.track, r.network
    band = np.flatnonzero(r.layout.features.kind[n.feature] == BAND)
    axis, radius = r.layout.features.position_m[n.feature[band]], r.layout.features.pole_m[n.feature[band]] / 2
    seen, weight = n.seen[:, band], n.errors.white_px2[:, band]
    wanted = project(near_side(axis, radius, track.centre_m), track)[0]
    before = np.linalg.norm(wanted - project(axis, track)[0], axis=-1)[seen]
    point, beside = as_one_point(axis, radius, track, track.centre_m, seen, weight)
    after = np.linalg.norm(beside, axis=-1)[seen]
    assert np.abs(project(point, track)[0] + beside - wanted)[seen].max() < 1e-9
    assert not beside[~seen].any()
    assert np.sqrt(np.mean(after**2)) < 0.2 * np.sqrt(np.mean(before**2))
    assert np.linalg.norm(point - axis, axis=1).max() < 0.05
    # Least squares: no small shift of a point does better.
    root = np.linalg.inv(weight[seen])
    cost = np.einsum("ki,kij,kj->", beside[seen], root, beside[seen])
    for step in 1e-3 * np.vstack([np.eye(3), -np.eye(3)]):
        other = (wanted - project(point + step, track)[0])[seen]
        assert np.einsum("ki,kij,kj->", other, root, other) > cost
    still = replace(track, world_from_cam=np.repeat(track.world_from_cam[:1], len(track), axis=0))
    beside = as_one_point(axis, radius, still, still.centre_m, seen, weight)[1]
    assert np.abs(beside[seen]).max() < 0.01
