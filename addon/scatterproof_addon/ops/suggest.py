"""Operators about suggested stands."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..bridge.stubs import Outcome
from ..flows import suggesting
from .long import Long
from .short import answered, poll_plan


class SuggestStands(Long):
    """Look for the fewest stands that make the shot at the playhead firm, and show them as numbered ghosts"""

    bl_idname = ids.SUGGEST_STANDS
    bl_label = "Suggest stands"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        most: int
    else:
        most: bpy.props.IntProperty(name="At most", description="How many may be added", default=4, min=1, max=12)

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Look for them."""
        return suggesting.suggest(context.scene, self.most)

    def done(self, context: bpy.types.Context) -> str:
        """Tell how many."""
        found = len(suggesting.ghosts(context.scene))
        others = list(context.scene.get(suggesting.SAID, ()))
        return " ".join([f"{found} suggested stands: accept or dismiss each in the sidebar.", *map(str, others)])


class _OnGhost(bpy.types.Operator):
    if TYPE_CHECKING:
        target: str
    else:
        target: bpy.props.StringProperty(
            name="Suggestion", description="The ghost it is about; empty: all", options={"SKIP_SAVE"}
        )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs suggestions."""
        if not poll_plan(cls, context):
            return False
        if suggesting.ghosts(context.scene):
            return True
        cls.poll_message_set("Suggest stands first")
        return False

    def chosen(self, context: bpy.types.Context) -> list[bpy.types.Object]:
        """The ghosts meant."""
        return [t for t in suggesting.ghosts(context.scene) if self.target in ("", t.name)]


class AcceptStand(_OnGhost):
    """Set up this suggested stand where its ghost is"""

    bl_idname = ids.ACCEPT_STAND
    bl_label = "Accept"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Accept."""
        scene = context.scene
        return answered(self, lambda: "; ".join([suggesting.accept(scene, ghost) for ghost in self.chosen(context)]))


class DismissStand(_OnGhost):
    """Remove this suggestion"""

    bl_idname = ids.DISMISS_STAND
    bl_label = "Dismiss"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Dismiss."""
        suggesting.dismiss(context.scene, self.chosen(context))
        return {"FINISHED"}


CLASSES = (SuggestStands, AcceptStand, DismissStand)
