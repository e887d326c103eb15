"""What the type stubs of Blender leave open or get wrong, said once: narrow views of its objects."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal

import bpy

Outcome = set[Literal["RUNNING_MODAL", "CANCELLED", "FINISHED", "PASS_THROUGH", "INTERFACE"]]  # of an operator


def mesh_of(thing: bpy.types.Object) -> bpy.types.Mesh:
    """The mesh of a mesh object. Raises TypeError for any other."""
    if not isinstance(thing.data, bpy.types.Mesh):
        raise TypeError(f"{thing.name!r} is no mesh")
    return thing.data


def camera_of(thing: bpy.types.Object) -> bpy.types.Camera:
    """The data of a camera object. Raises TypeError for any other."""
    if not isinstance(thing.data, bpy.types.Camera):
        raise TypeError(f"{thing.name!r} is no camera")
    return thing.data


def has(owner: bpy.types.ID, key: str) -> bool:
    """Whether a custom property is there."""
    return owner.get(key) is not None


def put(owner: object, **values: Any) -> None:
    """Set properties that the stubs know only of subclasses (lamps, modifiers, nodes), or with one value only."""
    for name, value in values.items():
        setattr(owner, name, value)


def feed(node: bpy.types.Node, **values: Any) -> None:
    """Set unlinked inputs of a node by name; underscores stand for spaces."""
    for name, value in values.items():
        put(node.inputs[name.replace("_", " ")], default_value=value)


def held(owner: object, name: str) -> Any:
    """A property that the stubs know only of subclasses, such as a socket's value."""
    return getattr(owner, name)


def triple(values: Iterable[float]) -> tuple[float, float, float]:
    """Three plain numbers."""
    x, y, z = map(float, values)
    return x, y, z
