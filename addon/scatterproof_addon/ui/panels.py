"""The panels."""

from __future__ import annotations

import bpy
from scatterproof.readiness.verdict import FIRM, LOST, STATES, THIN

from .. import ids
from ..bridge import tags
from ..bridge.scene import has_plan
from ..store import STORE

ICONS = {FIRM: "RADIOBUT_ON", THIN: "KEYFRAME", LOST: "CANCEL"}
WRAP = 42  # characters that fit a sidebar of usual width


def paragraph(layout: bpy.types.UILayout, text: str, icon: str = "NONE") -> None:
    """Text broken into lines that fit the sidebar."""
    column = layout.column(align=True)
    line = ""
    for word in text.split():
        if line and len(line) + len(word) + 1 > WRAP:
            column.label(text=line, icon=icon)
            line, icon = "", "BLANK1" if icon != "NONE" else "NONE"
        line = f"{line} {word}".strip()
    if line:
        column.label(text=line, icon=icon)


class _Panel(bpy.types.Panel):
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = ids.TAB


class StagePanel(_Panel):
    """Where a stage comes from and goes to."""

    bl_idname = "SCATTERPROOF_PT_stage"
    bl_label = "Stage"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        if not has_plan(scene):
            paragraph(layout, "No stage yet. Choose a template and build it, or open a plan.", "INFO")
        layout.prop(scene.scatterproof, "template", text="")
        layout.operator(ids.BUILD_STAGE, icon="MESH_PLANE")
        row = layout.row(align=True)
        row.operator(ids.OPEN_PLAN, icon="FILE_FOLDER")
        row.operator(ids.SAVE_PLAN, icon="FILE_TICK")
        layout.operator_menu_enum(ids.MARK, "part", icon="RESTRICT_SELECT_OFF")
        if has_plan(scene):
            layout.operator_menu_enum(ids.EXPORT_STAGE, "kind", icon="EXPORT")
            layout.operator(ids.CLEAR, icon="TRASH")


class MarkersPanel(_Panel):
    """Marker sets and their seed."""

    bl_idname = "SCATTERPROOF_PT_markers"
    bl_label = "Markers"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        sets = tags.tagged(scene, "markers")
        if not sets:
            paragraph(layout, "Markers come with the stage. Build one first.", "INFO")
        for thing in sets:
            layout.label(text=f"{thing.name}: {len(thing.data.polygons)}", icon="STICKY_UVS_DISABLE")
        row = layout.row(align=True)
        row.prop(scene.scatterproof, "seed")
        row.operator(ids.SCATTER, text="Scatter", icon="FILE_REFRESH")


class StandsPanel(_Panel):
    """Stands: what makes near and far move differently."""

    bl_idname = "SCATTERPROOF_PT_stands"
    bl_label = "Stands"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout = self.layout
        stands = tags.tagged(context.scene, "stand")
        if has_plan(context.scene) and not stands:
            paragraph(
                layout, "No stands. On one flat wall no push can be solved: add two between wall and camera.", "INFO"
            )
        for thing in stands:
            layout.label(text=thing.name, icon="EMPTY_SINGLE_ARROW")
        layout.operator(ids.ADD_STAND, icon="ADD")
        layout.operator(ids.ADD_PERFORMER, icon="OUTLINER_OB_ARMATURE")


class ShotPanel(_Panel):
    """The shots on the timeline."""

    bl_idname = "SCATTERPROOF_PT_shots"
    bl_label = "Camera and shot"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        cameras = tags.tagged(scene, "shot")
        if not cameras:
            paragraph(layout, "Shots come with the stage; move their cameras and keys as you like.", "INFO")
        for thing in cameras:
            active = thing == scene.camera
            layout.label(text=thing.name, icon="OUTLINER_OB_CAMERA" if active else "CAMERA_DATA")


class ReadinessPanel(_Panel):
    """The verdict."""

    bl_idname = "SCATTERPROOF_PT_readiness"
    bl_label = "Readiness"

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout, scene = self.layout, context.scene
        layout.operator(ids.REHEARSE, icon="PLAY")
        last = STORE.last(scene)
        if not last:
            paragraph(layout, "Rehearse scores every frame: firm, thin or lost.", "INFO")
        for rehearsal in last:
            readiness = rehearsal.readiness
            box = layout.box()
            box.label(text=readiness.name, icon="OUTLINER_OB_CAMERA")
            row = box.row(align=True)
            for state in (FIRM, THIN, LOST):
                row.label(text=f"{STATES[state]} {readiness.share(state):.0%}", icon=ICONS[state])
            worst = int(readiness.state.argmax())
            if readiness.state[worst] != FIRM:
                paragraph(box, f"Frame {readiness.frame[worst]}: {readiness.reasons[worst][0].text}")
        row = layout.row(align=True)
        row.operator(ids.BAKE, icon="RENDER_ANIMATION")
        row.operator(ids.CLEAR_BAKE, text="", icon="X")


CLASSES = (StagePanel, MarkersPanel, StandsPanel, ShotPanel, ReadinessPanel)
