"""What a marker costs the key: residue in a colour-difference matte, the crunch that loses it, and rims at its edges.

A model, in linear light, of the matte that compositing has been taught with since Vlahos (Smith & Blinn, "Blue screen
matting", SIGGRAPH 1996, section on Vlahos' formula, from memory):

    matte = 1 - (k - max of the other two) / (the same of the clean screen), clipped to 0..1,

where k is the screen's strongest primary; 0 is screen, 1 foreground. The screen is divided out pixel by pixel by a
clean plate, so that uneven light by itself leaves no residue. Real keyers differ, and artists mend by hand.
"""

from __future__ import annotations

import math

import numpy as np

from ..plan.model import Camera
from ..sightings.photometry import LUMA, decode, recorded

SURE = 3.0  # sigmas of the matte's noise that must be crushed to black with it
FINE = 8  # steps of the simulated edge in a pixel
FLAT_PX = 12  # bare screen, and bare marker, to each side of the simulated edge
SHIFTS = 16  # places of the edge against the pixels, two pixels through


def key_channel(screen: np.ndarray) -> int:
    """The primary that a screen is keyed by: its strongest."""
    return int(np.argmax(screen))


def difference(linear: np.ndarray, channel: int) -> np.ndarray:
    """How far the key's primary stands above the other two, (...) of linear light (..., 3)."""
    others = np.delete(linear, channel, axis=-1).max(axis=-1)
    out: np.ndarray = linear[..., channel] - others
    return out


def matte(linear: np.ndarray, screen: np.ndarray) -> np.ndarray:
    """Matte (...) of linear light (..., 3) against a clean screen of the same light (3,); 1 for a grey screen.

    >>> green = np.array([0.06, 0.3, 0.07])
    >>> matte(np.array([green, green * 2**-0.5, [0.5, 0.5, 0.5]]), green).round(3).tolist()
    [0.0, 0.293, 1.0]
    """
    channel = key_channel(screen)
    clean = float(difference(screen, channel))
    if clean <= 0:
        return np.ones(np.shape(linear)[:-1])
    out: np.ndarray = np.clip(1 - difference(np.asarray(linear, float), channel) / clean, 0, 1)
    return out


def matte_noise(linear: np.ndarray, screen: np.ndarray, camera: Camera) -> np.ndarray:
    """Standard deviation (...) that the sensor's noise gives the matte; infinite where there is no key.

    linear (..., 3) and screen (3,) with all their light: the less there is, the noisier the matte.
    """
    clean = float(difference(screen, key_channel(screen)))
    linear = np.maximum(np.asarray(linear, float), 0)
    strongest_other = np.delete(linear, key_channel(screen), axis=-1).max(axis=-1)
    light = linear[..., key_channel(screen)] + strongest_other
    sigma = np.sqrt(2 * camera.read_noise**2 + camera.shot_noise**2 * light)
    return sigma / clean if clean > 0 else np.full(np.shape(sigma), np.inf)


def crunch(paint: np.ndarray, screen: np.ndarray, camera: Camera) -> float:
    """How far the matte's black must be raised, 0 to 1, for screen and painted area to be lost in it with their noise.

    That much of every soft edge goes with it; 1: no crunch loses it, it has to be painted out.
    """
    channel = key_channel(screen)
    clean = float(difference(screen, channel))
    if clean <= 0:
        return 1.0
    both = np.stack([paint, screen])
    raised = 1 - difference(both, channel) / clean + SURE * matte_noise(both, screen, camera)
    return min(max(float(raised.max()), 0.0), 1.0)


def edge_profile(
    paint: np.ndarray, screen: np.ndarray, camera: Camera, defocus_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Recorded pixels across a marker's straight upright edge, without noise: where they lie and their linear light.

    returns at_px : (S, P) from the edge, the marker at positive places; linear : (S, P, 3); S places of the edge
    against the pixels. Light is blurred by the disc (seen edge-on a half circle) and the pixel, encoded, and where the
    recording is 4:2:2 or 4:2:0 its colour is the mean of two pixels (BT.709 matrix; sites and filters differ by codec).
    """
    reach = math.ceil(defocus_px) + FLAT_PX
    pixel = np.arange(-reach - reach % 2, reach + reach % 2) + 0.5
    shift = np.arange(SHIFTS)[:, None] * 2 / SHIFTS
    at = pixel - shift
    inside = _through_disc(at, defocus_px)[..., None]
    codes = recorded(screen + inside * (paint - screen), camera)
    if camera.sampling != "4:4:4":
        luma = codes @ LUMA
        colour = codes - luma[..., None]
        pairs = colour.reshape(SHIFTS, -1, 2, 3).mean(axis=2)
        codes = luma[..., None] + np.repeat(pairs, 2, axis=1)
    return at, decode(codes, camera.encoding, camera.code_range)


def _through_disc(at_px: np.ndarray, defocus_px: float) -> np.ndarray:
    """Share of the marker in pixels about ``at_px``: a step blurred by a disc and averaged over the pixel."""
    fine = (np.arange(FINE) + 0.5) / FINE - 0.5
    x = at_px[..., None] + fine
    radius = max(defocus_px / 2, 1e-6)
    t = np.clip(x / radius, -1, 1)
    share: np.ndarray = (0.5 + (t * np.sqrt(1 - t * t) + np.arcsin(t)) / np.pi).mean(axis=-1)
    return share


def rim_px(paint: np.ndarray, screen: np.ndarray, camera: Camera, defocus_px: float, most_crunch: float) -> float:
    """Width of what a marker's edge leaves in the matte beyond the marker itself, px.

    Where crunching the matte (up to ``most_crunch``) loses the marker: the width that still shows at its edge. Where it
    does not: how far the paint-out has to reach beyond the outline.
    """
    raised = crunch(paint, screen, camera)
    lost = raised <= most_crunch
    black = raised if lost else crunch(screen, screen, camera)
    at, linear = edge_profile(paint, screen, camera, defocus_px)
    shows = matte(linear, screen) > max(black, 1e-9)
    if not lost:
        shows &= at < 0
    return float(shows.sum(axis=1).mean())
