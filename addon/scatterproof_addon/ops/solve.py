"""Operators of the solve preview."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..bridge import tags
from ..bridge.ghost import PART, clear_solves
from ..bridge.stubs import Outcome
from ..flows import solving
from ..props import choices_of
from .long import Long


class PreviewSolve(Long):
    """Simulate a take of every shot and solve it from nothing: its camera, and an insert that slides as solved"""

    bl_idname = ids.PREVIEW_SOLVE
    bl_label = "Solve a take"
    bl_options = {"REGISTER", "UNDO"}

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Rehearse if need be, then solve."""
        return solving.preview(context.scene, choices_of(context.scene).take)

    def done(self, context: bpy.types.Context) -> str:
        """Tell what each shot came to."""
        return "; ".join(f"{shot}: {', '.join(lines)}" for shot, lines in solving.shown(context.scene))


class ClearSolve(bpy.types.Operator):
    """Remove the solved cameras and inserts"""

    bl_idname = ids.CLEAR_SOLVE
    bl_label = "Clear solve"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs something to remove."""
        if tags.tagged(context.scene, PART):
            return True
        cls.poll_message_set("No solve is shown")
        return False

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Clear."""
        clear_solves(context.scene)
        return {"FINISHED"}


CLASSES = (PreviewSolve, ClearSolve)
