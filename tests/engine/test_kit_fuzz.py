"""Any valid plan gives a kit or a plain answer: no stage too odd, no list too empty."""

import dataclasses

import pytest
from hypothesis import HealthCheck, event, given, settings
from kit_plans import kit_plan
from plan_strategy import plans
from scatterproof.kit.build import KitOptions, build_kit
from scatterproof.kit.pdf import pages_pdf
from scatterproof.kit.svg import page_svg
from scatterproof.plan.model import Gear, Paint, Panel, Plan, Stage
from scatterproof.problems import BadInput


def small(plan):
    """The same plan with few markers and frames."""
    few = {"count": 3, "spacing": None, "density": None, "size": (0.05, 0.08), "margin": 0.0, "area": ()}
    sets = tuple(s if s.layout == "placed" else dataclasses.replace(s, **few) for s in plan.markers)
    shots = tuple(s if s.samples else dataclasses.replace(s, frames=(s.frames[0], s.frames[0] + 3)) for s in plan.shots)
    return dataclasses.replace(plan, markers=sets, shots=shots)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(plans(most=2))
def test_random_plans(plan):
    try:
        kit = build_kit(small(plan))
    except BadInput:
        event("refused")
        return
    assert pages_pdf(kit.pages, plan.name).startswith(b"%PDF")
    assert all(page_svg(page).startswith("<svg") for page in kit.pages[:4])


def test_an_empty_plan_still_has_its_cover():
    kit = build_kit(Plan(name="nothing yet", stage=Stage(), paints=(Paint(name="screen", srgb=(70, 148, 73)),)))
    assert {page.kind for page in kit.pages} >= {"cover", "paint", "lists"}
    assert kit.lists["set-out.csv"].count("\n") == 1


def test_what_hangs_and_what_stands_on_nothing_is_left_to_its_own_sheet():
    plan = kit_plan(squares=4, randoms=4)
    sail = Panel(name="sail", corner=(-1, 0, 3), across=(2, 0, 0), up=(0, 0.6, 0.8))
    stands = (dataclasses.replace(plan.stands[0], base=1.0), plan.stands[1])
    gear = (Gear(name="lamp", at=(0, 0, 2.5), size=(0.3, 0.3, 0.3)),)
    stage = dataclasses.replace(plan.stage, panels=(sail,))
    markers = (dataclasses.replace(plan.markers[0], surfaces=("sail",)), plan.markers[1])
    kit = build_kit(dataclasses.replace(plan, stage=stage, stands=stands, gear=gear, markers=markers))
    assert "S1" not in kit.table.label
    assert "S2" in kit.table.label
    assert any("sail" in page.title for page in kit.pages)
    assert "near stand" in kit.lists["stands.csv"]


def test_unknown_paper_is_refused():
    with pytest.raises(BadInput, match="Foolscap"):
        build_kit(kit_plan(squares=2, randoms=2), options=KitOptions(paper="Foolscap"))
