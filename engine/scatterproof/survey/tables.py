"""Delimited text as people and instruments write it: any column order, header names, delimiter and decimal sign.

A file is read line by line, so that its size does not matter to the memory; whatever it does not say and a person has
not settled (:class:`Told`) is asked about, never guessed. Nothing in a file is executed: a cell is text or a number.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from ..plan.units import FOOT_M, INCH_M, parse_length
from ..problems import BadInput, Problem, one_problem

LONGEST_LINE = 20_000  # bytes
LARGEST_FILE = 2_000_000_000
MOST_PROBLEMS = 30
HEAD_LINES = 60  # looked at to find delimiter and decimal sign
BOMS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}

# An international foot is 0.3048 m exactly; a US survey foot 1200/3937 m, out of use since the end of 2022 (Federal
# Register 85 FR 62698, 5 October 2020).
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": float(FOOT_M), "us-ft": 1200 / 3937, "in": float(INCH_M)}
UNIT_NAMES = {
    "metre": "m", "metres": "m", "meter": "m", "meters": "m", "millimetres": "mm", "millimeters": "mm",
    "centimetres": "cm", "centimeters": "cm", "feet": "ft", "foot": "ft", "ift": "ft", "intft": "ft",
    "internationalfeet": "ft", "usft": "us-ft", "ftus": "us-ft", "sft": "us-ft", "ussurveyfeet": "us-ft",
    "ussurveyfoot": "us-ft", "ussft": "us-ft", "inch": "in", "inches": "in",
    **{unit.replace("-", ""): unit for unit in METRES},
}  # fmt: skip
ANGLE_UNITS = ("deg", "dms", "gon", "rad")
ANGLE_NAMES = {"deg": "deg", "degree": "deg", "degrees": "deg", "°": "deg", "dms": "dms", "gon": "gon", "gons": "gon",
               "grad": "gon", "grads": "gon", "rad": "rad", "radians": "rad"}  # fmt: skip
DELIMITERS = {"tab": "\t", "semicolon": ";", "comma": ",", "space": " "}
DECIMALS = {"point": ".", "comma": ","}

_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d{1,3})?"),
}
_DMS = re.compile(r"""([+-]?)\s*(\d{1,3})\s*[°d:\s-]\s*(\d{1,2})\s*['′m:\s-]\s*(\d{1,2}(?:[.,]\d+)?)\s*["″s]?""")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a person has settled about files that do not say it themselves; empty: not settled."""

    units: str = ""  # of bare lengths: a key of METRES
    columns: str = ""  # of a file without a header: one letter per column
    axes: str = ""  # which of the file's axes run along the stage's x, y and z: "x y z", "y -x z"
    angles: str = ""  # one of ANGLE_UNITS
    delimiter: str = ""  # a key of DELIMITERS
    decimal: str = ""  # a key of DECIMALS
    encoding: str = ""
    across_m: float = 0.0  # size of the stage, to tell which unit would fit


@dataclass(frozen=True, slots=True)
class Column:
    """One kind of column: its key, what it holds, and the names that headers give it (small letters and digits)."""

    key: str
    holds: str  # "text", "length", "angle", "number" or "count"
    names: tuple[str, ...]
    letter: str = ""  # in Told.columns


@dataclass(slots=True)
class Problems:
    """What is wrong with a file, no more than a person reads."""

    file: str
    found: list[Problem] = field(default_factory=list)
    more: int = 0

    def add(self, where: str, found: object, expected: str) -> None:
        """Note one; text is cut to what fits on a line."""
        if len(self.found) < MOST_PROBLEMS:
            text = str(found)
            self.found.append(Problem(where, text if len(text) <= 80 else text[:79] + "…", expected, self.file))
        else:
            self.more += 1

    def settle(self) -> None:
        """Raise BadInput if there are any."""
        if self.more:
            self.found.append(Problem("file", f"{self.more} more problems", "none", self.file))
        if self.found:
            raise BadInput(self.found)


@dataclass(frozen=True, slots=True)
class Table:
    """An open question-free table: which column is where. Iterate :meth:`rows` for what it holds."""

    path: Path
    told: Told
    delimiter: str
    decimal: str
    header: tuple[str, ...]  # nothing where there is none
    header_line: int  # 0: none
    place: dict[str, int]  # key -> column
    unit: dict[str, str]  # key -> unit that the header names
    says: dict[str, str]  # what comments say: "units", "axes"
    width: int  # cells of a row
    least: int  # cells without which a number would be missing; text at the end may be left out

    def rows(self, problems: Problems) -> Iterator[tuple[int, list[str]]]:
        """Line number and cells of every row below the header; rows of another width are problems."""
        for number, line in lines_of(self.path, self.told.encoding):
            if number <= self.header_line or not line.strip() or line.lstrip().startswith("#"):
                continue
            try:
                cells = split(line, self.delimiter)
            except csv.Error as error:
                problems.add(f"line {number}", str(error), "quotes that close")
                continue
            if len(cells) < self.least or any(cell.strip() for cell in cells[self.width :]):
                problems.add(f"line {number}", f"{len(cells)} cells", f"{self.width}, as above")
                continue
            yield number, cells + [""] * (self.width - len(cells))

    def number(self, text: str) -> float:
        """A cell that holds a plain finite number. Raises ValueError with what is wrong."""
        text = text.strip().replace("−", "-")
        if _NUMBER[self.decimal].fullmatch(text):
            value = float(text.replace(",", "."))
            if math.isfinite(value):
                return value
        if text[:1] in ("=", "@") or (text[:1] in "+-" and any(c in text for c in "(!")):
            raise ValueError("a number; formulas are not computed")
        if _NUMBER["," if self.decimal == "." else "."].fullmatch(text):
            other = "point" if self.decimal == "," else "comma"
            raise ValueError(f"a decimal {'comma' if self.decimal == ',' else 'point'} (or --decimal {other})")
        raise ValueError("a finite number")

    def length(self, text: str) -> tuple[float, bool]:
        """A length and whether it is bare: metres where the cell carries its unit, else in the file's."""
        try:
            return self.number(text), True
        except ValueError as slip:
            if not re.search(r"\d\s*(?:[a-z]|['\"′″])", text.lower()):
                raise
            try:
                value = parse_length(text.replace(",", ".") if self.decimal == "," else text, "m")
            except BadInput:
                raise slip from None
            if not math.isfinite(value):
                raise ValueError("a finite length") from None
            return value, False

    def angle(self, key: str, text: str) -> float:
        """Radians. Raises BadInput where no unit is known, ValueError for what is no angle."""
        unit = self.unit.get(key) or self.told.angles
        if (found := _DMS.fullmatch(text.strip())) and unit in ("", "deg", "dms"):
            sign, degrees, minutes, seconds = found.groups()
            whole = int(degrees) + int(minutes) / 60 + float(seconds.replace(",", ".")) / 3600
            if int(minutes) >= 60 or float(seconds.replace(",", ".")) >= 60:
                raise ValueError("minutes and seconds below 60")
            return math.radians(-whole if sign == "-" else whole)
        value = self.number(text)
        if not unit:
            wanted = "--angles deg, dms (DDD.MMSS), gon or rad"
            raise one_problem(f"column {key}", "angles without a unit", wanted, self.path.name)
        if unit == "dms":  # DDD.MMSSs, as calculators pack it
            whole, rest = divmod(round(abs(value) * 1e4, 6), 1e4)
            minutes, seconds = divmod(rest, 100)
            if minutes >= 60 or seconds >= 60:
                raise ValueError("DDD.MMSS, minutes and seconds below 60")
            return math.copysign(math.radians(whole + minutes / 60 + seconds / 3600), value)
        return value * {"deg": math.pi / 180, "gon": math.pi / 200, "rad": 1.0}[unit]

    def length_unit(self, keys: Sequence[str], extent: float = 0.0) -> str:
        """The unit of bare lengths in these columns: the header's, the comments' or the person's, which must agree.

        extent : how far the numbers reach, for the question. Raises BadInput where nothing says it.
        """
        said = {self.unit[key] for key in keys if key in self.unit}
        if "units" in self.says:
            said.add(self.says["units"])
        return settled_unit(said, self.told, self.path.name, extent)


def settled_unit(said: set[str], told: Told, file: str, extent: float) -> str:
    """The one unit that a file and a person agree on. Raises BadInput where there is none, or more."""
    every = said | ({told.units} if told.units else set())
    if len(every) == 1:
        return next(iter(every))
    if len(every) > 1:
        raise one_problem("units", " and ".join(sorted(every)), "one unit, in the file and in --units", file)
    fits = [unit for unit, metres in METRES.items() if 0.4 < extent * metres / (told.across_m or math.inf) < 2.5]
    hint = f"; its numbers span {extent:.6g}, the planned stage {told.across_m:.3g} m" if told.across_m else ""
    hint += f", which would fit {' or '.join(fits)}" if fits else ""
    raise one_problem("units", "not said in the file" + hint, f"--units {', '.join(METRES)}", file)


def lines_of(path: Path, encoding: str = "") -> Iterator[tuple[int, str]]:
    """Number and text of every line, one at a time. Raises BadInput for what is no text file, with the line."""
    try:
        if not path.is_file():
            found = "a folder" if path.is_dir() else "no such file"
            raise one_problem("file", found, "the path of a file", str(path))
        if path.stat().st_size > LARGEST_FILE:
            raise one_problem("file", "a very large file", f"at most {LARGEST_FILE // 10**9} GB", str(path))
        with path.open("rb") as stream:
            start = stream.read(4)
            stream.seek(0)
            known = next((name for bom, name in BOMS.items() if start.startswith(bom)), "")
            yield from _decoded(stream, known or encoding or "utf-8", path)
    except (OSError, LookupError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise one_problem("file", reason.lower(), "a file that can be read", str(path)) from None


def _decoded(stream: BinaryIO, encoding: str, path: Path) -> Iterator[tuple[int, str]]:
    wide = encoding.lower().replace("-", "").startswith(("utf16", "utf32"))
    text = io.TextIOWrapper(stream, encoding=encoding, newline=None) if wide else None
    number, old_mac = 0, False
    while True:
        number += 1
        try:
            if text:
                line = text.readline(LONGEST_LINE + 1)
            else:
                raw = stream.readline(LONGEST_LINE + 1)
                old_mac = len(raw) > LONGEST_LINE and b"\r" in raw
                line = raw.decode(encoding if number == 1 or encoding != "utf-8-sig" else "utf-8")
        except UnicodeDecodeError as error:
            byte = f"byte 0x{error.object[error.start]:02x}" if error.start < len(error.object) else "a cut character"
            wanted = f"text in {encoding.removesuffix('-sig').upper()} (or --encoding, for example cp1252)"
            raise one_problem(f"line {number}", byte, wanted, path.name) from None
        except UnicodeError as error:
            raise one_problem(f"line {number}", str(error), f"text in {encoding.upper()}", path.name) from None
        if not line:
            return
        if len(line) > LONGEST_LINE:
            wanted = "line ends that are line feeds" if old_mac else f"at most {LONGEST_LINE} characters"
            raise one_problem(f"line {number}", "a very long line", wanted, path.name)
        if "\0" in line:
            raise one_problem(f"line {number}", "a zero byte", "text", path.name)
        yield number, line.rstrip("\r\n")


def split(line: str, delimiter: str) -> list[str]:
    """The cells of one line. Raises csv.Error for quotes that do not close."""
    if delimiter == " ":
        line, delimiter = " ".join(line.split()), " "
    return next(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True), [])


def open_table(path: Path, columns: Sequence[Column], needed: Sequence[Sequence[str]], told: Told) -> Table:
    """Find out how a file is written. ``needed``: sets of keys, one of which must be there as a whole.

    Raises BadInput naming the option that settles what the file leaves open.
    """
    head: list[tuple[int, str]] = []
    comments: list[str] = []
    for number, line in lines_of(path, told.encoding):
        if line.lstrip().startswith("#"):
            comments.append(line)
        elif line.strip():
            head.append((number, line))
        if len(head) == HEAD_LINES or number > 50 * HEAD_LINES:
            break
    if not head:
        raise one_problem("file", "no line with anything in it", "a header and rows", str(path))
    delimiter = _delimiter([line for _, line in head], told, path)
    try:
        cells = [split(line, delimiter) for _, line in head]
    except csv.Error as error:
        raise one_problem("quotes", str(error), "quotes that close on their line", path.name) from None
    first = [cell.strip() for cell in cells[0]]
    decimal = _decimal(cells[1:] or cells, delimiter, told, path)
    has_header = not any(_NUMBER[decimal].fullmatch(cell) for cell in first[1:] or first)
    unit: dict[str, str] = {}
    if told.columns:
        place = _lettered(told.columns, columns, path)
        width = len(told.columns)
    elif has_header:
        place, unit = _named(first, columns, path, head[0][0])
        width = len(first)
        while width > 1 and not first[width - 1]:
            width -= 1
    else:
        letters = ", ".join(f"{c.letter} {c.key}" for c in columns if c.letter)
        wanted = f"a header line, or --columns with one letter per column ({letters}, - skipped), for example PNEZD"
        raise one_problem("line 1", f"no header, {len(first)} columns that could be anything", wanted, path.name)
    if not any(set(keys) <= set(place) for keys in needed):
        lists = " or ".join(", ".join(keys) for keys in needed)
        found = ", ".join(repr(c) for c in first[:12]) if has_header else told.columns
        raise one_problem("columns", found, f"columns for {lists}", path.name)
    says = spoken(comments, path.name)
    header = tuple(first) if has_header else ()
    numbers = {column.key for column in columns if column.holds != "text"}
    least = 1 + max(i for key, i in place.items() if key in numbers)
    header_line = head[0][0] if header else 0
    return Table(path, told, delimiter, decimal, header, header_line, place, unit, says, width, least)


def spoken(comments: Sequence[str], file: str) -> dict[str, str]:
    """What comment lines such as ``# units: mm`` and ``# axes: x -z y`` say. Raises BadInput for unknown units."""
    says: dict[str, str] = {}
    for comment in comments:
        found = re.match(r"\W*(units?|axes|camera axes)\s*[:=]?\s*(.+?)\s*$", comment, re.IGNORECASE)
        if found:
            key, value = found[1].lower(), found[2]
            if key.startswith("unit"):
                name = _tidy(value.split()[0])
                if name not in UNIT_NAMES:
                    raise one_problem("units", repr(value), ", ".join(METRES), file)
                says["units"] = UNIT_NAMES[name]
            else:
                says[key] = value.split(";")[0].strip()
    return says


def _tidy(name: str) -> str:
    return re.sub(r"[^a-z0-9°σ]", "", name.lower())


def _delimiter(lines: Sequence[str], told: Told, path: Path) -> str:
    if told.delimiter:
        return DELIMITERS[told.delimiter]
    # Spaces stand inside cells ("wall scatter 12"), commas as decimal signs: they count only where nothing else does.
    for name in ("tab", "semicolon", "comma", "space"):
        sign = DELIMITERS[name]
        try:
            width = len(split(lines[0].rstrip(sign) if sign != " " else lines[0], sign))
            counts = [len(split(line, sign)) for line in lines]
        except csv.Error:
            continue
        if width > 1 and sum(count >= width - (sign != " ") for count in counts) >= 0.8 * len(counts):
            return sign
    found = "lines that no delimiter cuts into equal numbers of cells"
    raise one_problem("delimiter", found, f"--delimiter {', '.join(DELIMITERS)}", path.name)


def _decimal(rows: Sequence[Sequence[str]], delimiter: str, told: Told, path: Path) -> str:
    if told.decimal:
        return DECIMALS[told.decimal]
    cells = [cell.strip() for row in rows for cell in row]
    commas = sum("," in cell and bool(_NUMBER[","].fullmatch(cell)) for cell in cells)
    points = sum("." in cell and bool(_NUMBER["."].fullmatch(cell)) for cell in cells)
    if commas and points:
        found = "numbers with a decimal comma and numbers with a decimal point"
        raise one_problem("decimal", found, "one of them, or --decimal comma or point", path.name)
    return "," if commas else "."


def _lettered(letters: str, columns: Sequence[Column], path: Path) -> dict[str, int]:
    by_letter = {column.letter: column.key for column in columns if column.letter}
    place: dict[str, int] = {}
    for i, letter in enumerate(letters.upper()):
        if letter == "-":
            continue
        if letter not in by_letter or by_letter[letter] in place:
            wanted = ", ".join(f"{c.letter} {c.key}" for c in columns if c.letter)
            raise one_problem("--columns", repr(letters), f"each letter once, of: {wanted}; - for the rest", path.name)
        place[by_letter[letter]] = i
    return place


def _named(
    header: Sequence[str], columns: Sequence[Column], path: Path, line: int
) -> tuple[dict[str, int], dict[str, str]]:
    by_name = {name: column for column in columns for name in (column.key, *column.names)}
    place: dict[str, int] = {}
    unit: dict[str, str] = {}
    problems = Problems(path.name)
    for i, cell in enumerate(header):
        column, said = _known(cell, by_name)
        if column is None:
            continue
        if column.key in place:
            both = f"{header[place[column.key]]!r} and {cell!r}"
            problems.add(f"line {line}", both, f"one column for {column.key}, or --columns")
        place[column.key] = i
        if said:
            unit[column.key] = said
    problems.settle()
    return place, unit


def _known(cell: str, by_name: dict[str, Column]) -> tuple[Column | None, str]:
    """The column that a header cell such as "Easting (us-ft)", "x_mm" or "Hz [gon]" means, and the unit it names."""
    whole = _tidy(cell.replace("σ", "sigma"))
    if whole in by_name:
        return by_name[whole], ""
    bare, _, bracketed = re.sub(r"[\])]", "", cell.replace("σ", "sigma").replace("[", "(")).partition("(")
    parts = (bare, bracketed) if bracketed else re.split(r"[_\s](?=[^_\s]+$)", cell.strip(), maxsplit=1)
    if len(parts) == 2 and (column := by_name.get(_tidy(parts[0]))):
        name = _tidy(parts[1])
        units = {"length": UNIT_NAMES, "angle": ANGLE_NAMES}.get(column.holds, {})
        return (column, units[name]) if name in units else (column if bracketed else None, "")
    return None, ""
