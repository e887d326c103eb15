"""The panels."""

from __future__ import annotations

import blf
import bpy
from scatterproof.readiness.verdict import FIRM, LOST, STATES, THIN

from .. import ids
from ..bridge import tags
from ..bridge.scene import has_plan
from ..bridge.stubs import mesh_of
from ..flows.straying import said
from ..props import choices_of
from ..store import STORE
from .icons import state_icon

MARGIN = 64  # pixels at an interface scale of 1, on both sides of a label in a box


def paragraph(context: bpy.types.Context, layout: bpy.types.UILayout, text: str) -> None:
    """Text broken into lines that fit the sidebar."""
    preferences = context.preferences
    scale = preferences.system.ui_scale
    blf.size(0, preferences.ui_styles[0].widget.points * scale)
    width = context.region.width - MARGIN * scale
    column = layout.column(align=True)
    column.scale_y = 0.8
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and blf.dimensions(0, longer)[0] > width:
            lines.append(word)
        else:
            lines[-1] = longer
    for line in lines:
        column.label(text=line)


class Panel(bpy.types.Panel):
    """Every panel of the tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = ids.TAB


class StagePanel(Panel):
    """Where a stage comes from and goes to."""

    bl_idname = "SCATTERPROOF_PT_stage"
    bl_label = "Stage"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        if not has_plan(scene):
            paragraph(context, layout, "No stage yet. Choose a template and build it, or open a plan.")
        layout.prop(choices_of(scene), "template", text="")
        layout.operator(ids.BUILD_STAGE, icon="MESH_PLANE")
        row = layout.row(align=True)
        row.operator(ids.OPEN_PLAN, icon="FILE_FOLDER")
        row.operator(ids.SAVE_PLAN, icon="FILE_TICK")
        layout.operator_menu_enum(ids.MARK, "part", icon="RESTRICT_SELECT_OFF")
        if has_plan(scene):
            layout.operator_menu_enum(ids.EXPORT_STAGE, "kind", icon="EXPORT")
            layout.operator(ids.CLEAR, icon="TRASH")


class MarkersPanel(Panel):
    """Marker sets and their seed."""

    bl_idname = "SCATTERPROOF_PT_markers"
    bl_label = "Markers"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        sets = tags.tagged(scene, "markers")
        if not sets:
            paragraph(context, layout, "Markers come with the stage. Build one first.")
        for thing in sets:
            layout.label(text=f"{thing.name}: {len(mesh_of(thing).polygons)}", icon="STICKY_UVS_DISABLE")
        row = layout.row(align=True)
        row.prop(choices_of(scene), "seed")
        row.operator(ids.SCATTER, text="Scatter", icon="FILE_REFRESH")


class StandsPanel(Panel):
    """Stands: what makes near and far move differently."""

    bl_idname = "SCATTERPROOF_PT_stands"
    bl_label = "Stands"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout = self.layout
        stands = tags.tagged(context.scene, "stand")
        if has_plan(context.scene) and not stands:
            paragraph(
                context, layout, "No stands. On one flat wall no push can be solved: add two between wall and camera."
            )
        for thing in stands:
            layout.label(text=thing.name, icon="EMPTY_SINGLE_ARROW")
        layout.operator(ids.ADD_STAND, icon="ADD")
        layout.operator(ids.STAND_MAP, icon="MESH_GRID")
        layout.operator(ids.ADD_PERFORMER, icon="OUTLINER_OB_ARMATURE")


class ShotPanel(Panel):
    """The shots on the timeline."""

    bl_idname = "SCATTERPROOF_PT_shots"
    bl_label = "Camera and shot"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        cameras = tags.tagged(scene, "shot")
        if not cameras:
            paragraph(context, layout, "Shots come with the stage; move their cameras and keys as you like.")
        for thing in cameras:
            active = thing == scene.camera
            layout.label(text=thing.name, icon="OUTLINER_OB_CAMERA" if active else "CAMERA_DATA")
        layout.operator_menu_enum(ids.ADD_MOVE, "move", icon="ANIM")


class ReadinessPanel(Panel):
    """The verdict."""

    bl_idname = "SCATTERPROOF_PT_readiness"
    bl_label = "Readiness"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        layout.operator(ids.REHEARSE, icon="PLAY")
        last = STORE.last(scene)
        if not last:
            paragraph(context, layout, "Rehearse scores every frame: firm, thin or lost.")
        for rehearsal in last:
            readiness = rehearsal.readiness
            counts = [(STATES[state], int((readiness.state == state).sum())) for state in (LOST, THIN, FIRM)]
            column = layout.box().column(align=True)
            row = column.row()
            row.label(text=readiness.name, icon_value=state_icon(int(readiness.state.max(initial=FIRM))))
            numbers = row.row()
            numbers.alignment = "RIGHT"
            numbers.label(text=", ".join(f"{count} {name}" for name, count in counts if count))
            worst = int(readiness.state.argmax())
            if readiness.state[worst] != FIRM:
                paragraph(context, column, f"Frame {readiness.frame[worst]}: {readiness.reasons[worst][0].text}")
        for shot, lines, holds in said(scene):
            column = layout.box().column(align=True)
            column.label(text=shot if holds else f"{shot}: out of date, ask again", icon="MOD_NOISE")
            column.active = holds
            for line in lines:
                paragraph(context, column, line)
        layout.operator(ids.STRAY, icon="MOD_NOISE")
        if last:
            row = layout.row(align=True)
            row.operator(ids.NEXT_LOST, text="", icon="TRIA_LEFT").back = True
            row.operator(ids.NEXT_LOST, icon="TRIA_RIGHT")
            layout.operator(ids.WRITE_REPORT, icon="FILE_TEXT")
        layout.operator(ids.DIRECTOR_SHEET, icon="CAMERA_DATA")
        row = layout.row(align=True)
        row.operator(ids.BAKE, icon="RENDER_ANIMATION")
        row.operator(ids.CLEAR_BAKE, text="", icon="X")


CLASSES = (StagePanel, MarkersPanel, StandsPanel, ShotPanel, ReadinessPanel)
