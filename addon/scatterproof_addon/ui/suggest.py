"""Suggested stands, below the Stands panel."""

from __future__ import annotations

import bpy

from .. import ids
from ..flows.suggesting import SAID, ghosts
from .panels import Panel, paragraph


class SuggestPanel(Panel):
    """What would mend the shot at the playhead."""

    bl_idname = "SCATTERPROOF_PT_suggest"
    bl_label = "Suggestions"
    bl_parent_id = "SCATTERPROOF_PT_stands"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, found = self.layout, ghosts(context.scene)
        layout.operator(ids.SUGGEST_STANDS, icon="LIGHT")
        for thing in found:
            row = layout.row(align=True)
            row.label(text=thing.name, icon="GHOST_ENABLED")
            row.operator(ids.ACCEPT_STAND, text="", icon="CHECKMARK").target = thing.name
            row.operator(ids.DISMISS_STAND, text="", icon="X").target = thing.name
        for text in context.scene.get(SAID, ()):
            paragraph(context, layout, str(text))


CLASSES = (SuggestPanel,)
