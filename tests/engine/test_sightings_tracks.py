"""Runs of sightings, and what is too short to track."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.sightings.sighting import HIDDEN, SEEN, SHORT
from scatterproof.sightings.tracks import drop_short, runs

tables = st.integers(0, 2**32 - 1).map(lambda seed: _table(np.random.default_rng(seed)))


def _table(rng):
    return rng.random((rng.integers(1, 40), rng.integers(0, 6))) < rng.random()


@given(tables)
def test_runs_are_those_found_by_walking_each_column(seen):
    start, stop = runs(seen)
    for column in range(seen.shape[1]):
        row = 0
        while row < len(seen):
            end = row
            while seen[row, column] and end + 1 < len(seen) and seen[end + 1, column]:
                end += 1
            expected = (row, end) if seen[row, column] else (0, -1)
            for inside in range(row, end + 1):
                assert (start[inside, column], stop[inside, column]) == expected
            row = end + 1


def test_short_runs_are_dropped_and_nothing_else_changes():
    why = np.array([[SEEN, SEEN], [SEEN, HIDDEN], [SEEN, SEEN], [HIDDEN, SEEN], [SEEN, HIDDEN]], np.uint8)
    kept = np.array([[SEEN, SHORT], [SEEN, HIDDEN], [SEEN, SHORT], [HIDDEN, SHORT], [SHORT, HIDDEN]], np.uint8)
    result = drop_short(why, 3)
    assert result.dtype == np.uint8
    np.testing.assert_array_equal(result, kept)
    np.testing.assert_array_equal(drop_short(why, 1), why)


def test_a_shot_shorter_than_a_track_has_none():
    assert np.all(drop_short(np.full((4, 3), SEEN, np.uint8), 5) == SHORT)


@given(tables, st.integers(1, 8))
def test_what_is_left_lasts(seen, shortest):
    why = np.where(seen, SEEN, HIDDEN).astype(np.uint8)
    start, stop = runs(drop_short(why, shortest) == SEEN)
    length = stop - start + 1
    assert np.all((length == 0) | (length >= shortest))
