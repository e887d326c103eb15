"""The camera report: the blank form reads as nothing, a filled one as its takes, a spoiled one as all its slips."""

import contextlib
import csv
import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from kit_plans import kit_plan
from scatterproof.kit.camera_report import COLUMNS, blank_report, exposure_text, read_camera_report
from scatterproof.problems import BadInput

PLAN = kit_plan()


def filled(*rows, separator=","):
    out = io.StringIO()
    table = csv.writer(out, delimiter=separator)
    table.writerow(COLUMNS)
    table.writerows(rows)
    return out.getvalue()


def test_the_blank_form_holds_the_plan_and_no_takes():
    text = blank_report(PLAN, "m")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows[0]["shot"] == "push"
    assert rows[0]["focal_length"] == "25 mm"
    assert rows[0]["exposure"] == "1/48 s"
    assert read_camera_report(text, PLAN) == ()


@pytest.mark.parametrize("unit", ["m", "ft"])
def test_a_form_filled_as_printed_reads_back(unit):
    rows = list(csv.reader(io.StringIO(blank_report(PLAN, unit))))
    rows[1][2], rows[1][8:11] = "1", ["5' 3\"", "y", "flare, second half"]
    rows[2][2], rows[2][4] = "2", "T5.6"
    takes = read_camera_report(filled(*rows[1:]), PLAN, unit)
    assert [take.take for take in takes] == [1, 2]
    first, second = takes
    assert (first.shot, first.camera, first.good, first.note) == ("push", "A", True, "flare, second half")
    assert first.focal_length == 25
    assert first.exposure == pytest.approx(1 / 48)
    assert first.focus == pytest.approx(4.0, abs=1e-3)
    assert first.height == pytest.approx(1.6002)
    assert first.rate == 24
    assert (second.stop, second.good) == (5.6, False)


def test_spreadsheets_of_other_countries_and_byte_order_marks():
    row = ["push", "A", "3", "32", "4", "180 deg", "3 m", "25", "", "n", ""]
    (take,) = read_camera_report("\ufeff" + filled(row, separator=";"), PLAN)
    assert take.exposure == pytest.approx(0.5 / 25)
    assert take.focal_length == 32


def test_every_slip_is_told_at_once():
    rows = [
        ["pusch", "A", "1", "25", "4", "1/48 s", "4 m", "24", "", "y", ""],
        ["push", "A", "one", "wide", "0", "soon", "far", "-24", "", "maybe", ""],
    ]
    with pytest.raises(BadInput) as caught:
        read_camera_report(filled(*rows), PLAN, file="report.csv")
    where = [problem.where for problem in caught.value.problems]
    assert where[0] == "line 2, shot"
    assert {f"line 3, {c}" for c in ("take", "focal_length", "stop", "exposure", "focus", "rate", "good")} <= set(where)
    assert all(problem.file == "report.csv" for problem in caught.value.problems)


@pytest.mark.parametrize("text", ["", "hello\n", "shot,camera\npush,A\n", '"unclosed'])
def test_what_is_no_report_is_refused(text):
    with pytest.raises(BadInput):
        read_camera_report(text, PLAN)


@given(st.text(max_size=200))
def test_no_text_brings_a_traceback(text):
    with contextlib.suppress(BadInput):
        read_camera_report(",".join(COLUMNS) + "\n" + text, PLAN)


@given(st.floats(1e-4, 2))
def test_exposures_read_back_as_printed(seconds):
    row = ["push", "A", "1", "", "", exposure_text(seconds), "", "", "", "", ""]
    (take,) = read_camera_report(filled(row), PLAN)
    assert math.isclose(take.exposure, seconds, rel_tol=1e-3)
