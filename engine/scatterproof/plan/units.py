"""Quantities as people write them, and back: "6 m", "5' 6 1/2\\"", "45 deg", "1/50 s".

Everything is computed exactly (as fractions) and rounded once, so that a length written in feet reads back as
the same float. An inch is 0.0254 m and a foot 0.3048 m, exactly (the international yard and pound agreement of
1959; NIST Handbook 44, appendix C).
"""

from __future__ import annotations

import math
import re
from decimal import Context, Decimal
from fractions import Fraction
from typing import Final

from ..problems import one_problem

Number = int | float | Decimal

INCH_M: Final = Fraction(254, 10_000)
FOOT_M: Final = 12 * INCH_M
_METRES: Final = {"m": Fraction(1), "cm": Fraction(1, 100), "mm": Fraction(1, 1000), "ft": FOOT_M, "in": INCH_M}

_ALIASES: Final = {
    "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "'": "ft", "foot": "ft", "feet": "ft", '"': "in", "''": "in", "inch": "in", "inches": "in",
}  # fmt: skip
_FOOT_MARK, _INCH_MARK = r"(?:'|ft|feet|foot)", r"(?:\"|''|inches|inch|in)"
_PLAIN = r"(?:\d{1,30}(?:\.\d{0,30})?|\.\d{1,30})(?:e[+-]?\d{1,3})?"
_AMOUNT = rf"(?:(?:\d{{1,9}}[ -]+)?\d{{1,9}}/0*[1-9]\d{{0,8}}|{_PLAIN})"
_WITH_UNIT = re.compile(rf"([+-]?)\s*({_AMOUNT})\s*([^\d\s.].*)?")
_FEET_INCHES = re.compile(rf"([+-]?)\s*({_AMOUNT})\s*{_FOOT_MARK}\s*-?\s*({_AMOUNT})\s*{_INCH_MARK}?")
_QUOTES = str.maketrans({"′": "'", "’": "'", "″": '"', "”": '"', "−": "-"})

LENGTHS: Final = 'a length such as 6, "6 m", "120 cm", "48 in", "20 ft" or "5\' 6 1/2\\""'
ANGLES: Final = 'an angle such as 45, "45 deg" or "0.5 rad"'
TIMES: Final = 'a time such as 0.02, "0.02 s" or "1/50 s"'
FILMS: Final = 'millimetres such as 35 or "35 mm"'


def parse_length(value: str | Number, bare_unit: str = "m") -> float:
    """Metres of a length; a number without a unit is in ``bare_unit`` (one of ``LENGTH_UNITS``).

    >>> parse_length("48 in"), parse_length("5' 6 1/2\\""), parse_length(20, "ft")
    (1.2192, 1.6891, 6.096)

    Raises BadInput for what is no length.
    """
    text = _tidied(value)
    if isinstance(text, str) and (found := _FEET_INCHES.fullmatch(text)):
        sign, feet, inches = found.groups()
        return _rounded((_amount(feet) * FOOT_M + _amount(inches) * INCH_M) * (-1 if sign == "-" else 1))
    return _with_unit(value, text, _METRES, bare_unit, LENGTHS, "length")


def parse_angle(value: str | Number) -> float:
    """Radians of an angle; a number without a unit is in degrees.

    >>> parse_angle("0.5 rad"), parse_angle(180) == math.pi
    (0.5, True)

    Raises BadInput for what is no angle.
    """
    text = _tidied(value)
    if isinstance(text, str) and text.endswith("rad"):
        return _with_unit(value, text, {"rad": Fraction(1)}, "rad", ANGLES, "angle")
    units = {"deg": Fraction(1), "°": Fraction(1), "degree": Fraction(1), "degrees": Fraction(1)}
    return math.radians(_with_unit(value, text, units, "deg", ANGLES, "angle"))


def parse_time(value: str | Number) -> float:
    """Seconds of a time; a number without a unit is in seconds. Raises BadInput for what is no time.

    >>> parse_time("1/50 s")
    0.02
    """
    return _with_unit(value, _tidied(value), {"s": Fraction(1), "ms": Fraction(1, 1000)}, "s", TIMES, "time")


def parse_film(value: str | Number) -> float:
    """Millimetres of film back or focal length. Raises BadInput for what is none."""
    return _with_unit(value, _tidied(value), {"mm": Fraction(1)}, "mm", FILMS, "millimetres")


def number_text(value: float) -> str:
    """The shortest text that reads back as ``value``, without a trailing ``.0``.

    >>> number_text(6.0), number_text(0.1), number_text(1e-7)
    ('6', '0.1', '1e-07')
    """
    text = repr(float(value))
    return text.removesuffix(".0")


