"""Keys: three, none of which Blender's own keymaps use anywhere."""

from __future__ import annotations

from typing import Any

import bpy

from . import ids

EDITORS: Any = (("3D View", "VIEW_3D"), ("Dopesheet", "DOPESHEET_EDITOR"))
# With Alt and Shift: V for the verdict, N and P for the next and the previous frame that is lost.
KEYS: Any = ((ids.REHEARSE, "V", {}), (ids.NEXT_LOST, "N", {"back": False}), (ids.NEXT_LOST, "P", {"back": True}))
_ADDED: list[tuple[Any, Any]] = []  # (keymap, entry)


def register() -> None:
    """Add them, where there is a window to press keys in."""
    config = bpy.context.window_manager.keyconfigs.addon
    if config is None:
        return
    for name, space in EDITORS:
        keymap = config.keymaps.new(name=name, space_type=space)
        for operator, key, options in KEYS:
            entry: Any = keymap.keymap_items.new(operator, key, "PRESS", alt=True, shift=True)
            for option, value in options.items():
                setattr(entry.properties, option, value)
            _ADDED.append((keymap, entry))


def unregister() -> None:
    """Take them away again."""
    while _ADDED:
        keymap, entry = _ADDED.pop()
        keymap.keymap_items.remove(entry)


def in_the_view(context: bpy.types.Context) -> list[tuple[str, Any]]:
    """(what it does, entry) of the 3D view's entries as the person has them now."""
    config = context.window_manager.keyconfigs.user
    keymap: Any = config.keymaps.get(EDITORS[0][0]) if config is not None else None
    wanted = {operator for operator, *_ in KEYS}
    found = [entry for entry in keymap.keymap_items if entry.idname in wanted] if keymap is not None else []
    return sorted(((_said(entry), entry) for entry in found), key=lambda one: one[0])


def _said(entry: Any) -> str:
    back = entry.idname == ids.NEXT_LOST and entry.properties.back
    return "Previous lost frame" if back else str(entry.name)
