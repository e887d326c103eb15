"""What happens when a file is loaded or saved: rehearsals of gone scenes are forgotten, folders kept relative."""

from __future__ import annotations

import bpy

from .bridge.folders import follow_save
from .flows.kitting import KITS
from .flows.straying import ASKED
from .flows.surveying import SURVEYS
from .store import STORE


def _forget() -> None:
    STORE.forget()
    SURVEYS.forget()
    KITS.forget()
    ASKED.of.clear()


def _on_load(*_: object) -> None:
    _forget()


def _before_save(target: str = "", *_: object) -> None:
    if target:
        follow_save(target, bpy.data.filepath)
        _SAVING.append(target)


def _after_save(*_: object) -> None:
    """A copy was saved elsewhere, or saving failed: as seen from the file that is open still."""
    while _SAVING:
        follow_save(bpy.data.filepath, _SAVING.pop())


_SAVING: list[str] = []  # the file that is being written
LISTENERS = (
    ("load_pre", _on_load),
    ("save_pre", _before_save),
    ("save_post", _after_save),
    ("save_post_fail", _after_save),
)


for _, listener in LISTENERS:
    bpy.app.handlers.persistent(listener)


def register() -> None:
    """Start listening."""
    for moment, listener in LISTENERS:
        getattr(bpy.app.handlers, moment).append(listener)


def unregister() -> None:
    """Stop listening, and forget."""
    for moment, listener in LISTENERS:
        if listener in getattr(bpy.app.handlers, moment):
            getattr(bpy.app.handlers, moment).remove(listener)
    _forget()
