"""The sidebar tab: read-only panels in the order of the work, each telling what to do next when it is empty."""

from __future__ import annotations

from ..registration import register_classes, unregister_classes
from . import help, icons, kit, panels, solve, suggest, survey

CLASSES = (*panels.CLASSES, *suggest.CLASSES, *solve.CLASSES, *kit.CLASSES, *survey.CLASSES, *help.CLASSES)


def register() -> None:
    """Register every panel, draw the icons."""
    register_classes(CLASSES)
    icons.register()


def unregister() -> None:
    """Unregister in reverse order."""
    icons.unregister()
    unregister_classes(CLASSES)
