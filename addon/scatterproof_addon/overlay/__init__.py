"""The live overlay: rings, words and strips that follow what is dragged. Nothing is drawn without a window."""

from __future__ import annotations

from typing import Any

import bpy

from . import watch
from .live import LIVES

_DRAWN: list[tuple[Any, Any]] = []  # (kind of space, handle)


def register() -> None:
    """Draw and listen, in a window; a Blender without one has nothing to draw on."""
    watch.register()
    if bpy.app.background:
        return
    from . import paint

    for space, function, kind in (
        (bpy.types.SpaceView3D, paint.draw_rings, "POST_VIEW"),
        (bpy.types.SpaceView3D, paint.draw_words, "POST_PIXEL"),
        (bpy.types.SpaceDopeSheetEditor, paint.draw_timeline, "POST_PIXEL"),
    ):
        _DRAWN.append((space, space.draw_handler_add(paint.careful(function), (), "WINDOW", kind)))


def unregister() -> None:
    """Stop both, and forget."""
    watch.unregister()
    while _DRAWN:
        space, handle = _DRAWN.pop()
        space.draw_handler_remove(handle, "WINDOW")
    if not bpy.app.background:
        from .paint import HELD

        HELD.forget()
    LIVES.forget()
