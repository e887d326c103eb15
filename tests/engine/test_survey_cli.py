"""``scatterproof survey``: files in; as-built plan, report, points and readiness out; nothing written over."""

import contextlib
import csv
import io
import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scatterproof.cli.main import main
from scatterproof.kit.camera_report import blank_report
from scatterproof.plan.read import load_plan
from scatterproof.plan.templates import template_folder
from scatterproof.plan.write import dump_plan
from scatterproof.sightings.need import planned_layout
from scatterproof.survey.clouds import read_points
from scatterproof.survey.found import NOT_SURVEYED, find
from scatterproof.survey.page import survey_page
from scatterproof.survey.points import SurveyPoints
from scatterproof.survey.targets import targets_of
from survey_stage import random_turn

FOOT = 0.3048
SPOIL = [
    b"\x00",
    b"\xff",
    b"nan",
    b"=1",
    b",",
    b";",
    b"\n",
    b'"',
    b"9" * 50,
    b"-",
    b"1e308",
    "灯".encode(),
    b"12,",
    b"#",
]


@pytest.fixture(scope="module")
def attic():
    path = template_folder() / "plans" / "clockwork-attic.toml"
    plan = load_plan(path).plan
    layout = planned_layout(plan, path.parent)
    return plan, layout, targets_of(plan, layout)


@pytest.fixture
def job(tmp_path, attic):
    """A folder with the plan and a survey of it in feet, in the instrument's own axes."""
    _, _, targets = attic
    shutil.copy(template_folder() / "plans" / "clockwork-attic.toml", tmp_path / "attic.toml")
    rng = np.random.default_rng(1)
    true = targets.position_m + 0.003 * rng.normal(size=targets.position_m.shape)
    true[3] += [0.3, 0, 0]
    at = (true @ np.array([[0, 1.0, 0], [-1, 0, 0], [0, 0, 1]]) + [30, 60, 9]) / FOOT
    rows = ["Point,Northing,Easting,Elev,sd,Code"]
    rows += [f"{n},{y:.4f},{x:.4f},{z:.4f},0.006,MK" for n, (x, y, z) in zip(targets.number, at, strict=True)][:-4]
    (tmp_path / "stage.csv").write_text("\n".join(rows) + "\n")
    i, j = 0, 5
    away = np.linalg.norm(true[i] - true[j])
    (tmp_path / "tape.csv").write_text(f"from,to,distance,sigma\n1,6,{away:.3f} m,2 mm\n1,9,9 m,2 mm\n")
    return tmp_path


def survey(job, *more):
    return main(["survey", str(job / "attic.toml"), str(job / "stage.csv"), "--no-rehearsal", *more])


def test_units_are_asked_for(job, capsys):
    assert survey(job) == 2
    said = capsys.readouterr().err
    assert "--units" in said
    assert "ft or us-ft" in said
    assert sorted(p.name for p in job.iterdir()) == ["attic.toml", "stage.csv", "tape.csv"]


