"""Paint in linear light."""

from __future__ import annotations

import numpy as np

from ..sources import GREY
from .model import Paint, Plan


def srgb_to_linear(code: np.ndarray) -> np.ndarray:
    """Linear light (0 to 1) of sRGB values (0 to 1), any shape. Source: IEC 61966-2-1."""
    code = np.asarray(code, float)
    linear: np.ndarray = np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0) + 0.055) / 1.055) ** 2.4)
    return linear


def linear_to_srgb(linear: np.ndarray) -> np.ndarray:
    """sRGB values (0 to 1) of linear light (0 to 1), any shape. Source: IEC 61966-2-1."""
    linear = np.asarray(linear, float)
    code: np.ndarray = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055)
    return code


def linear_of(paint: Paint) -> np.ndarray:
    """(3,) linear-light reflectance of a paint, however it was measured."""
    if paint.linear is not None:
        return np.asarray(paint.linear)
    return srgb_to_linear(np.asarray(paint.srgb, float) / 255)


def linear_named(plan: Plan, name: str) -> np.ndarray:
    """(3,) reflectance of the plan's paint of that name; a middle grey where it holds none."""
    return next((linear_of(paint) for paint in plan.paints if paint.name == name), np.full(3, GREY.value))
