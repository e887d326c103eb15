"""Operators that take a while: pulled in slices by a timer, with progress, given up with Esc, undone as one step."""

from __future__ import annotations

import time
from collections.abc import Generator, Iterator
from typing import Any

import bpy
from scatterproof.problems import BadInput
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..bridge.stubs import Outcome
from ..flows import staging
from ..store import STORE
from .short import poll_plan

SLICE_S = 0.02


class Long(bpy.types.Operator):
    """Runs an iterator of :class:`Progress`: at once when called from a script, in slices in a window."""

    _timer: Any = None
    _steps: Iterator[Progress] | None = None

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """The work, to be told by each operator."""
        raise NotImplementedError

    def done(self, context: bpy.types.Context) -> str:
        """What to report at the end."""
        raise NotImplementedError

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Run to the end."""
        try:
            for _ in self.steps(context):
                pass
        except BadInput as problem:
            return self._refuse(problem)
        self.report({"INFO"}, self.done(context))
        return {"FINISHED"}

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Start in slices."""
        if bpy.app.background:
            return self.execute(context)
        self._steps = self.steps(context)
        self._timer = context.window_manager.event_timer_add(SLICE_S, window=context.window)
        context.window_manager.progress_begin(0, 1000)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """One slice per timer tick; Esc gives up and nothing has happened."""
        if event.type == "ESC":
            self._end(context)
            self.report({"INFO"}, "Given up; nothing has changed")
            return {"CANCELLED"}
        if event.type != "TIMER":
            return {"PASS_THROUGH"}
        stop = time.monotonic() + SLICE_S
        try:
            while time.monotonic() < stop:
                self._show(context, next(self._steps))
        except StopIteration:
            self._end(context)
            self.report({"INFO"}, self.done(context))
            return {"FINISHED"}
        except BadInput as problem:
            self._end(context)
            return self._refuse(problem)
        return {"RUNNING_MODAL"}

    def _show(self, context: bpy.types.Context, at: Progress) -> None:
        context.window_manager.progress_update(int(1000 * at.done / max(at.total, 1)))
        context.workspace.status_text_set(f"{at.shot}: frame {at.done} of {at.total}   Esc gives up")

    def cancel(self, context: bpy.types.Context) -> None:
        """The window closes, another file opens or the extension goes."""
        self._end(context)

    def _end(self, context: bpy.types.Context) -> None:
        if isinstance(self._steps, Generator):
            self._steps.close()  # puts the scene's frame back at once
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        context.workspace.status_text_set(None)
        for area in context.screen.areas if context.screen else ():
            area.tag_redraw()

    def _refuse(self, problem: BadInput) -> Outcome:
        for line in problem.problems:
            self.report({"ERROR"}, str(line))
        return {"CANCELLED"}


class Rehearse(Long):
    """Score every frame of every shot: firm, thin or lost, with the reasons"""

    bl_idname = ids.REHEARSE
    bl_label = "Rehearse"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Rehearse the scene."""
        return staging.rehearse_scene(context.scene)

    def done(self, context: bpy.types.Context) -> str:
        """Tell the counts."""
        return staging.lost_frames(STORE.last(context.scene))


class Bake(Long):
    """Write the readiness into the scene, so that the saved file shows it to people without the extension"""

    bl_idname = ids.BAKE
    bl_label = "Bake readiness"
    bl_options = {"REGISTER", "UNDO"}

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Rehearse if need be, then bake."""
        return staging.bake_scene(context.scene)

    def done(self, context: bpy.types.Context) -> str:
        """Tell the counts."""
        return "Baked " + staging.lost_frames(STORE.last(context.scene))


CLASSES = (Rehearse, Bake)
