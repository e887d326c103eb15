"""Rendered by a path tracer, tracked by OpenCV, solved from track files: slide and camera against the prediction.

The tracks were made by rendered_push.py, whose docstring tells how. One number in the engine was read off them, the
floor of a match's scatter (TRACK_FLOOR): what they say of jitter is no test of that one. With 0.03 px instead of
0.045 px slide and camera came out within two times as well.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from rendered_tracks import SCENES, STYLES, compare, rehearsed, unpacked

DATA = Path(__file__).parent / "data"
PLAN, TRACKS = DATA / "rendered_push.toml", DATA / "rendered_push.npz"


def recordings(scene, style):
    """The kept takes of a scene in one style of matching, each (F, T, 2)."""
    with np.load(TRACKS) as kept:
        takes = sorted({key.split("/")[2] for key in kept if key.startswith(f"{scene}/{style}/")})
        return [unpacked(*(kept[f"{scene}/{style}/{take}/{part}"] for part in ("step", "seen"))) for take in takes]


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    @cache
    def of(scene, style):
        folder = tmp_path_factory.mktemp("tracks")
        return compare(rehearsed(PLAN, scene, style), recordings(scene, style), folder)

    return of


@pytest.mark.parametrize("scene", SCENES)
@pytest.mark.parametrize("style", STYLES)
def test_every_frame_is_solved_from_the_tracks(compared, scene, style):
    for solve in compared(scene, style).solves:
        assert solve.solved.all()
        assert not solve.rotation_only


@pytest.mark.parametrize("style", STYLES)
def test_with_stands_drift_jitter_and_camera_are_as_predicted_within_two_times(compared, style):
    found = compared("with stands", style)
    assert found.prediction.linear
    assert (found.ratio > 0.5).all(), found.ratio
    assert (found.ratio < 2).all(), found.ratio


@pytest.mark.parametrize("scene", SCENES)
def test_tracks_matched_back_to_a_reference_scatter_as_their_sightings_say(scene):
    style = "matched back to a reference"
    network = rehearsed(PLAN, scene, style).network
    sigma = np.sqrt(np.trace(network.covariance_px2, axis1=2, axis2=3) / 2)
    off = np.array([uv - network.uv_px - network.errors.offset_px for uv in recordings(scene, style)])
    first = np.isfinite(off[..., 0]).argmax(axis=1)
    for take, row in zip(off, first, strict=True):
        take[row, np.arange(take.shape[1])] = np.nan  # there a track is put by hand
    off, sigma = np.moveaxis(off, 1, 2), sigma.T  # (takes, T, F, 2), (T, F)
    some = (np.isfinite(off[..., 0]) & network.seen.T).sum(2) > 2
    off = np.where(network.seen.T[..., None], off, np.nan)[some]
    off -= np.nanmedian(off, axis=1, keepdims=True)
    off /= np.broadcast_to(np.where(sigma > 0, sigma, 1.0), (*some.shape, len(network.seen)))[some][..., None]
    share = np.nanmedian(np.abs(off)) / 0.6745  # normal: the median
    assert share == pytest.approx(1, abs=0.2)


@pytest.mark.parametrize("style", STYLES)
def test_the_wall_alone_is_flagged_weak_and_its_order_of_magnitude_is_right(compared, style):
    found, stands = compared("wall only", style), compared("with stands", style)
    assert found.prediction.flat
    assert not found.prediction.linear
    assert found.prediction.solvability < 0.2 * stands.prediction.solvability
    assert (found.ratio > 0.1).all(), found.ratio
    assert (found.ratio < 10).all(), found.ratio
