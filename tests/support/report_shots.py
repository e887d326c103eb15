"""Shots made up for the tests of the report: any states, any reasons."""

import numpy as np
from scatterproof.readiness.verdict import FIRM, Reason, ShotReadiness


def made_up_shot(state, reasons=None, first=1, name="wide push", **columns):
    """A scored shot with the given states, one per frame, and a reason per frame that fits its state."""
    state = np.asarray(state, int)
    count = len(state)
    values = {
        "features": np.where(state == 0, 40, np.where(state == 1, 9, 3)),
        "delivered": np.where(state == 0, 30, 2),
        "depths": np.full(count, 4),
        "out_of_plane_sigma": np.full(count, 31.25),
        "blur_px": np.full(count, 1.5),
        "contrast_stops": np.full(count, 0.5),
        "sigma_px": np.full(count, 0.05),
        "drift_px": np.full(count, 0.12),
        "jitter_px": np.full(count, 0.04),
        "nearest_m": np.full(count, 2.5),
        "farthest_m": np.full(count, 9.0),
        "frame": np.arange(first, first + count),
        "camera": "A camera",
        "rotation_only": False,
    } | columns
    if reasons is None:
        reasons = tuple(too_few(int(values["features"][row]), int(state[row])) for row in range(count))
    return ShotReadiness(name=name, state=state, reasons=reasons, **values)


def too_few(features, state):
    """The reasons of a frame that features alone decide."""
    limit = 7 if state == 2 else 12
    text = f"{features} trackable features, {limit} wanted"
    return (Reason("features", float(features), float(limit), text),)


def firm_shot(count=24, **columns):
    return made_up_shot([FIRM] * count, **columns)
