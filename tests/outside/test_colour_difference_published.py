"""CIEDE2000 against its published test data, and CIELAB against known colours."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.paint.difference import ciede2000, lab_of

# Sharma, Wu & Dalal, Color Res. Appl. 30(1), 2005, test table (from memory); reproduced to four decimals with
# colour-science 0.4.6 and scikit-image 0.26.
PAIRS = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0009), 7.1792),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0011), 7.2195),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "other", "difference"), PAIRS)
def test_the_published_pairs(one, other, difference):
    assert ciede2000(np.array(one), np.array(other)) == pytest.approx(difference, abs=5e-5)


def test_many_at_once_equal_one_by_one():
    one, other, difference = (np.array(column) for column in zip(*PAIRS, strict=True))
    np.testing.assert_allclose(ciede2000(one, other), difference, atol=5e-5)


lab = st.tuples(st.floats(0, 100), st.floats(-100, 100), st.floats(-100, 100))


@given(lab, lab)
def test_it_is_symmetric_and_zero_only_between_equals(one, other):
    there, back = ciede2000(np.array(one), np.array(other)), ciede2000(np.array(other), np.array(one))
    assert there == pytest.approx(back, abs=1e-6)
    assert ciede2000(np.array(one), np.array(one)) == 0


# CIELAB of sRGB primaries under D65: L* 87.73, a* -86.18, b* 83.18 for green, 32.30, 79.19, -107.86 for blue (widely
# published, from memory; two decimals).
def test_lab_of_primaries():
    np.testing.assert_allclose(lab_of(np.array([0, 1, 0])), [87.73, -86.18, 83.18], atol=0.02)
    np.testing.assert_allclose(lab_of(np.array([0, 0, 1])), [32.30, 79.19, -107.86], atol=0.02)
    np.testing.assert_allclose(lab_of(np.zeros(3)), 0, atol=1e-12)


# Differences of half-stop steps on measured greens: recomputed with colour-science 0.4.6 (up, down).
STEPS = {
    (70, 148, 73): ((83, 173, 87), (59, 126, 61), 7.87, 7.98),
    (60, 140, 70): ((71, 164, 83), (50, 119, 59), 7.97, 7.67),
    (0, 177, 64): ((0, 207, 76), (0, 151, 54), 8.02, 8.08),
}


@pytest.mark.parametrize("patch", STEPS)
def test_half_stop_steps_look_about_eight_apart(patch):
    from scatterproof.sightings.photometry import decode

    up, down, *differences = STEPS[patch]
    base = lab_of(decode(np.array(patch)))
    found = [float(ciede2000(lab_of(decode(np.array(p))), base)) for p in (up, down)]
    assert found == pytest.approx(differences, abs=0.02)
