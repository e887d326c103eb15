"""Costumes and props against the screen and its markers: what will be hurt by the key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..paint.difference import ciede2000, lab_of
from ..paint.key import matte
from ..plan.model import Plan
from ..plan.paint import linear_named, linear_of
from ..sightings.photometry import LUMA
from ..sources import OURS, Sourced
from .paintwork import screen_paints

SAME = Sourced(10, "CIEDE2000", f"{OURS}: in its own light and shade such a colour passes for the screen")
NEAR = Sourced(20, "CIEDE2000", f"{OURS}: folds, spill and soft edges of such a colour come near the screen")
HOLED = Sourced(0.5, "of the matte", f"{OURS}: half of it and more is keyed away with the screen")
THIN = Sourced(0.95, "of the matte", f"{OURS}: some of it is keyed away")


@dataclass(frozen=True, slots=True)
class Clash:
    """One patch against the nearest of the screen's and the markers' paints."""

    patch: str
    use: str
    paint: str  # the nearest, at the same light
    measured: float  # CIEDE2000 of the two as measured
    same_light: float  # of the two lit alike: what is left is hue and chroma
    matte: float  # what a colour-difference key leaves of it, 0 to 1
    verdict: str
    hurt: int  # 0 clear, 1 at risk, 2 hurt


def clashes(plan: Plan) -> tuple[Clash, ...]:
    """Every patch of a plan, the worst first."""
    screens = {name: linear_named(plan, name) for name in screen_paints(plan)}
    paints = screens | {group.paint: linear_named(plan, group.paint) for group in plan.markers}
    found = []
    for patch in plan.patches:
        colour = linear_of(patch)
        apart = {
            name: float(ciede2000(lab_of(lit_like(paint, colour)), lab_of(colour))) for name, paint in paints.items()
        }
        name = min(apart, key=apart.__getitem__)
        left = min(float(matte(colour, lit_like(screen, colour))) for screen in screens.values())
        as_measured = float(ciede2000(lab_of(paints[name]), lab_of(colour)))
        hurt, verdict = _verdict(apart[name], left, name in screens)
        found.append(Clash(patch.name, patch.use, name, as_measured, apart[name], left, verdict, hurt))
    return tuple(sorted(found, key=lambda clash: (-clash.hurt, clash.same_light)))


def lit_like(paint: np.ndarray, other: np.ndarray) -> np.ndarray:
    """A paint's linear light (3,) when it is lit until it is as bright as another colour (luminance)."""
    own = max(float(paint @ LUMA), 1e-6)
    lit: np.ndarray = paint * (float(other @ LUMA) / own)
    return lit


def _verdict(apart: float, left: float, is_screen: bool) -> tuple[int, str]:
    if left < HOLED.value or (apart < SAME.value and is_screen):
        return 2, "keyed away with the screen: change it, or shoot it elsewhere"
    if apart < SAME.value:
        return 2, "goes with the markers when they are removed"
    if left < THIN.value or apart < NEAR.value:
        return 1, "at risk: thin edges, holes in shade and spill; test it before the shoot"
    return 0, "clear of the key"
