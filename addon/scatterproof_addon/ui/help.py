"""The help panel, last in the sidebar."""

from __future__ import annotations

import bpy

from .. import ids, readme


class HelpPanel(bpy.types.Panel):
    """Sections of the README."""

    bl_idname = "SCATTERPROOF_PT_help"
    bl_label = "Help"
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = ids.TAB
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        column = self.layout.column(align=True)
        for title in readme.SECTIONS:
            column.operator(ids.HELP, text=title, icon="HELP").title = title


CLASSES = (HelpPanel,)
