"""Lengths, angles and times as people write them, and back.

Source of the factors: the inch is exactly 25.4 mm, the foot exactly 12 inches (international yard and pound
agreement, 1959; NIST Handbook 44, appendix C).
"""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.plan.model import LENGTH_UNITS
from scatterproof.plan.units import (
    angle_text,
    format_length,
    length_text,
    parse_angle,
    parse_film,
    parse_length,
    parse_time,
)
from scatterproof.problems import BadInput


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("6 m", 6.0),
        ("6m", 6.0),
        ("48 in", 1.2192),
        ("20 ft", 6.096),
        ("5' 6\"", 1.6764),
        ("5'6 1/2\"", 1.6891),
        ("5'-6 1/2\"", 1.6891),
        ("5'6", 1.6764),
        ("5 ft 6 in", 1.6764),
        ("-5' 6\"", -1.6764),
        ('66"', 1.6764),
        ("5′ 6″", 1.6764),
        ("120 cm", 1.2),
        ("5 mm", 0.005),
        ("1/2 in", 0.0127),
        (" 2 FEET ", 0.6096),
        (".5 m", 0.5),
        ("1e3 mm", 1.0),
        ("6", 1.8288),
        (6, 1.8288),
        (Decimal("0.1"), 0.03048),
        ("6 1/2", 1.9812),
    ],
)
def test_lengths(text, metres):
    assert parse_length(text, "ft") == metres


@pytest.mark.parametrize(
    "text",
    [
        "",
        "6 k",
        "m",
        "5' 6' 3",
        "1/0 in",
        "6 m m",
        "nan",
        "inf m",
        "6..2 m",
        "'",
        "½ in",
        "6,5 m",
        "5' -6\" x",
        "1" * 5000,
    ],
)
def test_what_is_no_length(text):
    with pytest.raises(BadInput, match="a length such as"):
        parse_length(text)


def test_lengths_beyond_floats_are_infinite_and_cheap():
    assert parse_length(10**4000) == parse_length(Decimal("1e999999999")) == parse_length("1e999 m") == math.inf
    assert parse_length(Decimal("1e-999999999"), "ft") == 0
    assert parse_length(-(10**4000), "in") == -math.inf


@given(st.floats(-1e5, 1e5), st.sampled_from(LENGTH_UNITS))
def test_any_length_is_written_so_that_it_reads_back_exactly(metres, unit):
    text = length_text(metres, unit)
    value = text.strip('"') if text.startswith('"') else Decimal(text)
    assert parse_length(value, unit) == metres


@given(st.one_of(st.floats(-1e3, 1e3), st.integers(-3600, 3600).map(lambda tenth: math.radians(tenth / 10))))
def test_any_angle_is_written_so_that_it_reads_back_exactly(radians):
    text = angle_text(radians)
    assert parse_angle(text.strip('"') if text.startswith('"') else float(text)) == radians


def test_round_angles_look_round():
    assert [angle_text(math.radians(d)) for d in range(-180, 181)] == [str(d) for d in range(-180, 181)]


@given(st.floats(-500, 500), st.sampled_from(LENGTH_UNITS))
def test_people_read_lengths_to_half_a_tick(metres, unit):
    tick = {"m": 1e-3, "cm": 1e-3, "mm": 1e-3, "ft": 0.0254 / 16, "in": 0.0254 / 16}[unit]
    assert abs(parse_length(format_length(metres, unit)) - metres) <= tick / 2 + 1e-12


@given(st.integers(1, 20_000), st.sampled_from(LENGTH_UNITS))
def test_lengths_on_the_tick_survive_people(ticks, unit):
    metres = parse_length(f"{ticks}/16 in") if unit in ("ft", "in") else ticks / 1000
    assert parse_length(format_length(metres, unit)) == pytest.approx(metres, abs=1e-12)


def test_feet_and_inches_for_people():
    shown = [format_length(x, "ft") for x in (0, 0.0254, 0.3048, 1.6764, 1.6891, -1.7, 0.3048 * 5.9999999)]
    assert shown == ['0"', '1"', "1'", "5' 6\"", "5' 6 1/2\"", "-5' 6 15/16\"", "6'"]
    assert [format_length(1.25, unit) for unit in ("m", "cm", "mm")] == ["1.25 m", "125 cm", "1250 mm"]
    assert format_length(-0.0001, "m") == "0 m"


def test_angles_times_and_film():
    assert parse_angle(45) == parse_angle("45 deg") == parse_angle("45°") == math.radians(45)
    assert parse_angle("0.5 rad") == 0.5
    assert parse_time("1/50 s") == parse_time(0.02) == parse_time("20 ms") == 0.02
    assert parse_film("35 mm") == parse_film(35) == 35
    for parse, bad in ((parse_angle, "5 m"), (parse_time, "1/50 m"), (parse_film, "3 in"), (parse_angle, "0.5 grad")):
        with pytest.raises(BadInput):
            parse(bad)
