"""The set-out table closes: who follows it rebuilds the layout, and a slip of the tape shows."""

import math
from dataclasses import replace

import numpy as np
import pytest
from kit_plans import kit_plan
from scatterproof.kit.setout import (
    ASKEW,
    CHECK_LIMIT,
    TAPE_ERROR,
    as_told,
    doubtful,
    measured_checks,
    set_out,
    tape_step_m,
    tape_text,
)
from scatterproof.plan.model import MarkerSet, PlacedMarker
from scatterproof.plan.units import parse_length
from scatterproof.stage.layout import build_layout


@pytest.fixture(scope="module")
def built():
    plan = kit_plan()
    layout = build_layout(plan)
    return plan, layout, set_out(plan, layout, "m")


@pytest.mark.parametrize("unit", ["m", "ft"])
def test_a_crew_without_a_slip_rebuilds_the_layout(unit):
    plan = kit_plan()
    layout = build_layout(plan)
    table = set_out(plan, layout, unit)
    rebuilt = build_layout(as_told(plan, layout, table))
    half = tape_step_m(unit) / 2
    assert rebuilt.owner_names == layout.owner_names
    assert np.abs(rebuilt.markers.outline_m - layout.markers.outline_m).max() < math.sqrt(2) * half + 1e-6
    # What is read off the table, as text, is what was told.
    for told in table.told_m[:, 0].tolist():
        assert parse_length(tape_text(abs(told), unit), unit) == pytest.approx(abs(told), abs=1e-9)


def test_check_distances_are_those_between_the_told_places(built):
    _, _, table = built
    measured = measured_checks(table, table.told_m)
    assert np.nanmax(np.abs(measured - table.check_m)) <= table.step_m / 2 + 1e-12
    assert not doubtful(table, measured).any()
    assert (table.check_to[:, 0] >= 0).all()
    assert (table.check_to[:, 0] != np.arange(table.count)).all()


def test_tape_error_alone_raises_no_alarm(built):
    _, _, table = built
    rng = np.random.default_rng(11)
    alarms = 0
    for _ in range(200):
        placed = table.told_m + rng.normal(0, TAPE_ERROR.value, table.told_m.shape)
        read = measured_checks(table, placed) + rng.normal(0, TAPE_ERROR.value, (table.count, 2))
        alarms += int(doubtful(table, read).sum())
    assert alarms / (200 * table.count) < 1e-3


def test_every_blunder_of_ten_centimetres_is_caught(built):
    _, _, table = built
    rng = np.random.default_rng(12)
    missed = []
    for row in range(table.count):
        for axis in (0, 1):
            for sign in (-1, 1):
                placed = table.told_m + rng.normal(0, TAPE_ERROR.value, table.told_m.shape)
                placed[row, axis] += sign * 0.10
                read = measured_checks(table, placed) + rng.normal(0, TAPE_ERROR.value, (table.count, 2))
                if not doubtful(table, read)[row]:
                    missed.append((table.label[row], axis, sign))
    assert missed == []


def test_check_distances_lie_askew_to_both_lines(built):
    _, _, table = built
    assert (table.sureness >= ASKEW - 1e-9).mean() > 0.95
    assert table.sureness.min() * 0.10 > CHECK_LIMIT.value + table.step_m


def test_lines_of_markers_get_two_checks():
    # On one level line no neighbour lies askew: pegs and the two directions together have to do.
    plan = kit_plan()
    row = tuple(PlacedMarker(surface="back wall", at=(1.0 + 0.6 * n, 2.0), size=0.05) for n in range(8))
    line = replace(
        plan, markers=(MarkerSet(name="line", surfaces=(), layout="placed", shape="square", paint="light", placed=row),)
    )
    layout = build_layout(line)
    table = set_out(line, layout, "m")
    assert table.sureness[:8].min() > 0.2


def test_stands_and_gear_are_on_the_floor_table(built):
    plan, _, table = built
    stands = [row for row in range(table.count) if table.label[row].startswith("S")]
    assert [table.name[row] for row in stands] == [stand.name for stand in plan.stands]
    assert table.told_m[stands] == pytest.approx(np.array([stand.at for stand in plan.stands]))


def test_coarser_rounding_is_told_and_still_closes():
    plan = kit_plan()
    layout = build_layout(plan)
    table = set_out(plan, layout, "m", step_m=0.01)
    assert np.abs(table.told_m - table.true_m).max() <= 0.005 + 1e-12
    assert np.allclose(table.told_m / 0.01, np.round(table.told_m / 0.01))
