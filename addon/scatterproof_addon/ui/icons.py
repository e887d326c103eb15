"""The glyphs of the three states as icons, drawn from the same measures as the rings on the stage."""

from __future__ import annotations

from typing import Any

import bpy.utils.previews
import numpy as np
from scatterproof.readiness.verdict import FIRM, LOST, STATES, THIN

from ..bridge.bake import STATE_CODES
from ..bridge.glyphs import BAR, CORE, INNER

SIZE, FINER = 32, 4  # pixels, and samples across one
_HELD: list[Any] = []  # the collection of icons: Blender frees them with it


def state_icon(state: int) -> int:
    """The icon's number for a layout's ``icon_value``."""
    return int(_HELD[0][STATES[state]].icon_id)


def state_pixels(state: int) -> np.ndarray:
    """(SIZE, SIZE, 4) a state's glyph, rows from below, its colour multiplied by its alpha as Blender's icons are."""
    side = (np.arange(SIZE * FINER) + 0.5) / (SIZE * FINER) * 2.2 - 1.1
    x, y = np.meshgrid(side, side)
    away = np.hypot(x, y)
    drawn = (away <= 1) & (away >= (CORE if state == FIRM else INNER - 0.08))
    if state == THIN:
        drawn |= (away <= 1) & (away >= CORE - 0.15) & (y >= 0)
    if state == LOST:
        drawn |= (away <= 1) & (np.abs(x - y) <= 2 * BAR * np.sqrt(2))
    share = drawn.reshape(SIZE, FINER, SIZE, FINER).mean(axis=(1, 3))
    pixels: np.ndarray = share[..., None] * np.append(np.array(STATE_CODES[state]) / 255, 1.0)
    return pixels


def register() -> None:
    """Draw the icons."""
    icons = bpy.utils.previews.new()
    for state in (FIRM, THIN, LOST):
        icon: Any = icons.new(STATES[state])
        icon.icon_size = (SIZE, SIZE)
        icon.icon_pixels_float = state_pixels(state).ravel().tolist()
    _HELD.append(icons)


def unregister() -> None:
    """Free them."""
    while _HELD:
        bpy.utils.previews.remove(_HELD.pop())
