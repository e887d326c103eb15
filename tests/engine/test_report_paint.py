"""The paint study as page, JSON and verb: well formed whatever the names, and the same numbers everywhere."""

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from scatterproof.cli.main import main
from scatterproof.paint.choice import MEASURES, Scene, scene_of, study_paint
from scatterproof.plan import model as m
from scatterproof.plan.templates import example
from scatterproof.report.paint import COLUMNS, paint_json, paint_page, paint_section
from scatterproof.stage.layout import build_layout

HOSTILE = '</title></svg><script>alert("1")</script><b a=\'&#0;&\x00\x1b\ud83d'
SVG = "{http://www.w3.org/2000/svg}"


def a_plan(name="band"):
    return m.Plan(
        name=name,
        paints=(m.Paint(name="screen", srgb=(70, 148, 73)), m.Paint(name=name, srgb=(232, 119, 34))),
        patches=(m.Patch(name=name, srgb=(40, 40, 41)),),
        stage=m.Stage(floors=(m.Floor(x=(-1, 1), y=(-1, 1)),)),
        cameras=(
            m.Camera(name="A", film_back=(24, 18), resolution=(2000, 1500), delivery_aspect=1.78, focal_length=30),
        ),
    )


def parsed(html):
    return ET.fromstring(
        html.removeprefix("<!DOCTYPE html>\n").replace('<svg class="defs"', f'<svg xmlns="{SVG[1:-1]}"')
    )


@pytest.mark.parametrize("name", ["band", HOSTILE, "a name that goes on " * 20])
def test_the_page_is_well_formed_and_says_every_candidate_once(name):
    plan = a_plan(name)
    study = study_paint(plan, Scene(1.0, 0.4, 3.0, 0.5))
    html = paint_page(plan, study)
    html.encode("utf-8")
    tree = parsed(html)
    assert "<script" not in html
    assert not re.search(r"\b(nan|inf)\b", html)
    rows = tree.findall("body//table/tbody/tr")
    assert len(rows) == len(study.candidates)
    assert {len(row) for row in rows} == {len(COLUMNS)}
    scores = [float(row[1].text) for row in rows]
    assert scores == sorted(scores, reverse=True)
    ids = set(re.findall(r'\bid="([^"]+)"', html))
    assert set(re.findall(r"url\(#([^)]+)\)", html)) <= ids


def test_dark_plans_and_plans_without_cameras_still_make_a_page_and_valid_json():
    for plan in (a_plan(), replace(a_plan(), cameras=()), m.Plan(name="bare", stage=m.Stage())):
        for scene in (scene_of(plan, build_layout(plan)), Scene(0.0, 0.0, 0.0, 0.0)):
            study = study_paint(plan, scene)
            parsed(paint_page(plan, study))
            data = json.loads(json.dumps(paint_json(plan, study), allow_nan=False))
            assert [row["name"] for row in data["candidates"]] == [c.name for c in study.candidates]
            assert set(data["candidates"][0]["merits"]) == set(MEASURES)


def test_the_section_stands_in_another_page():
    section = paint_section(study_paint(a_plan(), Scene(1.0, 1.0, 2.0, 0.0)), "h3")
    tree = ET.fromstring(section)
    assert tree.find("h3").text == "Marker paint"


def test_the_verb_writes_page_and_json(tmp_path, capsys):
    plan = tmp_path / "plan.toml"
    text = example("lantern-yard")
    plan.write_text(text + "\n[paint_choice]\ncontrast = 3\nclipping = 0\n", encoding="utf-8")
    assert main(["paint", str(plan), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data == json.loads((tmp_path / "plan-paint" / "paint.json").read_text(encoding="utf-8"))
    assert (data["weights"]["contrast"], data["weights"]["clipping"]) == (3, 0)
    assert {"marker light", "black", "white"} <= {row["name"] for row in data["candidates"]}
    assert data["scene"]["crossings"] > 0
    parsed((tmp_path / "plan-paint" / "paint.html").read_text(encoding="utf-8"))
    assert main(["paint", str(plan), "--out", str(tmp_path / "there")]) == 0
    out = capsys.readouterr().out
    assert out.count("\n") == 2 + len(data["candidates"])
    assert main(["paint", str(tmp_path / "none.toml")]) == 2
    assert main(["paint", str(plan), "--out", str(plan)]) == 2
    assert "Traceback" not in capsys.readouterr().err
