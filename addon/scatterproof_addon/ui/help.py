"""The help panel, last in the sidebar."""

from __future__ import annotations

import bpy

from .. import ids, readme
from .panels import Panel


class HelpPanel(Panel):
    """Sections of the README."""

    bl_idname = "SCATTERPROOF_PT_help"
    bl_label = "Help"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        column = self.layout.column(align=True)
        for title in readme.SECTIONS:
            column.operator(ids.HELP, text=title, icon="HELP").title = title


CLASSES = (HelpPanel,)
