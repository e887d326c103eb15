"""Colour and pigment figures of the kit against published formulas and the colour-science library."""

import math

import colour
import numpy as np
import pytest
from scatterproof.paint.difference import ciede2000, lab_of
from scatterproof.paint.mixing import (
    Pigment,
    absorption,
    base_of,
    mixed_reflectance,
    next_correction,
    parts_for,
    reflectance,
    tint_of,
)
from scatterproof.sightings.photometry import decode, encode

np.set_printoptions(legacy=False)  # colour asks numpy for old-fashioned figures, which doctests would meet


def test_ciede2000_of_random_colours_against_the_library():
    rng = np.random.default_rng(4)
    one, other = (rng.uniform([0, -100, -100], [100, 100, 100], (2000, 3)) for _ in range(2))
    other[:700] = one[:700] + rng.normal(0, 2, (700, 3))
    assert np.abs(ciede2000(one, other) - colour.delta_E(one, other, method="CIE 2000")).max() < 1e-9


def test_lab_against_the_library():
    # The library derives its matrix from the primaries; the published one is rounded to four digits.
    rng = np.random.default_rng(5)
    linear = rng.uniform(0, 1, (500, 3))
    space = colour.RGB_COLOURSPACES["sRGB"]
    xyz = colour.RGB_to_XYZ(linear, space)
    assert np.abs(lab_of(linear) - colour.XYZ_to_Lab(xyz, space.whitepoint)).max() < 0.05


def test_transfer_functions_against_the_library():
    linear = np.linspace(0, 1, 4001)
    assert encode(linear) / 255 == pytest.approx(colour.models.eotf_inverse_sRGB(linear), abs=1e-6)
    assert encode(linear, "BT.709") / 255 == pytest.approx(colour.models.oetf_BT709(linear), abs=1e-9)
    codes = np.linspace(0, 255, 2001)
    assert decode(codes) == pytest.approx(colour.models.eotf_sRGB(codes / 255), abs=1e-6)


def test_half_a_stop_up_and_down_in_library_codes():
    # Half a stop is a factor of sqrt 2 in linear light.
    for code in (32, 64, 96, 128, 160, 177):
        linear = colour.models.eotf_sRGB(code / 255)
        up = 255 * colour.models.eotf_inverse_sRGB(linear * math.sqrt(2))
        assert float(encode(decode(code) * math.sqrt(2))) == pytest.approx(float(up), abs=0.01)


# Kubelka & Munk 1931; Allen in Grum & Bartleson 2, 1980, equations 19 and 20. Exact values of the formula.
@pytest.mark.parametrize(
    ("r", "k_over_s"),
    [(0.04, 11.52), (0.10, 4.05), (0.20, 1.6), (0.25, 1.125), (0.40, 0.45), (0.50, 0.25), (0.80, 0.025)],
)
def test_absorption_of_opaque_layers(r, k_over_s):
    assert float(absorption(r)) == pytest.approx(k_over_s, rel=1e-12)
    assert float(reflectance(k_over_s)) == pytest.approx(r, rel=1e-12)


@pytest.mark.parametrize(("k_over_s", "r"), [(1, 0.267949), (2, 0.171573), (4, 0.101021)])
def test_reflectance_of_k_over_s(k_over_s, r):
    assert float(reflectance(k_over_s)) == pytest.approx(r, abs=5e-7)


# Mixtures by that law, recomputed outside of the project (no published numeric example was found): green and white
# 4 : 1 with white of reflectance 0.85; green and black 70 : 1.
@pytest.mark.parametrize(
    ("green", "strength", "r"),
    [(0.30, 1, 0.3360), (0.30, 3, 0.3917), (0.30, 5, 0.4334), (0.20, 1, 0.2307), (0.20, 3, 0.2810), (0.20, 5, 0.3209)],
)
def test_one_part_white_to_four_of_green(green, strength, r):
    white = tint_of("white", 0.85, strength)
    assert float(mixed_reflectance(base_of("green", green), white, 1 / 4)) == pytest.approx(r, abs=6e-5)


@pytest.mark.parametrize(
    ("green", "black", "r"),
    [
        (0.30, (11.52, 1), 0.2731), (0.30, (20, 0.2), 0.2535), (0.30, (45, 0.2), 0.2129),
        (0.20, (11.52, 1), 0.1890), (0.20, (20, 0.2), 0.1792), (0.20, (45, 0.2), 0.1584),
    ],
)  # fmt: skip
def test_one_part_black_to_seventy_of_green(green, black, r):
    assert float(mixed_reflectance(base_of("green", green), Pigment("black", *black), 1 / 70)) == pytest.approx(
        r, abs=6e-5
    )


@pytest.mark.parametrize(("green", "strength"), [(0.30, 4.52), (0.20, 3.08)])
def test_the_strength_at_which_the_trades_ratio_is_exact(green, strength):
    parts = parts_for(base_of("green", green), tint_of("white", 0.85, strength), green * math.sqrt(2))
    assert 1 / parts == pytest.approx(4.0, abs=0.02)


@pytest.mark.parametrize(("green", "black"), [(0.30, 45.2), (0.20, 70.4)])
def test_the_black_at_which_the_trades_ratio_is_exact(green, black):
    parts = parts_for(base_of("green", green), Pigment("black", black, 1e-9), green / math.sqrt(2))
    assert 1 / parts == pytest.approx(70.0, rel=5e-3)


@pytest.mark.parametrize("strength", [0.8, 2.0, 4.5, 7.0])
@pytest.mark.parametrize("first", [0.05, 0.25, 0.6])
def test_one_corrected_patch_hits_half_a_stop(strength, first):
    # The painter never learns the strength: only what the patch reads.
    base, white = base_of("green", 0.30), tint_of("white", 0.85, strength)
    wanted = 0.30 * math.sqrt(2)
    measured = float(mixed_reflectance(base, white, first))
    factor = next_correction(0.30, 0.85, measured, wanted)
    assert float(mixed_reflectance(base, white, first * factor)) == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("strength", [20.0, 45.0, 120.0])
def test_black_is_corrected_without_knowing_its_own_reflectance(strength):
    base, black = base_of("green", 0.30), Pigment("black", strength, 0.0)
    wanted = 0.30 / math.sqrt(2)
    measured = float(mixed_reflectance(base, black, 1 / 70))
    factor = next_correction(0.30, 1e-3, measured, wanted)
    assert float(mixed_reflectance(base, black, factor / 70)) == pytest.approx(wanted, rel=0.01)


def test_a_patch_that_tells_nothing():
    assert math.isnan(next_correction(0.3, 0.85, 0.25, 0.42))  # darker than the green: not from these two
    assert math.isinf(next_correction(0.3, 0.5, 0.4, 0.6))  # brighter than the tint itself
    assert parts_for(base_of("green", 0.3), tint_of("white", 0.35, 1), 0.42) == math.inf
