"""Operators that are done at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy
from scatterproof.problems import BadInput

from .. import ids
from ..bridge import mark
from ..bridge.bake import clear_bake
from ..bridge.export import FORMATS
from ..bridge.placing import metres_per_unit
from ..bridge.scene import clear_scene, has_plan
from ..bridge.stubs import Outcome
from ..flows import staging, straying, suggesting
from ..props import choices_of
from ..store import STORE

NO_PLAN = "Build a stage from a template, open a plan, or mark objects, first"


def answered(operator: bpy.types.Operator, deed: Callable[[], str]) -> Outcome:
    """Do it and report what was done; a problem is reported as it is worded, and counts as cancelled."""
    try:
        operator.report({"INFO"}, deed())
    except BadInput as problem:
        for line in problem.problems:
            operator.report({"ERROR"}, str(line))
        return {"CANCELLED"}
    return {"FINISHED"}


def poll_own(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    """True where the scene is this file's own; a scene linked from another file cannot be changed here."""
    if context.scene.library is None:
        return True
    cls.poll_message_set("This scene is linked from another file: open that file, or make the scene local")
    return False


def poll_plan(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    """True where the scene is this file's own and holds a plan; says what is missing otherwise."""
    if not poll_own(cls, context):
        return False
    if has_plan(context.scene):
        return True
    cls.poll_message_set(NO_PLAN)
    return False


def show_stage(context: bpy.types.Context) -> None:
    """Frame a new stage in the 3D views, and clip them so that tape on a far wall does not flicker."""
    unit = metres_per_unit(context.scene)
    for area in context.screen.areas if context.screen and not bpy.app.background else ():
        space: Any = area.spaces.active
        if area.type != "VIEW_3D" or space.region_3d.view_perspective == "CAMERA":
            continue
        space.clip_start = max(space.clip_start, 0.1 / unit)
        space.clip_end = max(space.clip_end, 500 / unit)
        with context.temp_override(area=area, region=next(r for r in area.regions if r.type == "WINDOW")):
            bpy.ops.view3d.view_all()


class BuildStage(bpy.types.Operator):
    """Build stage, markers, stands, performers and cameras from the chosen template. Replaces a stage built before"""

    bl_idname = ids.BUILD_STAGE
    bl_label = "Build stage"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        template: str
    else:
        template: bpy.props.StringProperty(
            name="Template", description="Kind and name, such as stages/corner", default=""
        )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a scene of this file."""
        return poll_own(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Build it."""
        scene = context.scene
        kind, _, name = (self.template or choices_of(scene).template).partition("/")

        def deed() -> str:
            plan = staging.build_from_template(scene, kind, name)
            show_stage(context)
            return f"Built {plan.name}: {len(plan.stands)} stands, {len(plan.shots)} shots"

        return answered(self, deed)


class OpenPlan(bpy.types.Operator):
    """Build the scene from a plan file"""

    bl_idname = ids.OPEN_PLAN
    bl_label = "Open plan"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        filepath: str
        filter_glob: str
    else:
        filepath: bpy.props.StringProperty(name="Plan file", description="A plan as TOML", subtype="FILE_PATH")
        filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a scene of this file."""
        return poll_own(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Ask which file."""
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Open it."""

        def deed() -> str:
            plan = staging.open_plan(context.scene, Path(bpy.path.abspath(self.filepath)))
            show_stage(context)
            return f"Opened {plan.name}"

        return answered(self, deed)


class SavePlan(bpy.types.Operator):
    """Write the scene's plan to a file, edits by hand included"""

    bl_idname = ids.SAVE_PLAN
    bl_label = "Save plan"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        filepath: str
        filter_glob: str
    else:
        filepath: bpy.props.StringProperty(name="Plan file", description="A plan as TOML", subtype="FILE_PATH")
        filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Ask where to."""
        if not self.filepath:
            self.filepath = "plan.toml"
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Save it."""

        return answered(self, lambda: staging.save_plan(context.scene, Path(bpy.path.abspath(self.filepath))))


class Scatter(bpy.types.Operator):
    """Scatter the markers anew with this seed. Markers moved by hand stay where they are"""

    bl_idname = ids.SCATTER
    bl_label = "Scatter markers"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        seed: int
    else:
        seed: bpy.props.IntProperty(name="Seed", description="-1 takes the sidebar's seed", default=-1, min=-1)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Scatter."""
        seed = self.seed if self.seed >= 0 else choices_of(context.scene).seed

        def deed() -> str:
            plan = staging.scatter_again(context.scene, seed)
            return f"Scattered {len(plan.markers)} marker sets with seed {seed}"

        return answered(self, deed)


class _AddAtCursor(bpy.types.Operator):
    """Adds one object and selects it alone."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def add(self, scene: bpy.types.Scene) -> bpy.types.Object:
        """What each operator adds."""
        raise NotImplementedError

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Add it and select it alone."""

        def deed() -> str:
            thing = self.add(context.scene)
            for other in context.selected_objects:
                other.select_set(False)
            thing.select_set(True)
            context.view_layer.objects.active = thing
            return f"Added {thing.name}: move it with the ordinary tools"

        return answered(self, deed)


class AddStand(_AddAtCursor):
    """Stand a pole with four tape bands at the 3D cursor"""

    bl_idname = ids.ADD_STAND
    bl_label = "Add stand at cursor"
    bl_options = {"REGISTER", "UNDO"}

    def add(self, scene: bpy.types.Scene) -> bpy.types.Object:
        """A stand."""
        return staging.add_stand(scene)


class AddPerformer(_AddAtCursor):
    """Let somebody walk two metres to the right from the 3D cursor, on the floor there, during the current shot"""

    bl_idname = ids.ADD_PERFORMER
    bl_label = "Add performer at cursor"
    bl_options = {"REGISTER", "UNDO"}

    def add(self, scene: bpy.types.Scene) -> bpy.types.Object:
        """A performer."""
        return staging.add_performer(scene)


class Mark(bpy.types.Operator):
    """Let the selected objects count: as screen, as something that hides, or as gear whose corners help the solve"""

    bl_idname = ids.MARK
    bl_label = "Mark selected as"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        part: str
    else:
        part: bpy.props.EnumProperty(name="As", description="What they count as", items=mark.CHOICES)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a scene of this file and a selection."""
        if not poll_own(cls, context):
            return False
        if context.selected_objects:
            return True
        cls.poll_message_set("Select the objects to mark first")
        return False

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Mark them."""
        return answered(self, lambda: mark.mark_objects(context.scene, context.selected_objects, self.part))


class ExportStage(bpy.types.Operator):
    """Write stage, markers, stands and cameras to a file for other programs"""

    bl_idname = ids.EXPORT_STAGE
    bl_label = "Export stage"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        filepath: str
        kind: str
        filter_glob: str
    else:
        filepath: bpy.props.StringProperty(name="File", description="Where to", subtype="FILE_PATH")
        kind: bpy.props.EnumProperty(
            name="Format", description="Kind of file", items=[(key, name, "") for key, name in FORMATS.items()]
        )
        filter_glob: bpy.props.StringProperty(default="*.usd;*.abc;*.fbx", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Ask where to."""
        self.filepath = self.filepath or f"stage.{self.kind}"
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Export."""
        path = Path(bpy.path.abspath(self.filepath)).with_suffix(f".{self.kind}")
        return answered(self, lambda: staging.export_to(context.scene, path, self.kind))


class Clear(bpy.types.Operator):
    """Remove everything that was built from the plan, and the plan"""

    bl_idname = ids.CLEAR
    bl_label = "Clear stage"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Clear."""

        def deed() -> str:
            clear_bake(context.scene)
            for words in (straying.SAID, suggesting.SAID):
                context.scene.pop(words, None)
            return f"Removed {clear_scene(context.scene)} objects"

        return answered(self, deed)


class ClearBake(bpy.types.Operator):
    """Remove rings, readout, strip and state marks"""

    bl_idname = ids.CLEAR_BAKE
    bl_label = "Clear bake"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        """Needs a plan."""
        return poll_plan(cls, context)

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Clear."""
        clear_bake(context.scene)
        STORE.forget()
        return {"FINISHED"}


CLASSES = (BuildStage, OpenPlan, SavePlan, Scatter, AddStand, AddPerformer, Mark, ExportStage, Clear, ClearBake)
