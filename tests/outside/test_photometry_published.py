"""Transfer functions, half a stop in codes, and where the trade's step of 20 codes holds, against published values."""

import numpy as np
import pytest
from scatterproof.plan.model import Camera
from scatterproof.sightings.photometry import code_slope, decode, edge_signal, encode

# IEC 61966-2-1 (sRGB) and ITU-R BT.709, both from memory; every figure below was recomputed with colour-science 0.4.6.
CODE_TO_LINEAR = {10: 0.00303527, 64: 0.05126946, 128: 0.21586050, 188: 0.50288646, 255: 1.0}
LINEAR_TO_SHARE = {0.18: (0.461356, 0.409008), 0.5: (0.735357, 0.705515)}


def test_srgb_codes_in_linear_light():
    np.testing.assert_allclose(decode(np.array(list(CODE_TO_LINEAR))), list(CODE_TO_LINEAR.values()), atol=1e-7)


@pytest.mark.parametrize("linear", LINEAR_TO_SHARE)
def test_both_transfer_functions(linear):
    srgb, bt709 = LINEAR_TO_SHARE[linear]
    assert encode(linear) / 255 == pytest.approx(srgb, abs=1e-6)
    assert encode(linear, "BT.709") / 255 == pytest.approx(bt709, abs=1e-6)


def test_narrow_range():
    assert encode(0.18, "BT.709", "narrow") == pytest.approx(105.573, abs=1e-3)
    assert encode(np.array([0.0, 1.0]), "BT.709", "narrow").tolist() == pytest.approx([16, 235])


def test_the_published_constants_of_bt709_leave_a_small_step():
    below, above = encode(np.array([0.018 - 1e-12, 0.018]), "BT.709") / 255
    assert below == pytest.approx(0.081, abs=1e-9)
    assert above == pytest.approx(0.081248, abs=1e-6)


@pytest.mark.parametrize("encoding", ["sRGB", "BT.709"])
@pytest.mark.parametrize("code_range", ["full", "narrow"])
def test_codes_come_back_and_the_slope_is_the_derivative(encoding, code_range):
    linear = np.concatenate([np.geomspace(1e-6, 1.2, 200), [0.0]])
    np.testing.assert_allclose(decode(encode(linear, encoding, code_range), encoding, code_range), linear, atol=1e-12)
    away = linear[np.abs(linear - 0.018) > 1e-3]
    away = away[np.abs(away - 0.0031308) > 1e-4]
    h = 1e-7
    fine = (encode(away + h, encoding, code_range) - encode(away - h, encoding, code_range)) / (2 * h)
    np.testing.assert_allclose(code_slope(away, encoding, code_range), fine, rtol=1e-4)


# Half a stop (a factor of the square root of two in linear light) up and down from a base code: recomputed in numpy
# from the transfer functions above.
HALF_STOP = {
    "sRGB full": {
        32: (7.15, -6.19), 64: (12.12, -10.49), 80: (14.61, -12.64), 96: (17.09, -14.79),
        128: (22.06, -19.10), 160: (27.04, -23.40), 177: (29.68, -25.69), 200: (33.25, -28.78),
    },
    "BT.709 full": {
        32: (9.66, -8.27), 64: (15.06, -12.89), 80: (17.76, -15.20), 96: (20.46, -17.51),
        128: (25.86, -22.13), 160: (31.27, -26.75), 177: (34.13, -29.21), 200: (38.02, -32.53),
    },
    "BT.709 narrow": {
        32: (6.36, -4.69), 64: (11.76, -10.06), 80: (14.46, -12.37), 96: (17.16, -14.68),
        128: (22.56, -19.30), 160: (27.96, -23.93), 177: (30.83, -26.38), 200: (34.71, -29.70),
    },
}  # fmt: skip


def half_stops(code, how):
    encoding, code_range = how.split()
    linear = decode(code, encoding, code_range)
    return [float(encode(linear * 2.0**sign, encoding, code_range) - code) for sign in (0.5, -0.5)]


@pytest.mark.parametrize("how", HALF_STOP)
def test_half_a_stop_in_codes(how):
    for code, steps in HALF_STOP[how].items():
        assert half_stops(code, how) == pytest.approx(steps, abs=0.01), code


def test_where_the_step_of_twenty_codes_holds_and_where_not():
    """ "About 20 code values" for half a stop: common practice, no source. It is fair in the middle of the range."""
    codes = np.arange(256)
    up, down = np.array([half_stops(code, "sRGB full") for code in codes]).T
    assert [int(codes[np.abs(up - 20) <= 5][i]) for i in (0, -1)] == [83, 146]
    assert [int(codes[np.abs(down + 20) <= 5][i]) for i in (0, -1)] == [98, 171]
    within = codes[(np.abs(up - 20) <= 2) & (np.abs(down + 20) <= 2)]
    assert [int(within[i]) for i in (0, -1)] == [120, 127]
    # The green channel of a chart's green (148) and of a painted stage (140) lies near it; a bright key green (177) and
    # a dark screen (50) do not.
    assert up[140] == pytest.approx(23.9, abs=0.1)
    assert up[177] > 29
    assert up[50] < 10.1


# Green-screen patches of sRGB codes: half a stop up and down rounds to these; G steps recomputed with colour-science.
PATCHES = {
    (70, 148, 73): ((83, 173, 87), (59, 126, 61)),
    (60, 140, 70): ((71, 164, 83), (50, 119, 59)),
    (30, 100, 45): ((37, 118, 54), (24, 85, 37)),
    (90, 200, 100): ((106, 233, 118), (76, 171, 85)),
    (0, 177, 64): ((0, 207, 76), (0, 151, 54)),
}
CAMERA = Camera(name="any", film_back=(24, 18), resolution=(2000, 1500), delivery_aspect=1.78, focal_length=30)


@pytest.mark.parametrize("patch", PATCHES)
def test_patches_half_a_stop_apart(patch):
    base = decode(np.array(patch))
    for other, sign in zip(PATCHES[patch], (0.5, -0.5), strict=True):
        np.testing.assert_array_equal(np.rint(encode(base * 2**sign)), other)
        step, _, stops = edge_signal(decode(np.array(other)), base, CAMERA, "green")
        assert step == pytest.approx(abs(other[1] - patch[1]), abs=1e-9)
        assert stops == pytest.approx(0.5, abs=0.03)


def test_a_patch_that_clips_loses_its_step():
    """4, 244, 4: half a stop up clips at 255, 11 codes away; half a stop down rounds to 209."""
    base = decode(np.array([4, 244, 4]))
    up, _, _ = edge_signal(base * np.sqrt(2), base, CAMERA, "green")
    down, _, _ = edge_signal(base / np.sqrt(2), base, CAMERA, "green")
    assert up == pytest.approx(11, abs=0.01)
    assert np.rint(244 - down) == 209


def test_luma_weights_and_narrow_codes_of_a_key_green():
    """0, 177, 64 (full range) has a narrow BT.709 luma of 128.69 (own computation from the BT.709 matrix)."""
    luma = np.array([0, 177, 64]) @ [0.2126, 0.7152, 0.0722]
    assert 16 + 219 * luma / 255 == pytest.approx(128.69, abs=0.01)
    one, _, _ = edge_signal(decode(np.array([0, 177, 64])), np.zeros(3), CAMERA, "luma")
    assert one == pytest.approx(luma, abs=1e-9)
