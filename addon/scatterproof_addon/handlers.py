"""Forget rehearsals when another file is loaded: they belong to scenes that are gone."""

from __future__ import annotations

import bpy

from .store import STORE
from .surveying import SURVEYS


def _on_load(*_: object) -> None:
    STORE.forget()
    SURVEYS.forget()


bpy.app.handlers.persistent(_on_load)


def register() -> None:
    """Start listening."""
    bpy.app.handlers.load_pre.append(_on_load)


def unregister() -> None:
    """Stop listening, and forget."""
    if _on_load in bpy.app.handlers.load_pre:
        bpy.app.handlers.load_pre.remove(_on_load)
    STORE.forget()
    SURVEYS.forget()
