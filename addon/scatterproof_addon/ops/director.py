"""What an overlay tells beyond verdicts: what must stay in frame, and where a stand would help."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..bridge.stubs import Outcome
from ..flows import directing
from ..overlay.live import LIVES
from .long import Long
from .short import answered, poll_plan


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


class StandMap(bpy.types.Operator):
    """Show on the floor where one more stand would help the shot in view, the larger the square the more; or hide it"""

    bl_idname = ids.STAND_MAP
    bl_label = "Where a stand helps"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a shot at the playhead whose rehearsal holds."""
        live = LIVES.of(context.scene)
        if live is not None and (live.heat is not None or live.fresh()):
            return True
        cls.poll_message_set("Rehearse first, and go to a frame of a shot")
        return False

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Show or hide it."""
        scene = context.scene
        return answered(self, lambda: LIVES.kept[scene.session_uid].toggle_heat(scene))


CLASSES = (DirectorSheet, StandMap)