def test_what_is_written(job, attic, capsys):
    _, layout, targets = attic
    before = (job / "attic.toml").read_bytes(), (job / "stage.csv").read_bytes()
    assert survey(job, "--units", "ft", "--notes", str(job / "tape.csv"), "--corners", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["counts"]["not surveyed"] == 4
    assert told["network"]["removed"][0].startswith("distance 1 to 9 (tape.csv, line 3)")
    assert ((job / "attic.toml").read_bytes(), (job / "stage.csv").read_bytes()) == before
    built = load_plan(job / "attic-as-built.toml").plan
    moved = planned_layout(built, job).markers.centre_m[3] - layout.markers.centre_m[3]
    assert moved[0] == pytest.approx(0.3, abs=0.02)
    assert "# Feet and inches" in (job / "attic-as-built.toml").read_text()  # the person's own comments
    out = job / "attic-survey"
    names = {"offsets.csv", "points.csv", "points.obj", "points.ply", "report.html", "survey.json"}
    assert {p.name for p in out.iterdir()} == names
    rows = list(csv.DictReader((out / "offsets.csv").open(encoding="utf-8")))
    assert len(rows) == len(targets)
    assert float(rows[3]["offset_x_m"]) == pytest.approx(0.3, abs=0.02)
    first, second, third = (read_points(out / f"points.{kind}") for kind in ("csv", "ply", "obj"))
    assert first.label == second.label == third.label
    assert "wall scatter 1 corner 1" in first.label
    assert first.position_m == pytest.approx(second.position_m)
    assert first.sigma_m == pytest.approx(third.sigma_m)


def test_the_as_built_plan_is_not_overwritten(job, capsys):
    (job / "attic-as-built.toml").write_text("mine")
    assert survey(job, "--units", "ft") == 2
    assert "--force" in capsys.readouterr().err
    assert (job / "attic-as-built.toml").read_text() == "mine"
    assert not (job / "attic-survey").exists()
    assert survey(job, "--units", "ft", "--force") == 0
    assert load_plan(job / "attic-as-built.toml").plan.name.endswith("as built")


def test_what_was_read_is_not_written_over(job, capsys):
    out = job / "attic-survey"
    out.mkdir()
    (job / "stage.csv").rename(out / "points.csv")
    before = (out / "points.csv").read_bytes()
    assert main(["survey", str(job / "attic.toml"), str(out / "points.csv"), "--units", "ft", "--no-rehearsal"]) == 2
    assert "which is read" in capsys.readouterr().err
    assert (out / "points.csv").read_bytes() == before
    assert not (job / "attic-as-built.toml").exists()


def test_takes_of_the_camera_report_go_into_the_plan(job, attic, capsys):
    plan, _, _ = attic
    head, *lines = blank_report(plan, "ft").splitlines()
    columns = head.split(",")
    cells = lines[0].split(",")
    for name, value in (("take", "3"), ("stop", "8"), ("good", "y")):
        cells[columns.index(name)] = value
    (job / "takes.csv").write_text("\n".join([head, ",".join(cells), *lines[1:]]) + "\n")
    assert survey(job, "--units", "ft", "--notes", str(job / "takes.csv")) == 0
    assert "as take 3 was shot: stop 8" in capsys.readouterr().out
    built = load_plan(job / "attic-as-built.toml").plan
    assert built.shots[0].stop == 8
    assert built.shots[1] == plan.shots[1]


def test_readiness_is_told_as_planned_and_as_built(job, attic, capsys):
    plan, _, _ = attic
    (job / "attic.toml").write_text(dump_plan(replace(plan, shots=plan.shots[:1], blockers=())))
    assert main(["survey", str(job / "attic.toml"), str(job / "stage.csv"), "--units", "ft"]) == 0
    said = capsys.readouterr().out
    assert re.search(r"CA010: planned firm +\d+%.* as built firm", said)
    report = (job / "attic-survey" / "report.html").read_text()
    assert report.count("class='strip'") == 2


class _Tags(HTMLParser):
    """Counts open elements: every one that opens closes."""

    def __init__(self):
        super().__init__()
        self.open, self.text = [], []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_the_report_escapes_what_files_say(attic):
    plan, layout, targets = attic
    rng = np.random.default_rng(2)
    turn = random_turn(rng)
    label = (*targets.number[:-1], "<script>alert(1)</script>")
    at = np.concatenate([targets.position_m[:-1], [[3.0, 3, 3]]]) @ turn.T
    file = SurveyPoints("<b>.csv", label, at, np.full(at.shape, 0.002), np.arange(len(at)))
    found = find(targets, layout.surfaces, [file])
    assert found.state[-1] == NOT_SURVEYED
    page = survey_page(plan, layout, found)
    assert "<script" not in page
    assert "<b>.csv" not in page
    tags = _Tags()
    tags.feed(page)
    assert not tags.open
    assert "What to do" in tags.text


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 40), st.sampled_from(SPOIL)), max_size=4))
def test_spoilt_surveys_end_with_a_word_and_nothing_written(job, cuts):
    text = (job / "stage.csv").read_bytes()
    for at, length, piece in cuts:
        text = text[:at] + piece + text[at + length :]
    (job / "spoilt.csv").write_bytes(text)
    before = {p.name for p in job.iterdir()}
    with contextlib.redirect_stderr(io.StringIO()) as said, contextlib.redirect_stdout(io.StringIO()):
        status = main(["survey", str(job / "attic.toml"), str(job / "spoilt.csv"), "--units", "ft", "--no-rehearsal"])
    assert status in (0, 2)
    if status == 2:
        assert re.search(r"problem", said.getvalue())
        assert {p.name for p in job.iterdir()} == before
    else:
        (job / "attic-as-built.toml").unlink()
        shutil.rmtree(job / "attic-survey")
    assert (job / "spoilt.csv").read_bytes() == text
