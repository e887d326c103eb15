"""The corner model against published closed forms of localisation, and its two constants against the tracker's kernels.

Bound: Cov >= sigma^2 (sum of gradient gradient^T)^-1 (D. Robinson, P. Milanfar, "Fundamental performance limits in
image registration", IEEE Trans. Image Processing 13(9), 2004, abstract read; T. Q. Pham et al., "Performance of optimal
registration estimators", 2005, abstract read; W. Förstner, E. Gülch 1987, from memory). The closed forms of blob, edge
and disc follow from it by integration; what is compared is the engine's way from outlines and blur, which never makes a
picture.
"""

import numpy as np
import pytest
from scatterproof.sightings.corner import (
    corner_covariance,
    corner_covariance_exact,
    disc_covariance,
)
from scatterproof.sightings.pattern import blur_tensor, exact_tensor, fast_tensor, ring
from scatterproof.sources import GRADIENT_NOISE, PIXEL_BLUR

SIGMA = 2.0  # code values, noise of the published figures
LOW = 0.01  # noise at which the bound is T^-1 alone; sigmas scale with it


def defocus_for(blur_px):
    """Diameter of the disc that makes the whole blur a Gaussian of this sigma."""
    return 4 * np.sqrt(blur_px**2 - PIXEL_BLUR.value**2)


def one_frame_sigma(covariance):
    """Sigma in x at noise SIGMA when only one frame is noisy, from a match at noise LOW."""
    return np.sqrt(covariance[0, 0] / 2) * SIGMA / LOW


@pytest.mark.parametrize("model", [corner_covariance, corner_covariance_exact])
@pytest.mark.parametrize("blur", [1.5, 3.0])
def test_a_gaussian_blob_is_placed_alike_whatever_its_size(model, blur):
    """sigma / A sqrt(2 / pi) = 0.015958 px at A = 100: a small square of great contrast, blurred into a blob."""
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]]) - 0.5  # its own second moment, 1 / 12, belongs to the blob
    contrast, defocus = 100 * 2 * np.pi * blur**2, defocus_for(np.sqrt(blur**2 - 1 / 12))
    covariance, _ = model(square, contrast, LOW, defocus, window_px=41, at_px=np.zeros(2), code_step=0)
    assert one_frame_sigma(covariance) == pytest.approx(SIGMA / 100 * np.sqrt(2 / np.pi), rel=0.01)
    assert one_frame_sigma(covariance) == pytest.approx(0.015958, rel=0.01)


def test_a_straight_edge():
    """L C^2 / (2 s sqrt(pi)) = 1128.38 across and nothing along, for L = 10 px, C = 20 codes, s = 1 px."""
    half_plane = np.array([[0.0, -200], [200, -200], [200, 200], [0, 200]]).T[:, :, None]
    blur = blur_tensor(np.array([defocus_for(1.0)]), np.zeros((2, 1)), PIXEL_BLUR.value)
    for tensor in (exact_tensor, fast_tensor):
        xx, xy, yy = tensor(half_plane, blur, 5.0, ring(4))[0][:, 0] * 20**2
        assert xx == pytest.approx(10 * 20**2 / (2 * np.sqrt(np.pi)), rel=2e-3)
        assert xx == pytest.approx(1128.38, rel=2e-3)
        assert abs(xy) < 0.01
        assert abs(yy) < 0.01
        assert SIGMA / np.sqrt(xx) == pytest.approx(0.05954, rel=1e-3)
    # Held in one direction only it is no feature.
    outline = np.array([[0.0, 0], [0, 200], [200, 200], [200, -200], [0, -200]])
    assert not corner_covariance(outline, 20, SIGMA)[1]


def test_a_disc_marker():
    """(pi D / 2) C^2 / (2 s sqrt(pi)) = 3544.91, 0.03359 px with one noisy frame and 0.04751 px with two; D = 20 px."""
    given = 10 * np.eye(2), 20, LOW, defocus_for(1.0), (0, 0), 41
    for model in ({}, {"tensor": exact_tensor}):
        covariance, held = disc_covariance(*given, code_step=0, **model)
        assert held
        assert one_frame_sigma(covariance) == pytest.approx(0.03359, rel=0.01)
        assert np.sqrt(2) * one_frame_sigma(covariance) == pytest.approx(0.04751, rel=0.01)
        assert covariance[0, 0] == pytest.approx(covariance[1, 1], rel=0.01)


