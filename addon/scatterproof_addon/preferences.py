"""What a person settles once for all files: units, contrast of the overlay, tracking window; and the keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import bpy
from scatterproof.plan.model import LENGTH_UNITS

from . import keys

AS_PLAN, PLAIN, STRONG = "PLAN", "PLAIN", "STRONG"
LARGER = 1.5  # rings of strong contrast against plain ones
SEEN_FAINT = {PLAIN: 0.3, STRONG: 0.65}  # opacity of rings round what is hidden or turned away


class ScatterproofPreferences(bpy.types.AddonPreferences):
    """The extension's entry in Blender's preferences."""

    bl_idname = __package__ or ""

    if TYPE_CHECKING:
        units: str
        contrast: str
        window: int
    else:
        units: bpy.props.EnumProperty(
            name="Lengths in",
            description="Unit of lengths in the sidebar and of rig kits that ask for the plan's unit",
            items=[
                (AS_PLAN, "The plan's unit", "Each plan says its own"),
                *((unit, unit, f"Always {unit}") for unit in LENGTH_UNITS),
            ],
        )
        contrast: bpy.props.EnumProperty(
            name="Overlay contrast",
            description="How much the rings stand out against the stage",
            items=[
                (PLAIN, "Plain", "Rings as large as markers ask for, hidden ones faint"),
                (STRONG, "Strong", "Larger rings, hidden ones clearly visible: for projectors and bright rooms"),
            ],
        )
        window: bpy.props.IntProperty(
            name="Tracking window",
            description="Side in pixels of your tracker's pattern, written into stages built from templates; "
            "0 leaves it to the template",
            default=0,
            min=0,
            max=201,
            subtype="PIXEL",
        )

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        layout = self.layout
        layout.use_property_split = True
        for name in ("units", "contrast", "window"):
            layout.prop(self, name)
        column = layout.column(heading="Keys")
        for said, entry in keys.in_the_view(context):
            column.prop(entry, "type", text=said, full_event=True)


def _preferred() -> Any:
    addon: Any = bpy.context.preferences.addons.get(__package__ or "")
    return addon.preferences if addon is not None else None


def units_for(plan_units: str) -> str:
    """The unit to show lengths of a plan in."""
    mine = _preferred()
    return str(mine.units) if mine is not None and mine.units != AS_PLAN else plan_units


def strong_contrast() -> bool:
    """Whether rings are to stand out more."""
    mine = _preferred()
    return mine is not None and mine.contrast == STRONG


def window_px() -> float | None:
    """The tracking window for new stages, None where the template decides. The smallest that a plan takes is 3."""
    mine = _preferred()
    return float(max(mine.window, 3)) if mine is not None and mine.window else None


def register() -> None:
    """Make the preferences known."""
    bpy.utils.register_class(ScatterproofPreferences)


def unregister() -> None:
    """Take them away."""
    bpy.utils.unregister_class(ScatterproofPreferences)
