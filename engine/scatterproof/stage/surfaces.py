"""Stage surfaces: flat parts and coves, and the way between surface coordinates and the world."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """One flat surface, or one cove (``radius_m`` > 0): what is left of it after its coves have been let in.

    Coordinates (u, v) are metres along the surface: flat, ``world = origin + u across + v up``; on a cove u runs
    along the axis and v is arc length from the tangent line with the first surface it joins. The normal points to the
    stage (for a flat surface ``across x up``; for a cove towards its axis).
    """

    name: str
    kind: str  # "floor", "wall", "panel" or "cove"
    origin: np.ndarray  # (3,) world point of (0, 0); on a cove the point of the axis at u = 0
    across: np.ndarray  # (3,) unit; on a cove along its axis
    up: np.ndarray  # (3,) unit; on a cove from the axis to the tangent line v = 0
    normal: np.ndarray  # (3,) unit; on a cove the tangent direction of rising v at v = 0
    outline_uv: np.ndarray  # (K, 2) what is left of it, counter-clockwise
    radius_m: float  # 0 for a flat surface
    paint: str
    light: float