def test_the_bound_goes_with_contrast_and_the_root_of_blur():
    """A consequence of the edge formula: half the contrast doubles sigma, four times the blur doubles it."""
    disc = 20 * np.eye(2), 20, LOW, defocus_for(1.0), (0, 0), 81
    one = one_frame_sigma(disc_covariance(*disc, code_step=0)[0])
    pale = one_frame_sigma(disc_covariance(disc[0], 10, *disc[2:], code_step=0)[0])
    soft = one_frame_sigma(disc_covariance(*disc[:3], defocus_for(4.0), *disc[4:], code_step=0)[0])
    assert pale / one == pytest.approx(2, rel=1e-3)
    assert soft / one == pytest.approx(2, rel=0.02)


# The reference tracker, from OpenCV's source (modules/video/src/lkpyramid.cpp, read from memory): Scharr derivatives
# (3, 10, 3) x (-1, 0, 1) / 32 of the first frame, bilinear samples of them and of both frames, a sum over the window.


def bilinear(phase, wx, wy):
    return (1 - phase[0] + phase[0] * np.exp(1j * wx)) * (1 - phase[1] + phase[1] * np.exp(1j * wy))


def scharr(wx, wy):
    return 1j * np.sin(wx) * (10 + 6 * np.cos(wy)) / 16


def test_the_pixel_blur_follows_from_the_kernels():
    """An ideal edge, seen by square pixels, tracked at any phase and in any direction: Cov = v N / M^2 with

    M = sum of gradient x slope of the interpolated picture, N = sum of gradient^2 filtered as the noise of both frames
    is; the blur is that of a Gaussian edge with the same bound, 1 / (2 s sqrt(pi)) per length.
    """
    rng = np.random.default_rng(0)
    nu = np.linspace(1e-4, 8, 8000)
    information = []
    for _ in range(300):
        way, phase = rng.uniform(0, np.pi / 2), rng.random(2)
        nx, ny = np.cos(way), np.sin(way)
        wx, wy = 2 * np.pi * nu * nx, 2 * np.pi * nu * ny
        edge = np.sinc(nu * nx) * np.sinc(nu * ny) / (2j * np.pi * nu)
        centred = np.exp(-1j * (phase[0] * wx + phase[1] * wy))
        sampled = bilinear(phase, wx, wy) * centred
        gradient = (nx * scharr(wx, wy) + ny * scharr(wy, wx)) * sampled * edge
        slope_x = (np.exp(1j * wx) - 1) * (1 - phase[1] + phase[1] * np.exp(1j * wy))
        slope_y = (np.exp(1j * wy) - 1) * (1 - phase[0] + phase[0] * np.exp(1j * wx))
        slope = (nx * slope_x + ny * slope_y) * centred * edge
        m = 2 * np.sum((gradient * slope.conj()).real)
        n = 2 * np.sum(np.abs(gradient) ** 2 * 2 * np.abs(sampled) ** 2)
        information.append(2 * m**2 / n * (nu[1] - nu[0]))
    assert 1 / (2 * np.sqrt(np.pi) * np.mean(information)) == pytest.approx(PIXEL_BLUR.value, rel=0.01)


def test_the_noise_in_the_gradients_follows_from_the_kernels():
    """sum over the window of (noise in the gradient) (noise of the second frame) has variance 2 r v^2 per component.

    Per pixel it is the integral of the two noise spectra's product; the first frame's own noise cancels, its gradient
    being odd.
    """
    rng = np.random.default_rng(0)
    w = 2 * np.pi * (np.arange(200) / 200 - 0.5)
    wx, wy = np.meshgrid(w, w)
    product = []
    for _ in range(400):
        sampled = np.abs(bilinear(rng.random(2), wx, wy)) ** 2
        product.append(np.mean(np.abs(scharr(wx, wy)) ** 2 * sampled**2))
    assert np.mean(product) / 2 == pytest.approx(GRADIENT_NOISE.value, rel=0.03)
