"""Operators: poll, call a flow, report. Nothing is computed here."""

from __future__ import annotations

import bpy

from . import long, short

CLASSES = (*short.CLASSES, *long.CLASSES)


def register() -> None:
    """Register every operator."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister() -> None:
    """Unregister in reverse order."""
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
