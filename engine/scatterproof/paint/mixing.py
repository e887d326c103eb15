"""What mixing two paints gives, and what a test patch says about the next pot.

One band of light at a time (the channel by which a screen is keyed), reflectance 0 to 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


def absorption(reflectance: np.ndarray | float) -> np.ndarray:
    """K/S of an opaque layer that sends back ``reflectance`` (above 0, up to 1); any shape.

    Source: Kubelka & Munk 1931; E. Allen in Grum & Bartleson, *Optical Radiation Measurements* 2, 1980, eq. 19. What a
    meter reads includes the shine of the surface, so measured values want Saunderson's correction first; it is left
    out here.

    >>> absorption(0.2).round(3), absorption(0.8).round(3)
    (1.6, 0.025)
    """
    r = np.asarray(reflectance, float)
    ratio: np.ndarray = (1 - r) ** 2 / (2 * r)
    return ratio


def reflectance(absorption: np.ndarray | float) -> np.ndarray:
    """What an opaque layer of that K/S sends back: the inverse of :func:`absorption` (Allen, eq. 20).

    >>> reflectance(1.0).round(6)
    0.267949
    """
    q = np.asarray(absorption, float)
    r: np.ndarray = 1 + q - np.sqrt(q * q + 2 * q)
    return r


@dataclass(frozen=True, slots=True)
class Pigment:
    """A paint in one band of light, per part by volume, in units of the base paint's scattering."""

    name: str
    absorbs: float  # K over the base's S
    scatters: float  # S over the base's S


def base_of(name: str, band_reflectance: float) -> Pigment:
    """The paint that all others are measured by: it scatters 1."""
    return Pigment(name, float(absorption(band_reflectance)), 1.0)


def tint_of(name: str, band_reflectance: float, strength: float) -> Pigment:
    """A paint that scatters ``strength`` times as much as the base and sends back ``band_reflectance`` by itself."""
    return Pigment(name, strength * float(absorption(band_reflectance)), strength)


def mixed_reflectance(base: Pigment, tint: Pigment, parts: np.ndarray | float) -> np.ndarray:
    """Reflectance of ``parts`` of tint to one part of base: two-constant Kubelka-Munk, K and S add by volume.

    >>> mixed_reflectance(base_of("green", 0.3), tint_of("white", 0.85, 5), 1 / 4).round(4)
    0.4334
    """
    x = np.asarray(parts, float)
    return reflectance((base.absorbs + x * tint.absorbs) / (base.scatters + x * tint.scatters))


def parts_for(base: Pigment, tint: Pigment, wanted: float) -> float:
    """Parts of tint to one part of base that reach a reflectance; infinite where no mix of the two does.

    >>> round(1 / parts_for(base_of("green", 0.3), tint_of("white", 0.85, 4.52), 0.3 * math.sqrt(2)), 2)
    4.0
    """
    q = float(absorption(wanted))
    over, under = base.absorbs - q * base.scatters, q * tint.scatters - tint.absorbs
    if over == 0:
        return 0.0
    return over / under if over * under > 0 else math.inf


def next_correction(base: float, tint: float, measured: float, wanted: float) -> float:
    """What the parts of tint are to be multiplied by, once a test patch has been read.

    base, tint : reflectance of the two paints by themselves, in the band that was read
    measured, wanted : reflectance of the patch, and of what is wanted
    returns nan where the patch can't have come from these two paints, infinity where no mix of them gets there

    The reading tells the tint's strength, and the same two-constant law (see :func:`mixed_reflectance`) then tells the
    parts. It holds for a tint that scatters (white) and in the limit for one that only absorbs (black).
    """
    q, goal, q_base, q_tint = (float(absorption(r)) for r in (measured, wanted, base, tint))
    have, want = ((q_base - x) / (x - q_tint) if x != q_tint else math.inf for x in (q, goal))
    if have <= 0 or not math.isfinite(have):
        return math.nan
    return want / have if want >= 0 else math.inf
