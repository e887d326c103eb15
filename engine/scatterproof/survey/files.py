"""The files that come back from a stage, told apart: surveyed points, field notes, filled camera reports."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..kit.camera_report import TakeReport, read_camera_report
from ..plan.model import Plan
from ..plan.read import read_text
from .clouds import read_points
from .notes import COLUMNS, Notes, read_notes
from .points import SurveyPoints
from .tables import Told, lines_of

CLOUDS = (".ply", ".obj")


@dataclass(frozen=True, slots=True)
class Brought:
    """What a survey's files hold."""

    points: tuple[SurveyPoints, ...]
    notes: tuple[Notes, ...]
    takes: tuple[TakeReport, ...]


def read_survey(paths: Sequence[Path], told: Told, plan: Plan) -> Iterator[Brought]:
    """Read files one by one, whatever each holds; yields what there is so far. Raises BadInput as the readers do."""
    brought = Brought((), (), ())
    for path in paths:
        if path.suffix.lower() in CLOUDS or not (_is_report(path, told) or _is_notes(path, told)):
            brought = replace(brought, points=(*brought.points, read_points(path, told)))
        else:
            notes, takes = read_all_notes([path], told, plan)
            brought = replace(brought, notes=(*brought.notes, *notes), takes=(*brought.takes, *takes))
        yield brought


def read_all_notes(paths: Sequence[Path], told: Told, plan: Plan) -> tuple[list[Notes], list[TakeReport]]:
    """Field notes, and takes of filled camera reports: told apart by their headers."""
    notes: list[Notes] = []
    takes: list[TakeReport] = []
    for path in paths:
        if _is_report(path, told):
            unit = told.units if told.units in ("m", "cm", "mm", "ft", "in") else plan.units
            takes += read_camera_report(read_text(path), plan, unit, path.name)
        else:
            notes.append(read_notes(path, told))
    return notes, takes


def with_takes(plan: Plan, takes: Sequence[TakeReport]) -> tuple[Plan, list[str]]:
    """The plan with the lens settings of every shot's last good take, and what that changes, in words."""
    said, shots = [], []
    for shot in plan.shots:
        good = [take for take in takes if take.shot == shot.name and take.good]
        if not good:
            if any(take.shot == shot.name for take in takes):
                said.append(f"{shot.name}: no take is marked good; its lens settings stay as planned.")
            shots.append(shot)
            continue
        take = good[-1]
        camera = next(c for c in plan.cameras if c.name == shot.camera)
        changes: dict[str, float] = {}
        for name in ("focal_length", "stop", "exposure", "focus", "rate"):
            value = getattr(take, name)
            planned = getattr(shot, name) if getattr(shot, name) is not None else getattr(camera, name, None)
            if value is not None and (planned is None or abs(value - planned) > 1e-3 * abs(planned)):
                changes[name] = value
        keyed = [key for key in shot.keys if key.focal_length is not None or key.focus is not None]
        if keyed and ("focal_length" in changes or "focus" in changes):
            said.append(f"{shot.name}: keyed focal length or focus stays as planned; take {take.take} reports others.")
        told = ", ".join(f"{name.replace('_', ' ')} {value:g}" for name, value in changes.items())
        said += [f"{shot.name}: as take {take.take} was shot: {told}."] if told else []
        shots.append(replace(shot, **changes))  # type: ignore[arg-type]
    return replace(plan, shots=tuple(shots)), said


def _is_report(path: Path, told: Told) -> bool:
    return {"shot", "take"} <= _header(path, told)


def _is_notes(path: Path, told: Told) -> bool:
    words = {re.sub(r"[^a-z]", "", word) for word in _header(path, told)}
    return all(words & {column.key, *column.names} for column in COLUMNS if column.key in ("from", "to"))


def _header(path: Path, told: Told) -> set[str]:
    """Words of the first line with anything in it."""
    lines = (line for _, line in lines_of(path, told.encoding) if line.strip() and not line.lstrip().startswith("#"))
    head = next(lines, "").lower().replace('"', "")
    return {word.strip() for word in head.replace(";", ",").replace("\t", ",").split(",")}
