"""What stands on the stage: surfaces, markers, stands and gear as tables, and the features they offer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..problems import frozen_array, require_shape
from .surfaces import Surface

CORNER, DISC, BAND, POINT = range(4)  # kinds of feature
FEATURE_KINDS = ("corner", "disc", "band", "point")


@dataclass(frozen=True, slots=True, eq=False)
class Markers:
    """M flat patches of tape. The outline of marker i is rows ``first[i]`` to ``first[i + 1]`` of the outlines."""

    name: tuple[str, ...]  # M    unique, for people: "wall scatter 12"
    set_index: np.ndarray  # (M,) int    row of plan.markers
    surface: np.ndarray  # (M,) int    row of Layout.surfaces
    centre_uv: np.ndarray  # (M, 2) surface coordinates, metres
    centre_m: np.ndarray  # (M, 3) world
    normal: np.ndarray  # (M, 3) unit, towards the stage
    size_m: np.ndarray  # (M,) square root of the area
    turn_rad: np.ndarray  # (M,) counter-clockwise, seen from the stage
    first: np.ndarray  # (M + 1,) int
    outline_uv: np.ndarray  # (K, 2) counter-clockwise, surface coordinates
    outline_m: np.ndarray  # (K, 3) the same on the surface, world

    def __post_init__(self) -> None:
        m, k = len(self.name), len(self.outline_uv)
        shapes: dict[str, tuple[tuple[int, ...], type]] = {
            "set_index": ((m,), int),
            "surface": ((m,), int),
            "centre_uv": ((m, 2), float),
            "centre_m": ((m, 3), float),
            "normal": ((m, 3), float),
            "size_m": ((m,), float),
            "turn_rad": ((m,), float),
            "first": ((m + 1,), int),
            "outline_uv": ((k, 2), float),
            "outline_m": ((k, 3), float),
        }
        for name, (shape, dtype) in shapes.items():
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), shape, dtype))


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """N trackable points.

    A corner carries its two neighbours along the marker's outline, so that its edges and its interior angle can
    be projected. Bands and points face every way: their normal is zero; discs and corners face along theirs.
    """

    position_m: np.ndarray  # (N, 3) world
    normal: np.ndarray  # (N, 3) unit, or zero where it faces every way
    kind: np.ndarray  # (N,) int    CORNER, DISC, BAND, POINT
    owner: np.ndarray  # (N,) int    row of Layout.owner_names: the marker, stand or piece of gear
    surface: np.ndarray  # (N,) int    row of Layout.surfaces, -1 for stands and gear
    before_m: np.ndarray  # (N, 3) previous outline corner; the feature itself where it is no corner
    after_m: np.ndarray  # (N, 3) next outline corner
    size_m: np.ndarray  # (N,) shortest adjoining edge; diameter of a disc; height of a band

    def __post_init__(self) -> None:
        n = len(self.position_m)
        for name in ("position_m", "normal", "before_m", "after_m"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (n, 3)))
        for name in ("kind", "owner", "surface"):
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), (n,), int))
        object.__setattr__(self, "size_m", frozen_array("size_m", self.size_m, (n,)))

    def __len__(self) -> int:
        return len(self.position_m)


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """The stage ready for scoring. Owners are markers first, then stands, then gear."""

    surfaces: tuple[Surface, ...]
    markers: Markers
    features: Features
    owner_names: tuple[str, ...]

    def __post_init__(self) -> None:
        require_shape("owner", self.features.owner, (len(self.features),))
