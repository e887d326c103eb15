import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.stage import polygons, scatter

NOTCHED = np.array([[-1.2, 0.3], [7, 0.3], [7, 2.1], [3, 2.1], [3, 5], [-1.2, 5]])
LANE = np.array([[0.5, -1], [1.1, -1], [1.9, 9], [1.3, 9]])  # crosses it from edge to edge: two islands
DOOR = np.array([[5, 0], [6, 0], [6, 1.0], [5.4, 0.5], [5, 1.0]])  # not convex


def nearest(points):
    away = np.linalg.norm(points[:, None] - points, axis=-1)
    np.fill_diagonal(away, np.inf)
    return away.min(axis=1)


def test_units_round_the_same_with_a_wrong_last_bit():
    length = np.array([0.12345, 4.1, 7.00005, -2.33335, 1 / 3])
    for bit in (-np.inf, np.inf):
        np.testing.assert_array_equal(scatter.units(np.nextafter(length, bit)), scatter.units(length))
    assert scatter.units(np.array([0.3, -0.3])).tolist() == [3000, -3000]
    assert scatter.units_up(0.15) == 1500
    assert scatter.units_up(0.15001) == 1501


@settings(max_examples=40, deadline=None)
@given(st.floats(0.12, 0.9), st.floats(0, 0.3), st.integers(0, 2**40), st.booleans())
def test_spacing_edges_and_keepouts_hold(spacing, clear, seed, grid):
    """Exact, in whole units: no point nearer than the spacing, none nearer to any edge than its clearance."""
    where = scatter.region([(NOTCHED, clear)], [(LANE, clear + 0.05), (DOOR, clear)])
    step = scatter.units_up(spacing)
    points = scatter.lattice(where, step) if grid else scatter.blue_noise(where, step, [seed])
    assert points.dtype == np.int64
    if len(points) > 1:
        assert nearest(points.astype(float)).min() >= step - 1e-9
    uv = points / scatter.PER_M
    assert polygons.contains(NOTCHED, uv).all()
    for outline, gap in ((NOTCHED, clear), (LANE, clear + 0.05), (DOOR, clear)):
        if len(uv):
            assert polygons.edge_distance(outline, uv).min() >= gap
    for outline in (LANE, DOOR):
        assert not polygons.contains(outline, uv).any()


@pytest.mark.parametrize("shift", [-40.0, -3.0, 0.0, 55.0])
def test_a_scatter_is_as_dense_wherever_its_surface_lies(shift):
    here, there = (
        scatter.blue_noise(scatter.region([(NOTCHED + move, 0.1)]), 2500, [8]) / scatter.PER_M - move
        for move in (np.zeros(2), np.array([shift, -0.5 * shift]))
    )
    assert len(here) > 200
    np.testing.assert_allclose(here, there, atol=1e-9)


def test_both_islands_are_found():
    where = scatter.region([(NOTCHED, 0.05)], [(LANE, 0.3)])
    u, v = (scatter.blue_noise(where, 3000, [4]) / scatter.PER_M).T
    middle = 0.8 + 0.08 * (v + 1)
    assert min((u < middle).sum(), (u > middle).sum()) > 20


def test_free_area_of_a_lopsided_region():
    inner = scatter.region([(NOTCHED, 0.1)])
    assert inner.free_m2() == pytest.approx(8.0 * 1.6 + 4.0 * 2.9, rel=0.01)
    assert scatter.region([(NOTCHED, 3.0)]).free_m2() == 0
    assert not len(scatter.blue_noise(scatter.region([(NOTCHED, 3.0)]), 1000, [1]))
    assert not len(scatter.lattice(scatter.region([(NOTCHED, 3.0)]), 1000))


@pytest.mark.parametrize("seed", range(8))
def test_a_strip_far_narrower_than_the_spacing_is_followed(seed):
    """A centimetre of room, 9 m long: candidates rarely fall into it, yet no gap takes three spacings."""
    strip = np.array([[0, 0], [9, 0], [9, 0.31], [0, 0.31]])
    points = scatter.blue_noise(scatter.region([(strip, 0.15)]), 5000, [seed]) / scatter.PER_M
    assert np.diff(np.concatenate([[0.15], np.sort(points[:, 0]), [8.85]])).max() < 1.5


