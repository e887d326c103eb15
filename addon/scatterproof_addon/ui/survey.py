"""The Survey panel: after the shoot, what stood where."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from scatterproof.survey.found import IN_PLACE, NOT_SURVEYED, OFF, SWAPPED

from .. import ids
from ..bridge.arrows import by_size, exaggeration, offset_text, one_each
from ..bridge.scene import has_plan
from ..flows.surveying import READ, SURVEYS, Seen, files_of, left
from ..props import survey_choices_of
from .panels import Panel, paragraph

EMPTY = (
    "After the shoot, read what was surveyed: point lists, clouds, tape or total-station notes, camera reports. "
    "Arrows show what moved; nothing changes before you accept it."
)
LARGEST = 6  # offsets listed
LINES = 4  # of what to do


class SurveyPanel(Panel):
    """Files in, arrows out, accepted all at once or one by one."""

    bl_idname = "SCATTERPROOF_PT_survey"
    bl_label = "Survey"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        seen, asked = SURVEYS.of(scene), SURVEYS.asked(scene)
        if not has_plan(scene):
            paragraph(context, layout, "After the shoot: what stood where. Open the plan first.")
        elif seen is None and not asked:
            again = "The marks are of a survey that was read in another session. Match it again to accept it."
            paragraph(context, layout, again if scene.get(READ) else EMPTY)
        layout.operator(ids.READ_SURVEY, icon="IMPORT")
        if asked:
            box = layout.box()
            box.label(text="The files leave something open", icon="QUESTION")
            for line in asked[:LINES]:
                paragraph(context, box, line)
            if len(asked) > LINES:
                box.label(text=f"and {len(asked) - LINES} more like these")
        if files_of(scene):
            self._settings(scene)
        if seen is not None:
            self._seen(context, seen)

    def _settings(self, scene: bpy.types.Scene) -> None:
        column, choices = self.layout.column(), survey_choices_of(scene)
        column.use_property_split, column.use_property_decorate = True, False
        for name in ("units", "match", "axes", "columns", "angles"):
            column.prop(choices, name)
        column.operator(ids.MATCH_SURVEY, icon="FILE_REFRESH")

    def _seen(self, context: bpy.types.Context, seen: Seen) -> None:
        layout, found, scene = self.layout, seen.found, context.scene
        rest = left(scene, found)
        box = layout.box().column(align=True)
        counts: tuple[tuple[str, int, Any], ...] = (
            ("in place", IN_PLACE, "CHECKMARK"), ("moved", OFF, "EMPTY_SINGLE_ARROW"),
            ("swapped", SWAPPED, "ARROW_LEFTRIGHT"), ("not surveyed", NOT_SURVEYED, "X"),
        )  # fmt: skip
        for name, state, icon in counts:
            if count := int((found.state == state).sum()):
                box.label(text=f"{count} {name}", icon=icon)
        if found.extra_label:
            box.label(text=f"{len(found.extra_label)} extra", icon="ADD")
        for placed in found.placed:
            paragraph(context, box, f"{placed.file}: {placed.note}")
        moved = one_each(found, by_size(found, rest))
        if moved:
            factor = exaggeration(found)
            drawn = f"; arrows are drawn {factor} times as long" if factor > 1 else ""
            paragraph(context, layout, f"Largest offsets{drawn}:")
            rows = layout.column(align=True)
            for row in moved[:LARGEST]:
                line = rows.row(align=True)
                size = offset_text(float(np.linalg.norm(found.offset_m[row])), seen.units)
                line.label(text=f"{seen.owners[found.targets.owner[row]]}: {size}")
                short = line.row()
                short.scale_x = 0.8
                short.operator(ids.ACCEPT_ONE).target = found.targets.name[row]
        if (rest & found.surveyed).any():
            layout.operator(ids.ACCEPT_SELECTED, icon="RESTRICT_SELECT_OFF")
            layout.operator(ids.ACCEPT_SURVEY, icon="CHECKMARK")
        else:
            paragraph(context, layout, "Everything surveyed is taken over. Rehearse the stage as it was built.")
        if lines := [*seen.said, *seen.to_do]:
            todo = layout.box()
            todo.label(text="What to do", icon="INFO")
            for text in lines[:LINES]:
                paragraph(context, todo, text)
        layout.operator(ids.DISCARD_SURVEY, icon="TRASH")


CLASSES = (SurveyPanel,)
