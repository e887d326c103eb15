"""Numbers of the paint sheet: half-stop targets, their codes and headroom, mixes to start from, and amounts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ..paint.key import key_channel
from ..paint.mixing import Pigment, base_of, mixed_reflectance, next_correction, parts_for, tint_of
from ..plan.check import flat_surfaces
from ..plan.model import Camera, Plan
from ..plan.paint import linear_named
from ..sightings.photometry import LUMA, clip_level, encode
from ..sources import OURS, TRADE, Sourced
from .cut import CutGroup

HALF_STOP: Final = math.sqrt(2.0)
WHITE_PARTS = Sourced(1 / 4, "parts white to one of green", f"1 part white to 4 parts green: {TRADE}")
BLACK_PARTS = Sourced(1 / 70, "parts black to one of green", f"1 part black to about 70 parts green: {TRADE}")
COATS = Sourced(3, "coats", TRADE)
COVER = Sourced(10, "m² from a litre, one coat", f"{TRADE}: read the tin")
SPARE = Sourced(0.15, "more than drawn", OURS)
WHITE_PAINT = Sourced(0.85, "reflectance", f"{OURS}: a matt white paint")
WHITE_STRENGTHS: Final = (1.0, 3.0, 5.0)  # how much more white scatters than the green, from weak to strong
BLACKS: Final = ((11.52, 1.0), (20.0, 0.2), (45.0, 0.2))  # K and S of black over the green's S, from weak to strong
READINGS: Final = (0.1, 0.2, 0.3, 0.4, 0.45, 0.5, 0.55, 0.6, 0.7, 0.8, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """One wanted or planned colour in one camera's recording."""

    name: str
    stops: float  # from the screen, in luminance
    linear: np.ndarray  # (3,) reflectance
    codes: np.ndarray  # (3,) of 8 bits, not rounded
    codes10: np.ndarray  # (3,) of 10 bits
    headroom_stops: float  # from its strongest channel, in the stage's strongest light, to clipping; negative: clips


def targets_for(plan: Plan, screen: str, camera: Camera) -> list[Target]:
    """The screen, half a stop above and below it, and the planned marker paints, as ``camera`` records them."""
    base = linear_named(plan, screen)
    light = _light(plan, screen)
    wanted = [("screen", base), ("half a stop up", base * HALF_STOP), ("half a stop down", base / HALF_STOP)]
    planned = dict.fromkeys(group.paint for group in plan.markers)
    wanted += [(f"planned: {name}", linear_named(plan, name)) for name in planned]
    return [_target(name, linear, base, camera, light) for name, linear in wanted]


def _light(plan: Plan, screen: str) -> float:
    """The strongest light on surfaces of that paint."""
    return max((s.light for s in flat_surfaces(plan.stage) if (s.paint or plan.stage.paint) == screen), default=1.0)


def _target(name: str, linear: np.ndarray, base: np.ndarray, camera: Camera, light: float) -> Target:
    codes = encode(linear, camera.encoding, camera.code_range)
    strongest = float(linear.max()) * light
    return Target(
        name=name,
        stops=math.log2(max(float(linear @ LUMA), 1e-9) / max(float(base @ LUMA), 1e-9)),
        linear=linear,
        codes=codes,
        codes10=codes * (4.0 if camera.code_range == "narrow" else 1023 / 255),
        headroom_stops=math.log2(clip_level(camera) / max(strongest, 1e-9)),
    )


def screen_paints(plan: Plan) -> list[str]:
    """Paints of the stage's surfaces, the main one first."""
    return list(dict.fromkeys([plan.stage.paint, *(s.paint for s in flat_surfaces(plan.stage) if s.paint)]))


@dataclass(frozen=True, slots=True)
class Mix:
    """What the trade's starting mix gives by the two-constant law, and what a linear guess would say."""

    tint: str
    strength: str
    stops: float  # of the starting mix, in the keyed channel
    linear_stops: float  # if reflectances were averaged by volume
    parts: float  # parts of green to one of tint that reach half a stop; infinite where none does


def mixes_for(plan: Plan, screen: str) -> list[Mix]:
    """White and black in the screen's paint, for weak, usual and strong pigments."""
    colour = linear_named(plan, screen)
    green = float(np.clip(colour[key_channel(colour)], 1e-3, 0.98))
    base = base_of("green", green)
    rows = []
    names = ("weak", "usual", "strong")
    for name, strength in zip(names, WHITE_STRENGTHS, strict=True):
        white = tint_of("white", WHITE_PAINT.value, strength)
        rows.append(_mix("white", name, green, WHITE_PAINT.value, WHITE_PARTS.value,
                         float(mixed_reflectance(base, white, WHITE_PARTS.value)),
                         parts_for(base, white, min(green * HALF_STOP, 0.99))))  # fmt: skip
    for name, (absorbs, scatters) in zip(names, BLACKS, strict=True):
        black = Pigment("black", absorbs, scatters)
        rows.append(_mix("black", name, green, 0.04, BLACK_PARTS.value,
                         float(mixed_reflectance(base, black, BLACK_PARTS.value)),
                         parts_for(base, black, green / HALF_STOP)))  # fmt: skip
    return rows


def _mix(tint: str, strength: str, green: float, own: float, parts: float, mixed: float, wanted_parts: float) -> Mix:
    averaged = (green + parts * own) / (1 + parts)
    inverse = 1 / wanted_parts if wanted_parts else math.inf
    return Mix(tint, strength, math.log2(mixed / green), math.log2(averaged / green), inverse)


def corrections(plan: Plan, screen: str) -> list[tuple[float, float, float]]:
    """(reading, factor for white, factor for black): what the parts of tint are multiplied by after a test patch.

    reading : stops between the patch and the bare screen, whatever its sign, in the keyed channel
    """
    colour = linear_named(plan, screen)
    green = float(np.clip(colour[key_channel(colour)], 1e-3, 0.98))
    rows = []
    for stops in READINGS:
        up = next_correction(green, WHITE_PAINT.value, min(green * 2**stops, 0.999), min(green * HALF_STOP, 0.999))
        down = next_correction(green, 1e-3, green * 2**-stops, green / HALF_STOP)
        rows.append((stops, up, down))
    return rows


@dataclass(frozen=True, slots=True)
class Amount:
    """Paint for the tape of one group of markers, with spare."""

    paint: str
    tape_m2: float
    litres: float
    tint: str  # "white", "black" or "" where it is neither lighter nor darker than the screen
    tint_litres: float


def amounts_for(plan: Plan, groups: Sequence[CutGroup]) -> list[Amount]:
    """Three coats on all the tape that is cut from, waste included."""
    base = linear_named(plan, plan.stage.paint)
    rows = []
    for group in groups:
        litres = group.tape_m2 * COATS.value / COVER.value * (1 + SPARE.value)
        colour = linear_named(plan, group.paint)
        stops = math.log2(max(float(colour @ LUMA), 1e-9) / max(float(base @ LUMA), 1e-9))
        tint, parts = _tint_of(colour, base, stops)
        rows.append(Amount(group.paint, group.tape_m2, litres, tint, litres * parts / (1 + parts)))
    return rows


def _tint_of(colour: np.ndarray, base: np.ndarray, stops: float) -> tuple[str, float]:
    """Whether a paint is the screen's own made lighter or darker: the same primary leads and brightness differs."""
    if key_channel(colour) != key_channel(base) or abs(stops) < 0.1:
        return "", 0.0
    return ("white", WHITE_PARTS.value) if stops > 0 else ("black", BLACK_PARTS.value)
