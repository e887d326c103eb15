"""The director's sheet as an operator."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import directing, ids
from .long import Long
from .short import poll_plan


class DirectorSheet(Long):
    """Find what must stay in frame, name it beside the rings, and write a contact sheet of it for the director"""

    bl_idname = ids.DIRECTOR_SHEET
    bl_label = "What must stay in frame"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        filepath: str
    else:
        filepath: bpy.props.StringProperty(
            name="File",
            description="The sheet, a page for any browser; // lies beside the .blend",
            default=directing.SHEET,
            subtype="FILE_PATH",
        )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan with shots."""
        return poll_plan(cls, context)

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Find and write."""
        return directing.write_sheet(context.scene, directing.sheet_path(self.filepath))

    def done(self, context: bpy.types.Context) -> str:
        """Tell where it is."""
        return f"Wrote {directing.sheet_path(self.filepath).name}"


CLASSES = (DirectorSheet,)
