"""Operators: poll, call a flow, report. Nothing is computed here."""

from __future__ import annotations

from ..registration import register_classes, unregister_classes
from . import director, help, kit, long, short, shots, solve, stray, suggest, survey

CLASSES = (
    *short.CLASSES,
    *long.CLASSES,
    *director.CLASSES,
    *shots.CLASSES,
    *solve.CLASSES,
    *kit.CLASSES,
    *survey.CLASSES,
    *stray.CLASSES,
    *suggest.CLASSES,
    *help.CLASSES,
)


def register() -> None:
    """Register every operator."""
    register_classes(CLASSES)


def unregister() -> None:
    """Unregister in reverse order."""
    unregister_classes(CLASSES)
