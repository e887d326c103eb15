"""The corner model against OpenCV's pyramidal Lucas-Kanade on synthetic pictures: corner_bench.py, cut down.

The full bench (its docstring tells how) has twenty-five times the pictures and prints a table.
"""

import cv2
import numpy as np
import pytest
from corner_cases import SETS, judge, marker, run
from corner_pictures import matches, painted
from scatterproof.sightings.corner import corner_covariance, deformation_drift

PICTURES = {"same": 48, "moved": 32, "other": 20, "neighbours": 20}


@pytest.fixture(scope="module")
def outcomes():
    cv2.setNumThreads(1)
    return {kind: run(kind, PICTURES[kind], seed=7) for kind in SETS}


@pytest.mark.parametrize("kinds", [("same", "moved"), ("other", "neighbours")])
def test_predicted_sigmas_are_the_measured_ones(outcomes, kinds):
    figures = judge([outcome for kind in kinds for outcome in outcomes[kind]])
    assert figures["held"] > 0.5
    assert figures["median"] == pytest.approx(1, abs=0.05)
    assert figures["within 20 %"] >= 0.9


def test_the_decision_is_the_trackers(outcomes):
    figures = judge([outcome for part in outcomes.values() for outcome in part])
    assert figures["agree"] >= 0.9
    assert figures["agree, clear"] >= 0.98
    assert 0.1 < 1 - figures["held"] < 0.5  # there is something to decide


def test_the_drift_of_a_match_where_the_picture_deforms():
    """Second frames are the outlines bent about the tracked corner by some 2 %; the mean match shows the drift."""
    rng = np.random.default_rng(5)
    predicted, measured = [], []
    while len(predicted) < 24:
        outline, point = marker(rng), 48 + rng.uniform(-0.5, 0.5, 2)
        bend = np.eye(2) * rng.uniform(0.98, 1.02) + rng.normal(0, 0.01, (2, 2))
        disc, motion, step = rng.uniform(0, 5), rng.normal(0, 2, 2), 40.0
        if not corner_covariance(outline, step, 0.5, disc, motion, limit_px=0.03)[1]:
            continue
        first, second = (120 + step * painted([ring + point], 96, disc, motion) for ring in (outline, outline @ bend.T))
        error, held = matches(first, second, point, 0.5, 15, 100, rng)
        assert held.all()
        measured.append(error.mean(axis=0))
        predicted.append(deformation_drift(outline, bend, disc, motion))
    measured, predicted = np.array(measured), np.array(predicted)
    size = np.sqrt(np.mean(measured**2))
    assert size > 0.03
    assert np.sqrt(np.mean((predicted - measured) ** 2)) < 0.2 * size
    slope = np.sum(predicted * measured) / np.sum(predicted**2)
    assert slope == pytest.approx(1, abs=0.1)
