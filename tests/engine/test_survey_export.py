"""Points for whoever solves: what is written reads back the same, in every format and unit."""

import csv
import io

import numpy as np
import pytest
from scatterproof.survey.clouds import read_points
from scatterproof.survey.export import FORMATS, LabelledPoints

POINTS = LabelledPoints(
    ("wall scatter 1", "stand, left band 2", "=1+2", 'Licht "ä" 灯'),
    np.array([[1.25, -2.5, 0.125], [0.0, 3.3333333, 5.0], [1e-4, -12.345678, 0.1], [7.0, 8.0, 9.0]]),
    np.array([[0.001, 0.002, 0.003], [0.0005, 0.0001, 0.01], [0.003, 0.003, 0.003], [0.1, 1e-5, 2.0]]),
    ("number 1", "number S1.2", "", "line\nbreak"),
)


@pytest.mark.parametrize("unit", ["m", "mm", "ft", "us-ft", "in"])
@pytest.mark.parametrize("kind", FORMATS)
def test_round_trip(tmp_path, kind, unit):
    path = tmp_path / f"points.{kind}"
    path.write_text(POINTS.text(kind, unit), encoding="utf-8")
    back = read_points(path)  # nothing needs to be asked
    assert back.label == POINTS.label
    assert back.unit == unit
    assert back.position_m == pytest.approx(POINTS.position_m, abs=2e-8)
    assert back.sigma_m == pytest.approx(POINTS.sigma_m, abs=2e-8)


def test_no_cell_is_a_formula():
    rows = csv.reader(io.StringIO(POINTS.text("csv")))
    cells = [cell for row in rows if not row[0].startswith("#") for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]


@pytest.mark.parametrize("kind", FORMATS)
def test_units_and_axes_stand_in_the_file(kind):
    text = POINTS.text(kind, "ft")
    assert "units: ft" in text
    assert "right-handed" in text
