"""Field notes: tape distances, a total station's angles and distances, levelled heights; rows of one or more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..problems import BadInput, one_problem
from ..sources import OURS, TRADE, Sourced
from .adjust import ANGLE, ANGULAR, DIRECTION, DISTANCE, HEIGHT, KINDS, LEVEL, ZENITH
from .tables import METRES, Column, Problems, Table, Told, open_table

MOST_ROWS = 100_000
# What measurements are worth whose notes do not say.
TAPE = Sourced(0.002, "m", f"{OURS}: one end of a tape held and the other read by careful people")
TAPE_PER_M = Sourced(0.0002, "m per m", f"{OURS}: pull, sag and slope of a tape nobody corrects for")
ANGLE_SIGMA = Sourced(10.0, "seconds of arc", f"{OURS}: a 5-second instrument over a target taped by eye")
LEVELLING = Sourced(0.002, "m", f"a laser level on a stage: {TRADE}")

COLUMNS = (
    Column("from", "text", ("station", "at", "setup", "instrument", "frompoint", "stn"), "F"),
    Column("to", "text", ("target", "foresight", "topoint", "point", "fs"), "T"),
    Column("back", "text", ("backsight", "bs", "from2"), "B"),
    Column("distance", "length", ("tape", "slopedistance", "slopedist", "sd", "length", "measured", "dist"), "L"),
    Column("level distance", "length", ("leveldistance", "horizontaldistance", "horizdist", "hd", "hordist"), "H"),
    Column("direction", "angle", ("hz", "horizontalcircle", "horizontaldirection", "circle"), "R"),
    Column("angle", "angle", ("horizontalangle", "ha", "angleright", "turnedangle"), "A"),
    Column("zenith", "angle", ("zenithangle", "v", "va", "za", "verticalcircle"), "Z"),
    Column("height difference", "length", ("heightdifference", "dh", "dz", "rise", "heightdiff"), "D"),
    Column("instrument height", "length", ("instrumentheight", "hi", "ih")),
    Column("target height", "length", ("targetheight", "ht", "th", "hr", "prismheight", "rodheight")),
    Column("sigma", "length", ("standarddeviation", "stddev", "stdev", "std", "accuracy", "uncertainty"), "S"),
    Column("sigma angle", "angle", ("sigmaangle", "anglesigma", "anglestddev"), "Q"),
)
MEASURED = {"distance": DISTANCE, "level distance": LEVEL, "direction": DIRECTION, "angle": ANGLE, "zenith": ZENITH,
            "height difference": HEIGHT}  # fmt: skip
LENGTHS = ("distance", "level distance", "height difference", "instrument height", "target height", "sigma")


@dataclass(frozen=True, slots=True, eq=False)
class Notes:
    """O measurements between points by name."""

    file: str
    at: tuple[str, ...]  # O
    to: tuple[str, ...]  # O
    back: tuple[str, ...]  # O    the point sighted first, of an angle
    kind: np.ndarray  # (O,) int  kinds of :mod:`.adjust`
    value: np.ndarray  # (O,)     metres or radians
    sigma: np.ndarray  # (O,)     nan where the file gives none
    lift_m: np.ndarray  # (O, 2)
    line: np.ndarray  # (O,) int
    unit: str = "m"  # that the file was written in

    def __len__(self) -> int:
        return len(self.at)

    @property
    def told(self) -> tuple[str, ...]:
        """What each is, for people."""
        return tuple(
            f"{KINDS[kind]} {at} to {to} ({self.file}, line {line})"
            for kind, at, to, line in zip(self.kind, self.at, self.to, self.line, strict=True)
        )


def read_notes(path: Path, told: Told = Told()) -> Notes:  # noqa: B008 - frozen
    """The measurements of a notes file: from, to, and at least one of distance, angles and height difference.

    Directions are readings of one orientation of the instrument per station, clockwise. Lengths may carry units. Raises
    BadInput with the line of everything that is wrong, and with the option that settles what the file leaves open.
    """
    table = open_table(path, COLUMNS, [("from", "to", key) for key in MEASURED], told)
    problems = Problems(path.name)
    rows: list[tuple[int, str, str, str, int, float, float, float, float]] = []
    unit_m = METRES[_unit(table)]
    for number, cells in table.rows(problems):
        reader = _Row(table, cells, number, problems, unit_m)
        at, to, back = reader.text("from"), reader.text("to"), reader.text("back")
        if not at or not to or at == to:
            problems.add(f"line {number}", f"from {at!r} to {to!r}", "two different points")
            continue
        lift = reader.length("instrument height", 0.0), reader.length("target height", 0.0)
        sigma, turn = reader.length("sigma", math.nan), reader.angle("sigma angle", math.nan)
        before = len(rows)
        for key, kind in MEASURED.items():
            angular = kind in ANGULAR
            value = reader.angle(key, math.nan) if angular else reader.length(key, math.nan)
            if math.isnan(value):
                continue
            if (kind in (DISTANCE, LEVEL) and value <= 0) or (kind == ZENITH and not 0 < value < math.pi):
                wanted = "a zenith angle between 0 and half a turn" if kind == ZENITH else "a distance above 0"
                problems.add(f"line {number}, {key}", reader.text(key), wanted)
            if kind == ANGLE and back in ("", at, to):
                problems.add(f"line {number}, back", repr(back), "the point sighted before the angle was turned")
            rows.append((number, at, to, back if kind == ANGLE else "", kind, value, turn if angular else sigma, *lift))
        if len(rows) == before:
            problems.add(f"line {number}", "no measurement", f"at least one of {', '.join(MEASURED)}")
        if len(rows) > MOST_ROWS:
            raise one_problem(f"line {number}", f"more than {MOST_ROWS:,} measurements", "fewer", path.name)
    problems.settle()
    if not rows:
        raise one_problem("rows", "none", "at least one measurement", path.name)
    line, at_, to_, back_, kind_, value_, sigma_, up, other = zip(*rows, strict=True)
    lifts = np.column_stack([up, other])
    return Notes(path.name, at_, to_, back_, np.array(kind_), np.array(value_), np.array(sigma_), lifts, np.array(line))


def default_sigma(kind: np.ndarray, value: np.ndarray) -> np.ndarray:
    """(O,) standard deviations of measurements whose notes give none."""
    tape = TAPE.value + TAPE_PER_M.value * np.abs(value)
    angle = math.radians(ANGLE_SIGMA.value / 3600)
    by_kind = [np.isin(kind, ANGULAR), kind == HEIGHT]
    return np.select(by_kind, [np.full(len(kind), angle), np.full(len(kind), LEVELLING.value)], tape)


def _unit(table: Table) -> str:
    """The unit of bare lengths under headers that name none; "m" where there are no such lengths."""
    keys = [key for key in LENGTHS if key in table.place and key not in table.unit]
    bare = list[float]()
    for _, cells in table.rows(Problems(table.path.name)):
        for key in keys:
            text = cells[table.place[key]].strip()
            try:
                value, is_bare = table.length(text) if text else (0.0, False)
            except ValueError:
                continue  # told when it is read
            if is_bare:
                bare.append(abs(value))
        if len(bare) > MOST_ROWS:
            break
    return table.length_unit(keys, max(bare)) if bare else "m"


@dataclass(slots=True)
class _Row:
    table: Table
    cells: Sequence[str]
    number: int
    problems: Problems
    unit_m: float

    def text(self, key: str) -> str:
        place = self.table.place.get(key)
        return self.cells[place].strip() if place is not None else ""

    def length(self, key: str, absent: float) -> float:
        text = self.text(key)
        if not text:
            return absent
        try:
            value, bare = self.table.length(text)
            if key == "sigma" and value <= 0:
                raise ValueError("a standard deviation above 0, or nothing")
        except ValueError as slip:
            self.problems.add(f"line {self.number}, {key}", repr(text), str(slip))
            return absent
        if not bare:
            return value
        return value * (METRES[self.table.unit[key]] if key in self.table.unit else self.unit_m)

    def angle(self, key: str, absent: float) -> float:
        text = self.text(key)
        if not text:
            return absent
        try:
            return self.table.angle(key, text)
        except BadInput:
            raise
        except ValueError as slip:
            self.problems.add(f"line {self.number}, {key}", repr(text), str(slip))
            return absent
