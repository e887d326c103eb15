"""Listening: after every change the frame in view at once, in idle moments the rest. Never an error while drawing."""

from __future__ import annotations

import time

import bpy
from scatterproof.problems import BadInput

from .live import LIVES, REST_S, redraw_all

TICK_S = 0.005


def _touched(graph: bpy.types.Depsgraph | None) -> set[str] | None:
    """Names of the objects that an evaluation is about; None: other things too, any object may have changed."""
    if graph is None:
        return None
    found = set()
    for update in graph.updates:
        if not isinstance(update.id, (bpy.types.Object, bpy.types.Scene)):
            return None
        found.add(update.id.name)
    return found


def _on_change(scene: bpy.types.Scene, graph: bpy.types.Depsgraph | None = None) -> None:
    """Something has been evaluated anew."""
    live = LIVES.of(scene)
    if live is None or bpy.app.is_job_running("RENDER"):
        return
    try:
        news = live.notice(scene, _touched(graph))
    except BadInput:  # a scene that makes no plan just now: said when it is rehearsed
        LIVES.kept.pop(scene.session_uid, None)
        news = True
    if news:
        redraw_all()
        wake()


def _on_frame(scene: bpy.types.Scene, *_: object) -> None:
    """Another frame."""
    live = LIVES.of(scene)
    if live is not None and not bpy.app.is_job_running("RENDER") and live.look(scene):
        redraw_all()


def _on_history(*_: object) -> None:
    """Undone or redone: where things are is known only after the next evaluation."""
    if LIVES.kept and not bpy.app.timers.is_registered(_after_history):
        bpy.app.timers.register(_after_history, first_interval=0.0)


def _after_history() -> None:
    for scene in bpy.data.scenes:
        if LIVES.of(scene) is not None:
            for layer in scene.view_layers:
                layer.update()
            _on_change(scene)


def _on_load(*_: object) -> None:
    LIVES.forget()
    _rest()


def _rest() -> None:
    for timer in (_idle, _after_history):
        if bpy.app.timers.is_registered(timer):
            bpy.app.timers.unregister(timer)


def _idle() -> float | None:
    """A slice of rehearsal for scenes that wait for one; sleeps when there are none."""
    scenes = {scene.session_uid: scene for scene in bpy.data.scenes}
    waiting = [(scenes[uid], live, name) for uid, live in LIVES.kept.items() if uid in scenes and (name := live.work())]
    if not waiting:
        return None
    scene, live, name = waiting[0]
    if time.monotonic() - live.changed_s >= REST_S and live.go_on(scene, name):
        redraw_all()
    return TICK_S


def wake() -> None:
    """Let the idle slices begin, where any wait."""
    if any(live.work() for live in LIVES.kept.values()) and not bpy.app.timers.is_registered(_idle):
        bpy.app.timers.register(_idle, first_interval=REST_S)


HANDLERS = {
    "depsgraph_update_post": _on_change,
    "frame_change_post": _on_frame,
    "undo_post": _on_history,
    "redo_post": _on_history,
    "load_pre": _on_load,
}
for _function in set(HANDLERS.values()):
    bpy.app.handlers.persistent(_function)


def register() -> None:
    """Start listening."""
    for name, function in HANDLERS.items():
        getattr(bpy.app.handlers, name).append(function)


def unregister() -> None:
    """Stop listening."""
    for name, function in HANDLERS.items():
        listening = getattr(bpy.app.handlers, name)
        if function in listening:
            listening.remove(function)
    _rest()