def test_the_same_seed_gives_the_same_points_and_another_one_others():
    where = scatter.region([(NOTCHED, 0.1)])
    first, again, other = (scatter.blue_noise(where, 3000, seed) for seed in ([7, 1], [7, 1], [7, 2]))
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first[:5], other[:5])


def test_names_give_stable_seeds():
    """CRC-32 of the reference string "123456789" is CBF43926 (the check value of ISO 3309 / ITU-T V.42)."""
    assert scatter.seed_of(5, "123456789") == [5, 0xCBF43926]


def test_a_further_condition_is_kept():
    where = scatter.region([(NOTCHED, 0.1)])
    points = scatter.blue_noise(where, 2500, [2], clear=lambda at: at[:, 0] + at[:, 1] > 30_000)
    assert len(points) > 30
    assert (points.sum(axis=1) > 30_000).all()


def east(uv):
    """Need that rises from 0 at the left edge to 1 at the right."""
    return np.clip((uv[:, 0] + 1.2) / 8.2, 0, 1)


def test_spacing_follows_need():
    """Two points keep the mean of their own spacings, and density goes with need."""
    field = np.array([[-1.2, 0], [7, 0], [7, 6], [-1.2, 6]])
    where = scatter.region([(field, 0.05)])
    eased = scatter.ease(where, east, 1.0)
    points = scatter.blue_noise(where, 1200, [6], eased=eased)
    own = 1200 * eased(points)
    away = np.linalg.norm((points[:, None] - points).astype(float), axis=-1)
    np.fill_diagonal(away, np.inf)
    assert (away >= 0.5 * (own[:, None] + own) - 1e-6).all()
    share = np.histogram(points[:, 0] / scatter.PER_M, bins=np.linspace(-1.2, 7, 5))[0]
    expected = np.array([1, 3, 5, 7]) / 16
    np.testing.assert_allclose(share / share.sum(), expected, atol=0.05)


def test_no_strength_means_even():
    where = scatter.region([(NOTCHED, 0.05)])
    even = scatter.ease(where, east, 0.0)
    np.testing.assert_array_equal(
        scatter.blue_noise(where, 2000, [6], eased=even), scatter.blue_noise(where, 2000, [6])
    )


def test_a_lattice_is_square_and_central():
    box = np.array([[1.0, 2.0], [4.1, 2.0], [4.1, 3.5], [1.0, 3.5]])
    points = scatter.lattice(scatter.region([(box, 0.0)]), 5000) / scatter.PER_M
    u, v = np.unique(points[:, 0]), np.unique(points[:, 1])
    assert (len(u), len(v), len(points)) == (7, 3, 21)
    np.testing.assert_allclose(np.diff(u), 0.5)
    np.testing.assert_allclose(np.diff(v), 0.5)
    np.testing.assert_allclose([u.mean(), v.mean()], [2.55, 2.75], atol=2e-4)


@pytest.mark.parametrize("wanted", [1, 2, 17, 230, 1999])
@pytest.mark.parametrize("noise", [0.0, 0.03])
def test_the_search_meets_the_number(wanted, noise):
    """On a law like the scatter's, uneven as it is, the search ends at or just above what is wanted."""
    calls = []

    def place(spacing):
        calls.append(spacing)
        wobble = 1 + noise * np.sin(37.0 * spacing)
        return range(int(6e9 / spacing**2 * wobble))

    found = scatter.search_spacing(place, wanted, smallest=300, guess=900)
    assert wanted <= len(found) <= wanted * 1.1 + 2
    assert len(calls) <= 17


def test_the_search_gives_what_fits_where_not_all_do():
    found = scatter.search_spacing(lambda spacing: range(int(6e9 / spacing**2)), 5000, smallest=1500, guess=100)
    assert len(found) == int(6e9 / 1500**2)
