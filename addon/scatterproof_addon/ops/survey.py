"""Operators of the Survey panel: read files, accept what they say, discard it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import bpy
from scatterproof.readiness.rehearse import Progress

from .. import ids
from ..bridge.arrows import pointed_at
from ..bridge.stubs import Outcome, held
from ..flows import surveying
from ..props import survey_choices_of
from .long import Long
from .short import answered, poll_plan


class ReadSurvey(bpy.types.Operator):
    """Choose the files of a survey: point lists, clouds, tape or total-station notes, filled camera reports"""

    bl_idname = ids.READ_SURVEY
    bl_label = "Read survey"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        files: bpy.types.bpy_prop_collection[bpy.types.OperatorFileListElement]
        directory: str
        filter_glob: str
    else:
        files: bpy.props.CollectionProperty(type=bpy.types.OperatorFileListElement, options={"HIDDEN", "SKIP_SAVE"})
        directory: bpy.props.StringProperty(name="Folder", description="Where the files are", subtype="DIR_PATH")
        filter_glob: bpy.props.StringProperty(default="*.csv;*.txt;*.ply;*.obj", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Ask which files."""
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Remember the files, and match them."""
        folder = Path(bpy.path.abspath(self.directory))
        surveying.choose_files(context.scene, [folder / item.name for item in self.files if item.name])
        try:
            held(bpy.ops, "scatterproof").match_survey("INVOKE_DEFAULT", True)
        except RuntimeError as told:  # without a window the answer comes at once, as an error
            self.report({"ERROR"}, str(told).removeprefix("Error: ").strip())
            return {"CANCELLED"}
        return {"FINISHED"}


class MatchSurvey(Long):
    """Match the chosen files to the plan and draw arrows from planned to found. The plan stays as it is"""

    bl_idname = ids.MATCH_SURVEY
    bl_label = "Match survey"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan and files."""
        if not poll_plan(cls, context):
            return False
        if not surveying.files_of(context.scene):
            cls.poll_message_set("Choose the survey's files first: Read survey")
            return False
        return True

    def steps(self, context: bpy.types.Context) -> Iterator[Progress]:
        """Read, match, draw."""
        return surveying.take_in(context.scene, survey_choices_of(context.scene).how())

    def done(self, context: bpy.types.Context) -> str:
        """Tell the counts."""
        seen = surveying.SURVEYS.of(context.scene)
        return seen.summary if seen else ""


def _poll_survey(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    if surveying.SURVEYS.of(context.scene) is None:
        cls.poll_message_set("Read a survey first; one of an earlier session has to be read again")
        return False
    return poll_plan(cls, context)


class AcceptSurvey(bpy.types.Operator):
    """Put everything surveyed where it was found. What was not surveyed stays where it was planned"""

    bl_idname = ids.ACCEPT_SURVEY
    bl_label = "Accept all"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a survey."""
        return _poll_survey(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Accept."""
        return answered(self, lambda: surveying.accept_all(context.scene))


class AcceptOne(bpy.types.Operator):
    """Put this thing where it was found; a stand or a piece of gear moves by what was surveyed of it"""

    bl_idname = ids.ACCEPT_ONE
    bl_label = "Accept"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        target: str
    else:
        target: bpy.props.StringProperty(
            name="Planned thing", description="What of the plan it is about", options={"SKIP_SAVE"}
        )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a survey."""
        return _poll_survey(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Accept."""
        return answered(self, lambda: surveying.accept(context.scene, {self.target}))


class AcceptSelected(bpy.types.Operator):
    """Put the things that the selected arrows point at where they were found"""

    bl_idname = ids.ACCEPT_SELECTED
    bl_label = "Accept selected arrows"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs selected arrows."""
        if not _poll_survey(cls, context):
            return False
        if not pointed_at(context.selected_objects):
            cls.poll_message_set("Select arrows of the survey first")
            return False
        return True

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Accept."""
        return answered(self, lambda: surveying.accept_selected(context.scene, context.selected_objects))


class DiscardSurvey(bpy.types.Operator):
    """Take arrows and marks away; what was accepted stays"""

    bl_idname = ids.DISCARD_SURVEY
    bl_label = "Discard survey"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Discard."""
        return answered(self, lambda: surveying.discard(context.scene))


CLASSES = (ReadSurvey, MatchSurvey, AcceptSurvey, AcceptOne, AcceptSelected, DiscardSurvey)
