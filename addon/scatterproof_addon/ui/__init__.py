"""The sidebar tab: read-only panels in the order of the work, each telling what to do next when it is empty."""

from __future__ import annotations

import bpy

from .panels import CLASSES


def register() -> None:
    """Register every panel."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister() -> None:
    """Unregister in reverse order."""
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
