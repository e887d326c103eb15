"""What a person chooses in the sidebar and the .blend keeps. Nothing is computed when a value changes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import bpy
from scatterproof.kit.build import KitOptions
from scatterproof.kit.paper import PAPERS
from scatterproof.plan.model import LENGTH_UNITS
from scatterproof.plan.templates import template_names
from scatterproof.survey.tables import ANGLE_UNITS, METRES, Told

from .bridge.stubs import held, put
from .flows.surveying import How
from .preferences import units_for

# Blender keeps no copy of the texts that a dynamic enum returns: somebody must hold them.
_CHOICES: dict[str, list[tuple[str, str, str]]] = {}


def _titled(name: str) -> str:
    return name.replace("-", " ").capitalize()


def template_items(self: object, context: object) -> list[tuple[str, str, str]]:
    """Example plans first, then stages."""
    if "templates" not in _CHOICES:
        _CHOICES["templates"] = [
            *((f"plans/{name}", _titled(name), "A whole example plan") for name in template_names("plans")),
            *(
                (f"stages/{name}", f"Stage: {_titled(name)}", "A stage with markers, one camera and a push")
                for name in template_names("stages")
            ),
        ]
    return _CHOICES["templates"]


class ScatterproofChoices(bpy.types.PropertyGroup):
    """The sidebar's choices of one scene."""

    if TYPE_CHECKING:
        template: str
        seed: int
        take: int
    else:
        template: bpy.props.EnumProperty(
            name="Template", description="What to build the stage from", items=template_items
        )
        seed: bpy.props.IntProperty(
            name="Seed", description="Another number gives another scatter; the same number the same", default=1, min=0
        )
        take: bpy.props.IntProperty(
            name="Take",
            description="Another number has other errors; the same number the same",
            default=1,
            min=1,
        )


AS_FILES_SAY = ("SAID", "As the files say", "Asked about where they do not say it")


def _settled(values: Iterable[str]) -> list[tuple[str, str, str]]:
    return [AS_FILES_SAY, *((value, value, "") for value in values)]


class ScatterproofKit(bpy.types.PropertyGroup):
    """How the rig kit is made, and where it goes."""

    if TYPE_CHECKING:
        paper: str
        units: str
        folder: str
    else:
        paper: bpy.props.EnumProperty(
            name="Paper", description="Paper of the printer", items=[(name, name, "") for name in PAPERS]
        )
        units: bpy.props.EnumProperty(
            name="Units",
            description="The crew's unit of length",
            items=[("PLAN", "As the plan", "The plan's unit"), *((unit, unit, "") for unit in LENGTH_UNITS)],
        )
        folder: bpy.props.StringProperty(
            name="Folder", description="Where the kit is written to", default="//rig-kit", subtype="DIR_PATH"
        )

    def options(self) -> KitOptions:
        """The choices for the engine."""
        return KitOptions(paper=self.paper, units=self.units if self.units != "PLAN" else units_for(""))


def kit_choices_of(scene: bpy.types.Scene) -> ScatterproofKit:
    """How a scene's rig kit is made."""
    choices: ScatterproofKit = held(scene, "scatterproof_rig_kit")
    return choices


class ScatterproofSurvey(bpy.types.PropertyGroup):
    """What a person settles of what survey files leave open."""

    if TYPE_CHECKING:
        units: str
        match: str
        axes: str
        columns: str
        angles: str
    else:
        units: bpy.props.EnumProperty(name="Units", description="Of lengths without a unit", items=_settled(METRES))
        match: bpy.props.EnumProperty(
            name="Match",
            description="How surveyed points find the planned ones",
            items=[
                ("either", "By labels where they agree", "Else by their pattern"),
                ("labels", "By labels", "Trust labels alone"),
                ("pattern", "By pattern", "Trust the pattern of the points alone"),
                ("given", "As given", "Coordinates are the stage's own already"),
            ],
        )
        axes: bpy.props.StringProperty(
            name="Axes", description="Which of the files' axes run along the stage's x, y and z: \"y -x z\""
        )
        columns: bpy.props.StringProperty(
            name="Columns", description="Of files without a header, a letter per column, such as PNEZD"
        )
        angles: bpy.props.EnumProperty(
            name="Angles", description="Unit of angles in notes", items=_settled(ANGLE_UNITS)
        )

    def how(self) -> How:
        """The choices for the engine."""
        units, angles = (value if value != AS_FILES_SAY[0] else "" for value in (self.units, self.angles))
        told = Told(units=units, angles=angles, axes=self.axes.strip(), columns=self.columns.strip())
        by = self.match if self.match in ("labels", "pattern") else ""
        return How(told, by, self.match == "given")


def survey_choices_of(scene: bpy.types.Scene) -> ScatterproofSurvey:
    """What a person settled for a scene's survey."""
    choices: ScatterproofSurvey = held(scene, "scatterproof_taking_in")
    return choices


def choices_of(scene: bpy.types.Scene) -> ScatterproofChoices:
    """The choices of a scene."""
    choices: ScatterproofChoices = held(scene, "scatterproof")
    return choices


GROUPS = (
    (ScatterproofChoices, "scatterproof"),
    (ScatterproofSurvey, "scatterproof_taking_in"),
    (ScatterproofKit, "scatterproof_rig_kit"),
)


def register() -> None:
    """Make the choices part of every scene."""
    for group, name in GROUPS:
        bpy.utils.register_class(group)
        put(bpy.types.Scene, **{name: bpy.props.PointerProperty(type=group)})


def unregister() -> None:
    """Take them away again."""
    for group, name in reversed(GROUPS):
        delattr(bpy.types.Scene, name)
        bpy.utils.unregister_class(group)
    _CHOICES.clear()
