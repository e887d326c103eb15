"""The Rig kit panel: the sheets a crew builds from, looked at before they are printed."""

from __future__ import annotations

import bpy
from scatterproof.kit.paper import CAUTION

from .. import ids
from ..bridge.scene import has_plan
from ..flows.kitting import KITS, Made
from ..props import kit_choices_of
from .panels import Panel, paragraph

UNIT = 20  # pixels of the interface's unit at a scale of 1


class KitPanel(Panel):
    """Paper, units and folder; warnings, sheets and contents."""

    bl_idname = "SCATTERPROOF_PT_kit"
    bl_label = "Rig kit"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        made, choices = KITS.of(scene), kit_choices_of(scene)
        if not has_plan(scene):
            paragraph(context, layout, "Sheets from which a crew builds the stage. Build or open one first.")
        elif made is None:
            told = "Plans, set-out tables, cut sheets at true scale, paint, stands, checklists. Preview them first."
            paragraph(context, layout, told)
        column = layout.column()
        column.use_property_split, column.use_property_decorate = True, False
        for name in ("paper", "units", "folder"):
            column.prop(choices, name)
        row = layout.row(align=True)
        row.operator(ids.PREVIEW_KIT, icon="HIDE_OFF")
        row.operator(ids.WRITE_KIT, icon="FILE_TICK")
        if made is not None:
            if made.options != choices.options():
                paragraph(context, layout, "Paper or units have changed since: preview again.")
            self._warnings(context, made)
            self._sheet(context, made)
            self._contents(made)
        paragraph(context, layout, f"{CAUTION} Local codes and licensed people decide.")

    def _warnings(self, context: bpy.types.Context, made: Made) -> None:
        box = self.layout.box()
        box.label(text="Before you print", icon="ERROR" if made.kit.warnings else "INFO")
        lines = [*made.kit.warnings]
        if made.rounding not in lines:
            lines.append(made.rounding)
        for line in lines:
            paragraph(context, box, line)

    def _sheet(self, context: bpy.types.Context, made: Made) -> None:
        sheets, scale = made.kit.pages, context.preferences.system.ui_scale
        box = self.layout.box().column()
        row = box.row(align=True)
        back, middle, on = row.row(), row.row(), row.row()
        back.enabled, on.enabled = made.shown > 0, made.shown + 1 < len(sheets)
        middle.alignment = "CENTER"
        back.operator(ids.TURN_SHEET, text="", icon="TRIA_LEFT").sheet = max(made.shown, 1)
        middle.label(text=f"Sheet {made.shown + 1} of {len(sheets)}")
        on.operator(ids.TURN_SHEET, text="", icon="TRIA_RIGHT").sheet = made.shown + 2
        width = context.region.width / (UNIT * scale) - 4
        box.template_icon(icon_value=KITS.icon(context.scene), scale=max(6.0, min(width, 24.0)))
        box.operator(ids.OPEN_SHEET, icon="VIEWZOOM")

    def _contents(self, made: Made) -> None:
        column = self.layout.column(align=True)
        for section in made.sections:
            here = section.first <= made.shown < section.first + section.count
            row = column.row(align=True)
            row.alignment = "LEFT"
            count = f" ({section.count})" if section.count > 1 else ""
            text = f"{section.title}{count}"
            button = row.operator(
                ids.TURN_SHEET, text=text, icon="RADIOBUT_ON" if here else "RADIOBUT_OFF", emboss=False
            )
            button.sheet = section.first + 1


CLASSES = (KitPanel,)
