"""Readiness for other programs: JSON and CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..plan.model import Plan
from ..readiness.verdict import FIRM, LOST, STATES, THIN, Reason, ShotReadiness

SCHEMA = 1
COLUMNS = (
    "shot", "camera", "frame", "state", "features", "delivered", "depths", "out_of_plane_sigma", "blur_px",
    "contrast_stops", "sigma_px", "drift_px", "jitter_px",
    "nearest_m", "farthest_m", "solve", "reasons",
)  # fmt: skip


def readiness_json(plan: Plan, shots: Sequence[ShotReadiness]) -> dict[str, Any]:
    """What ``readiness.json`` holds: every frame of every shot, its reasons, and the shares of the states.

    Numbers that are not finite (no feature in view has no distance) become None.
    """
    return {"schema": SCHEMA, "plan": plan.name, "shots": [_shot(shot) for shot in shots]}


def readiness_csv(shots: Sequence[ShotReadiness]) -> str:
    """The same as a table, one row per frame of all shots; a number that is not finite is an empty cell.

    A text that a spreadsheet would take for a formula starts with an apostrophe.
    """
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(COLUMNS)
    for shot in map(_shot, shots):
        whole = {name: inert(shot[name]) for name in ("camera", "solve")} | {"shot": inert(shot["name"])}
        for frame in shot["frames"]:
            told = "; ".join(reason["text"] for reason in frame["reasons"])
            cells = frame | whole | {"reasons": inert(told)}
            table.writerow([cells[name] for name in COLUMNS])
    return out.getvalue()


def _shot(shot: ShotReadiness) -> dict[str, Any]:
    return {
        "name": shot.name,
        "camera": shot.camera,
        "solve": "rotation" if shot.rotation_only else "full",
        "frames": [_frame(shot, row) for row in range(len(shot.frame))],
        "summary": {STATES[state]: shot.share(state) for state in (FIRM, THIN, LOST)},
    }


def _frame(shot: ShotReadiness, row: int) -> dict[str, Any]:
    return {
        "frame": int(shot.frame[row]),
        "state": STATES[shot.state[row]],
        "features": int(shot.features[row]),
        "delivered": int(shot.delivered[row]),
        "depths": int(shot.depths[row]),
        "out_of_plane_sigma": number(shot.out_of_plane_sigma[row]),
        "blur_px": number(shot.blur_px[row]),
        "contrast_stops": number(shot.contrast_stops[row]),
        "sigma_px": number(shot.sigma_px[row]),
        "drift_px": number(shot.drift_px[row]),
        "jitter_px": number(shot.jitter_px[row]),
        "nearest_m": number(shot.nearest_m[row]),
        "farthest_m": number(shot.farthest_m[row]),
        "reasons": [_reason(reason) for reason in shot.reasons[row]],
    }


def _reason(reason: Reason) -> dict[str, Any]:
    return {
        "code": reason.code,
        "value": number(reason.value),
        "limit": number(reason.limit),
        "text": reason.text,
    }


def number(value: float | np.floating[Any]) -> float | None:
    """Six figures, more than any of these numbers deserves; None where it is not finite."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def inert(text: str) -> str:
    """A text for a cell: one that a spreadsheet would take for a formula starts with an apostrophe."""
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
