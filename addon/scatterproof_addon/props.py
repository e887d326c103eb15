"""What a person chooses in the sidebar and the .blend keeps. Nothing is computed when a value changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import bpy
from scatterproof.plan.templates import template_names

from .bridge.stubs import held, put

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
    else:
        template: bpy.props.EnumProperty(
            name="Template", description="What to build the stage from", items=template_items
        )
        seed: bpy.props.IntProperty(
            name="Seed", description="Another number gives another scatter; the same number the same", default=1, min=0
        )


def choices_of(scene: bpy.types.Scene) -> ScatterproofChoices:
    """The choices of a scene."""
    choices: ScatterproofChoices = held(scene, "scatterproof")
    return choices


def register() -> None:
    """Make the choices part of every scene."""
    bpy.utils.register_class(ScatterproofChoices)
    put(bpy.types.Scene, scatterproof=bpy.props.PointerProperty(type=ScatterproofChoices))


def unregister() -> None:
    """Take them away again."""
    delattr(bpy.types.Scene, "scatterproof")
    bpy.utils.unregister_class(ScatterproofChoices)
    _CHOICES.clear()
