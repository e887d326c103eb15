"""Registering classes: all of them or none."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack

import bpy


def register_classes(classes: Sequence[type]) -> None:
    """Register in order; where one fails, those before it go again and the error is raised."""
    with ExitStack() as undo:
        for cls in classes:
            bpy.utils.register_class(cls)
            undo.callback(bpy.utils.unregister_class, cls)
        undo.pop_all()


def unregister_classes(classes: Sequence[type]) -> None:
    """Unregister in reverse order."""
    for cls in reversed(classes):
        bpy.utils.unregister_class(cls)
