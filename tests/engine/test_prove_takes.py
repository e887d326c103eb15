"""Simulated takes: what befalls their tracks, what comes of them, the same bits wherever they run."""

from __future__ import annotations

import dataclasses
import os
import signal

import numpy as np
import pytest
from scatterproof.problems import BadInput
from scatterproof.prove.parallel import ONE_THREAD, run_takes
from scatterproof.prove.predict import predict
from scatterproof.prove.shot import ShotNetwork
from scatterproof.prove.takes import Spoiling, Takes, simulated_tracks, solve_take, solved_take
from scatterproof.solve.network import Unknowns
from scatterproof.solve.start import FEW_TRACKS
from scatterproof.solve.track_errors import TrackErrors
from staged_shot import seen_by, staged_shot

ACTION = np.array([0.2, 0.5, 1.0])
CLEAN = Spoiling(blunders=0, life_frames=np.inf)
SEEDS = (5, 1, 4, 2, 3, 8, 7, 6)


def network(frames=24, points=40, seed=3, errors=None, **changes):
    truth, _ = staged_shot(frames, points, 0.0, seed)
    seen = np.ones((frames, points), bool)
    covariance = np.tile(0.04 * np.eye(2), (frames, points, 1, 1))
    whole = ShotNetwork(
        "push", np.arange(1001, 1001 + frames), truth, np.arange(points), seen, seen_by(truth), covariance,
        errors or TrackErrors(covariance), Unknowns("shared"), ACTION, np.ones(frames, bool), 1.0, 8,
        np.zeros(points, bool),
    )  # fmt: skip
    return dataclasses.replace(whole, **changes)


def test_blunders_and_breaks_come_as_often_as_they_are_said_to():
    n = network(200, 60)
    tracks, source = simulated_tracks(n, 1, Spoiling(blunders=0.05, blunder_px=40, life_frames=100))
    assert len(source) == tracks.points
    off = np.linalg.norm(tracks.uv_px - n.uv_px[tracks.frame, source[tracks.point]], axis=1)
    assert (off > 2).mean() == pytest.approx(0.05, abs=0.006)
    # 60 tracks of 200 frames that live 100 on average break about 120 times.
    assert len(source) - 60 == pytest.approx(120, abs=35)
    assert np.bincount(tracks.point).min() >= n.shortest
    kept_up = dataclasses.replace(n, supervised=np.arange(60) < 5)
    source = simulated_tracks(kept_up, 1, Spoiling(life_frames=100))[1]
    assert np.bincount(source)[:5].max() == 1
    assert np.bincount(source)[5:].max() > 1
    calm, same = simulated_tracks(n, 1, CLEAN)
    assert np.array_equal(same, np.arange(60))
    assert np.std(calm.uv_px - n.uv_px[calm.frame, calm.point]) == pytest.approx(0.2, rel=0.03)


def test_a_seed_is_a_take_and_a_shot_has_takes_of_its_own():
    n = network()
    one, two = (simulated_tracks(n, 5)[0].uv_px for _ in range(2))
    assert np.array_equal(one, two)
    for other in (simulated_tracks(n, 6)[0], simulated_tracks(dataclasses.replace(n, name="pull"), 5)[0]):
        assert other.uv_px.shape != one.shape or not np.array_equal(other.uv_px, one)


@pytest.mark.parametrize("walk", [0.0, 0.05])
def test_prediction_and_takes_solved_from_nothing_agree(walk):
    n = network(30, 40, errors=TrackErrors(0.04, walk))
    p = predict(n)
    takes = Takes.of([solve_take(n, seed, CLEAN) for seed in range(60)])
    assert takes.solved == 60
    assert not takes.failures
    assert np.median(takes.drift_px / p.slide.drift_sigma_px) == pytest.approx(1, abs=0.15)
    assert np.median(takes.jitter_px / p.slide.jitter_sigma_px) == pytest.approx(1, abs=0.10)
    assert np.median(takes.drift_95_px / p.slide.drift_95_px) == pytest.approx(1, abs=0.25)


def test_blunders_cost_little():
    n = network()
    clean, usual = (Takes.of([solve_take(n, s, how) for s in range(12)]) for how in (CLEAN, Spoiling()))
    assert usual.solved == 12
    assert np.median(usual.jitter_px / clean.jitter_px) == pytest.approx(1, abs=0.2)
    assert all(0.01 < take.dropped < 0.04 for take in usual.takes)


def test_a_solve_that_is_asked_for_comes_with_its_take():
    n = network()
    take, scene = solved_take(n, 2)
    assert take.solved
    assert np.linalg.norm(scene.centres_m - n.truth.centres_m, axis=1) == pytest.approx(take.camera_m)
    assert take.camera_m.max() < 0.02


def test_failures_are_counted_and_explained():
    few = network()
    few = dataclasses.replace(few, seen=few.seen & (np.arange(40) < 6))
    takes = Takes.of([solve_take(few, seed) for seed in (1, 2)])
    assert takes.solved == 0
    assert takes.failures == {FEW_TRACKS: 2}
    assert "8 tracks" in takes.takes[0].why
    assert takes.takes[0].lost_frames[0] == 1001
    assert np.isnan(takes.drift_px).all()
    assert np.isnan(takes.drift_95_px).all()
    mixed = Takes.of([solve_take(few, 1), solve_take(network(), 1)])
    assert mixed.solved == 1
    assert np.isfinite(mixed.drift_px).all()


def same_bits(one, two):
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(two, field.name)
        assert np.array_equal(a, b, equal_nan=True) if isinstance(a, np.ndarray) else a == b


def test_processes_in_any_order_give_the_same_bits():
    n = network(12, 30)
    told = []
    one = run_takes(n, [3, 1, 2], jobs=2, tell=lambda done, total: told.append((done, total)))
    two = run_takes(n, [1, 2, 3], jobs=1)
    assert told == [(1, 3), (2, 3), (3, 3)]
    assert [take.seed for take in one.takes] == [3, 1, 2]
    by_seed = {take.seed: take for take in two.takes}
    for take in one.takes:
        same_bits(take, by_seed[take.seed])
    with pytest.raises(ValueError, match="at least one seed"):
        run_takes(n, [])


@pytest.fixture
def cluster(tmp_path, monkeypatch):
    distributed = pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    for name in ONE_THREAD:
        monkeypatch.setenv(name, "1")
    options = {"dashboard_address": None, "processes": True, "threads_per_worker": 1, "local_directory": str(tmp_path)}
    with distributed.LocalCluster(n_workers=2, **options) as running:
        yield running


def test_a_cluster_gives_the_same_bits_though_a_worker_is_killed_half_way(cluster):
    shot = network(24, 40)
    here = run_takes(shot, sorted(SEEDS), jobs=2)
    workers = [worker.pid for worker in cluster.workers.values()]
    assert len(workers) == 2
    told = []

    def tell(done, total):
        told.append((done, total))
        if done == 2:
            os.kill(workers[0], signal.SIGKILL)

    there = run_takes(shot, SEEDS, cluster=cluster.scheduler_address, tell=tell)
    assert told == [(i + 1, len(SEEDS)) for i in range(len(SEEDS))]
    assert [take.seed for take in there.takes] == list(SEEDS)
    by_seed = {take.seed: take for take in here.takes}
    for take in there.takes:
        same_bits(take, by_seed[take.seed])


def test_a_cluster_without_workers_is_told(tmp_path):
    distributed = pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=None, local_directory=str(tmp_path)) as empty,
        pytest.raises(BadInput, match="a scheduler without workers; expected at least one worker"),
    ):
        run_takes(network(12, 30), [1], cluster=empty.scheduler_address)
