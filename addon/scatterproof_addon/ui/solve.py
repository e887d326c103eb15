"""The Solve preview panel: one take, solved."""

from __future__ import annotations

import bpy

from .. import ids
from ..flows import solving
from ..props import choices_of
from .panels import Panel, paragraph


class SolvePanel(Panel):
    """Solve a take, and what each shot came to."""

    bl_idname = "SCATTERPROOF_PT_solve"
    bl_label = "Solve preview"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        found = solving.shown(scene)
        if not found:
            told = "A take's tracks with their errors, solved from nothing: the camera it gives, how an insert slides."
            paragraph(context, layout, told)
        layout.prop(choices_of(scene), "take")
        row = layout.row(align=True)
        row.operator(ids.PREVIEW_SOLVE, icon="VIEW_CAMERA")
        row.operator(ids.CLEAR_SOLVE, text="", icon="X")
        for shot, lines in found:
            column = layout.box().column(align=True)
            column.label(text=shot, icon="OUTLINER_OB_CAMERA")
            for line in lines:
                paragraph(context, column, line)
        if found:
            told = "White: where the insert belongs. Coloured: where the solve draws it. Solve again after changes."
            paragraph(context, layout, told)


CLASSES = (SolvePanel,)
