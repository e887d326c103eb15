"""Operators about shots: jump to frames that hold them back, give a camera a move, write the report."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import bpy
from scatterproof.plan.templates import about_template, template_names
from scatterproof.readiness.rehearse import Progress
from scatterproof.readiness.verdict import LOST, THIN

from .. import ids
from ..bridge.stubs import Outcome
from ..flows import shots
from ..store import STORE
from .long import Long
from .short import answered, poll_plan

NOT_REHEARSED = "Rehearse first: there is no verdict yet"


def poll_rehearsed(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    """True where the scene was rehearsed since the file was opened; says what is missing otherwise."""
    if STORE.last(context.scene):
        return True
    cls.poll_message_set(NOT_REHEARSED)
    return False


class NextLost(bpy.types.Operator):
    """Go to the next stretch of lost frames of the last rehearsal, and on to the first after the last"""

    bl_idname = ids.NEXT_LOST
    bl_label = "Next lost frame"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        back: bool
        thin: bool
    else:
        back: bpy.props.BoolProperty(name="Backwards", description="Go to the stretch before", default=False)
        thin: bpy.props.BoolProperty(name="Thin too", description="Stop at thin frames as well", default=False)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a rehearsal with frames that are not firm."""
        if not poll_rehearsed(cls, context):
            return False
        if any((r.readiness.state >= THIN).any() for r in STORE.last(context.scene)):
            return True
        cls.poll_message_set("Every frame of the last rehearsal is firm")
        return False

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Jump."""
        return answered(self, lambda: shots.jump(context.scene, THIN if self.thin else LOST, self.back))


def move_items() -> list[tuple[str, str, str]]:
    """The templates of moves, each with its first line."""
    return [
        (name, name.replace("-", " ").capitalize(), about_template("moves", name)) for name in template_names("moves")
    ]


class AddMove(bpy.types.Operator):
    """Let the active camera make this move from where it stands now, over its shot's frames, instead of its own"""

    bl_idname = ids.ADD_MOVE
    bl_label = "Give the camera a move"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        move: str
    else:
        move: bpy.props.EnumProperty(name="Move", description="What the camera does", items=move_items())

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan and a camera."""
        if not poll_plan(cls, context):
            return False
        if cls.camera(context) is not None:
            return True
        cls.poll_message_set("Select the camera of a shot")
        return False

    @staticmethod
    def camera(context: bpy.types.Context) -> bpy.types.Object | None:
        """The active object where it is a camera, else the scene's camera."""
        active = context.active_object
        return active if active is not None and active.type == "CAMERA" else context.scene.camera

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Key it."""

        def deed() -> str:
            camera = self.camera(context)
            assert camera is not None  # the poll saw one
            return shots.add_move(context.scene, camera, self.move)

        return answered(self, deed)


class WriteReport(Long):
    """Write the report of the last rehearsal: a page for any browser, and its numbers as JSON and CSV"""

    bl_idname = ids.WRITE_REPORT
    bl_label = "Write report"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        directory: str
    else:
        directory: bpy.props.StringProperty(name="Folder", description="Where the report goes", subtype="DIR_PATH")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a rehearsal."""
        return poll_rehearsed(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Ask where to."""
        if self.directory:
            return super().invoke(context, event)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Write it."""
        return shots.write_report(context.scene, Path(bpy.path.abspath(self.directory)))

    def done(self, context: bpy.types.Context) -> str:
        """Tell where."""
        return f"Wrote report.html of {len(STORE.last(context.scene))} shots to {self.directory}"


CLASSES = (NextLost, AddMove, WriteReport)