def length_text(metres: float, unit: str) -> str:
    """TOML that :func:`parse_length` reads back as exactly ``metres``: a bare number in ``unit``, or text in metres
    where that is much shorter.

    >>> length_text(1.2192, "in"), length_text(0.15, "ft"), length_text(1.2192, "m")
    ('48', '"0.15 m"', '1.2192')
    """
    plain = number_text(metres)
    if unit == "m" or not math.isfinite(metres) or metres == 0:
        return plain
    for digits in range(15, 25):
        text = _digits(Fraction(metres) / _METRES[unit], digits)
        if len(text) > max(10, len(plain)):
            break
        if parse_length(Decimal(text), unit) == metres:
            return text
    return f'"{plain} m"'


def angle_text(radians: float) -> str:
    """TOML that :func:`parse_angle` reads back as exactly ``radians``: bare degrees where some float fits, else text.

    >>> angle_text(math.radians(30)), angle_text(0.0)
    ('30', '0')
    """
    degrees = math.degrees(radians)
    near = [float(f"{degrees:.15g}"), degrees, math.nextafter(degrees, math.inf), math.nextafter(degrees, -math.inf)]
    for candidate in near:
        if math.radians(candidate) == radians:
            return number_text(candidate)
    return number_text(radians) if math.isnan(radians) else f'"{number_text(radians)} rad"'


def format_length(metres: float, unit: str) -> str:
    """A length for people, rounded to what a tape measure shows: 1 mm, or 1/16 inch; feet and inches for "ft".

    >>> format_length(1.6637, "ft"), format_length(1.6637, "in"), format_length(1.25, "m"), format_length(1.25, "cm")
    ('5\\' 5 1/2"', '65 1/2"', '1.25 m', '125 cm')
    """
    if unit not in ("ft", "in"):
        places = {"m": 3, "cm": 1, "mm": 0}[unit]
        number = f"{float(Fraction(metres) / _METRES[unit]):.{places}f}"
        number = number.rstrip("0").rstrip(".") if "." in number else number
        return f"{'0' if number == '-0' else number} {unit}"
    sixteenths = round(abs(Fraction(metres)) / INCH_M * 16)
    sign = "-" if metres < 0 and sixteenths else ""
    feet, rest = divmod(sixteenths, 12 * 16) if unit == "ft" else (0, sixteenths)
    inches, part = divmod(rest, 16)
    words = [f"{feet}'"] if feet else []
    if inches or part or not feet:
        fraction = Fraction(part, 16)
        pieces = [str(inches)] if inches or not part else []
        pieces += [f"{fraction.numerator}/{fraction.denominator}"] if part else []
        words.append(" ".join(pieces) + '"')
    return sign + " ".join(words)


def _tidied(value: str | Number) -> str | Number:
    return value.translate(_QUOTES).strip().lower() if isinstance(value, str) else value


def _with_unit(
    found: object, text: str | Number, units: dict[str, Fraction], bare: str, expected: str, what: str
) -> float:
    if not isinstance(text, str):
        return _rounded(Fraction(text), units[bare]) if _is_moderate(text) else _overflowing(text)
    if match := _WITH_UNIT.fullmatch(text):
        sign, amount, unit = match.groups()
        unit = (unit or bare).strip()
        if factor := units.get(_ALIASES.get(unit, unit)):
            return _rounded(_amount(amount) * (-1 if sign == "-" else 1), factor)
    raise one_problem(what, repr(found), expected)


def _amount(text: str) -> Fraction:
    if "/" not in text:
        return Fraction(text)
    return sum(map(Fraction, re.findall(r"\d+/\d+|\d+", text)), Fraction(0))


def _is_moderate(value: Number) -> bool:
    """Whether exact arithmetic is cheap: an exponent of a billion would fill the memory."""
    return value == 0 or 1e-300 < value < 1e300 or -1e300 < value < -1e-300


def _overflowing(value: Number) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def _rounded(amount: Fraction, factor: Fraction = Fraction(1)) -> float:
    try:
        return float(amount * factor)
    except OverflowError:
        return math.inf if amount > 0 else -math.inf


def _digits(value: Fraction, digits: int) -> str:
    context = Context(prec=digits)
    quotient = context.divide(Decimal(value.numerator), Decimal(value.denominator))
    text = f"{quotient.normalize(context):f}" if -7 < quotient.adjusted() < 25 else str(quotient)
    return text.lower()
