"""The camera report: a blank form per shot as CSV, and what was written into it read back."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from ..camera.track import camera_exposure_s
from ..plan.model import Plan, Shot
from ..plan.units import format_length, number_text, parse_film, parse_length, parse_time
from ..problems import BadInput, Problem
from ..report.data import inert

COLUMNS: Final = (
    "shot", "camera", "take", "focal_length", "stop", "exposure", "focus", "rate", "height", "good", "note",
)  # fmt: skip
YES, NO = ("y", "yes", "ok", "good", "1", "x"), ("n", "no", "ng", "0", "")
LARGEST = 4_000_000  # characters of a report


@dataclass(frozen=True, slots=True)
class TakeReport:
    """One take as the camera assistant wrote it down; None where a cell was left empty."""

    shot: str
    camera: str
    take: int
    focal_length: float | None  # mm
    stop: float | None
    exposure: float | None  # s
    focus: float | None  # m
    rate: float | None  # frames per second
    height: float | None  # of the lens above the floor, m
    good: bool
    note: str


def blank_report(plan: Plan, unit: str, takes: int = 6) -> str:
    """CSV with ``takes`` lines per shot, filled with what is planned; the number of the take is left empty."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(COLUMNS)
    for shot in plan.shots:
        planned = planned_cells(plan, shot, unit)
        for _ in range(takes):
            table.writerow([inert(shot.name), inert(shot.camera), "", *planned, "", "", ""])
    return out.getvalue()


def planned_cells(plan: Plan, shot: Shot, unit: str) -> list[str]:
    """Focal length, stop, exposure, focus and rate of a shot as planned, as they are written on forms."""
    camera = next(camera for camera in plan.cameras if camera.name == shot.camera)
    exposure = camera_exposure_s(camera, shot) if shot.exposure is None else shot.exposure
    return [
        f"{number_text(_first(shot.focal_length, camera.focal_length))} mm",
        number_text(_first(shot.stop, camera.stop)),
        exposure_text(exposure),
        format_length(_first(shot.focus, camera.focus), unit),
        number_text(shot.rate),
    ]


def exposure_text(seconds: float) -> str:
    """An exposure time as it is written on cameras.

    >>> exposure_text(1 / 48), exposure_text(0.5)
    ('1/48 s', '0.5 s')
    """
    over = 1 / seconds if seconds > 0 else math.inf
    if seconds > 0 and abs(over - round(over)) < 1e-6 * over and over > 2.5:
        return f"1/{round(over)} s"
    return f"1/{over:.4g} s" if 2.5 < over < 1e6 else f"{seconds:g} s"


def _first(*values: float | None) -> float:
    return next(value for value in values if value is not None)


def read_camera_report(text: str, plan: Plan | None = None, unit: str = "m", file: str = "") -> tuple[TakeReport, ...]:
    """The takes in a filled report, in its order; lines without a take are blanks of the form and skipped.

    plan : where given, every shot named must be in it
    unit : of bare focus distances and heights
    Raises BadInput with every line and column that cannot be read.
    """
    if len(text) > LARGEST:
        raise BadInput([Problem("report", f"{len(text):,} characters", f"at most {LARGEST:,}", file)])
    text = text.removeprefix("\ufeff")
    head, _, _ = text.partition("\n")
    comma = max(",;\t", key=head.count)
    try:
        lines = list(csv.reader(io.StringIO(text), delimiter=comma))
    except csv.Error as error:
        raise BadInput([Problem("report", str(error), "a CSV file", file)]) from None
    names = [cell.strip().lower() for cell in lines[0]] if lines else []
    missing = [name for name in COLUMNS[:3] if name not in names]
    if missing:
        raise BadInput([Problem("line 1", ", ".join(names)[:80] or "nothing", f"columns {', '.join(COLUMNS)}", file)])
    shots = None if plan is None else {shot.name for shot in plan.shots}
    takes, problems = [], []
    for number, cells in enumerate(lines[1:], start=2):
        row = dict(zip(names, (cell.strip() for cell in cells), strict=False))
        if not row.get("take"):
            continue
        take, slips = _take(row, unit, shots)
        problems += [
            Problem(f"line {number}, {column}", repr(found)[:60], expected, file) for column, found, expected in slips
        ]
        takes.append(take)
    if problems:
        raise BadInput(problems)
    return tuple(takes)


def _take(row: dict[str, str], unit: str, shots: set[str] | None) -> tuple[TakeReport, list[tuple[str, str, str]]]:
    slips: list[tuple[str, str, str]] = []

    def read(column: str, parse: Callable[[str], Any], expected: str, least: float | None = 0.0) -> Any:
        cell = row.get(column, "")
        if not cell:
            return None
        try:
            value = parse(cell)
            if not math.isfinite(value) or (least is not None and value <= least):
                raise ValueError
        except (ValueError, ZeroDivisionError, BadInput):
            slips.append((column, cell, expected))
            return None
        return value

    rate = read("rate", float, "frames per second, such as 24")

    def exposure(cell: str) -> float:
        if cell.rstrip().endswith(("deg", "°")):
            return float(cell.rstrip("deg° ")) / 360 / (rate or 24.0)
        if part := re.fullmatch(r"1\s*/\s*(\d+(?:\.\d*)?)\s*s?", cell):
            return 1 / float(part[1])
        return parse_time(cell)

    shot = (
        row.get("shot", "").removeprefix("'")
        if row.get("shot", "").startswith(("'=", "'+", "'-", "'@"))
        else row.get("shot", "")
    )
    if not shot or (shots is not None and shot not in shots):
        slips.append(("shot", shot, "the name of a shot" + (f": {', '.join(sorted(shots))[:200]}" if shots else "")))
    good = row.get("good", "").lower()
    if good not in (*YES, *NO):
        slips.append(("good", good, "y or n"))
    take = TakeReport(
        shot=shot,
        camera=row.get("camera", ""),
        take=read("take", int, "a whole number", 0) or 0,
        focal_length=read("focal_length", parse_film, "millimetres such as 32 mm"),
        stop=read("stop", lambda cell: float(cell.lower().lstrip("tf/ ")), "an f-number such as 5.6"),
        exposure=read("exposure", exposure, "a time such as 1/48 s, or an angle such as 180 deg"),
        focus=read("focus", lambda cell: parse_length(cell, unit), "a distance such as 4 m or 12' 6\""),
        rate=rate,
        height=read("height", lambda cell: parse_length(cell, unit), "a height such as 1.6 m", None),
        good=good in YES,
        note=row.get("note", ""),
    )
    return take, slips
