"""Operators of the Rig kit panel: make it, turn its sheets, look at one closely, write it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..bridge.stubs import Outcome, held, put
from ..flows import kitting
from ..flows.kitting import KITS
from ..props import kit_choices_of
from .long import Long
from .short import answered, poll_plan


class PreviewKit(Long):
    """Make the rig kit of what the scene shows and look at its sheets; nothing is written"""

    bl_idname = ids.PREVIEW_KIT
    bl_label = "Preview sheets"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Make it."""
        return kitting.preview(context.scene, kit_choices_of(context.scene).options())

    def done(self, context: bpy.types.Context) -> str:
        """Tell how many sheets."""
        made = KITS.of(context.scene)
        count = len(made.kit.pages) if made else 0
        return f"{count} sheets, {len(made.kit.warnings) if made else 0} warnings; nothing is written yet"


class WriteKit(Long):
    """Write the rig kit: one PDF at true scale, its sheets as SVG, and the lists as CSV"""

    bl_idname = ids.WRITE_KIT
    bl_label = "Write kit"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan, and a folder that exists or can be made."""
        if not poll_plan(cls, context):
            return False
        folder = kit_choices_of(context.scene).folder
        if not folder.strip():
            cls.poll_message_set("Choose the folder that the kit goes to")
            return False
        if folder.startswith("//") and not bpy.data.filepath:
            cls.poll_message_set("Save the .blend first, or choose a folder that does not start beside it")
            return False
        return True

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Make it where need be, and write it."""
        choices = kit_choices_of(context.scene)
        return kitting.write(context.scene, choices.options(), Path(bpy.path.abspath(choices.folder)))

    def done(self, context: bpy.types.Context) -> str:
        """Tell where it is."""
        made = KITS.of(context.scene)
        folder = bpy.path.abspath(kit_choices_of(context.scene).folder)
        return f"Wrote {len(made.kit.pages) if made else 0} sheets to {Path(folder) / 'kit.pdf'}"


class _WithKit(bpy.types.Operator):
    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a kit."""
        if KITS.of(context.scene) is not None:
            return True
        cls.poll_message_set("Preview the sheets first")
        return False


class TurnSheet(_WithKit):
    """Show this sheet of the kit"""

    bl_idname = ids.TURN_SHEET
    bl_label = "Show sheet"
    bl_options = {"INTERNAL"}

    if TYPE_CHECKING:
        sheet: int
    else:
        sheet: bpy.props.IntProperty(name="Sheet", description="Counted from 1", default=1, min=1)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Turn to it."""
        KITS.show(context.scene, self.sheet - 1)
        for area in context.screen.areas if context.screen else ():
            area.tag_redraw()
        return {"FINISHED"}


class OpenSheet(_WithKit):
    """Open the shown sheet large enough to be read, in an image editor"""

    bl_idname = ids.OPEN_SHEET
    bl_label = "Read this sheet"
    bl_options = {"REGISTER"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Draw it, and open a window where no image editor is open."""

        def deed() -> str:
            image = kitting.sheet_image(context.scene)
            if not bpy.app.background:
                put(_image_area(context).spaces.active, image=image)
            return f"{kitting.SHEET}: {' by '.join(map(str, held(image, 'size')))} pixels"

        return answered(self, deed)


def _image_area(context: bpy.types.Context) -> bpy.types.Area:
    """An image editor: one that is open, else in a new window."""
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "IMAGE_EDITOR":
                return area
    bpy.ops.wm.window_new()
    area = context.window_manager.windows[-1].screen.areas[0]
    area.type = "IMAGE_EDITOR"
    return area


CLASSES = (PreviewKit, WriteKit, TurnSheet, OpenSheet)
