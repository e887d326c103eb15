"""The front door: from a plan to every sheet and list of its rig kit."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..plan.model import Plan
from ..plan.write import save_bytes, save_text
from ..problems import one_problem
from ..readiness.rehearse import Hiders, Progress
from ..report.data import inert
from ..stage import polygons
from ..stage.layout import Layout
from ..steps import finish
from . import sheets
from .camera_report import blank_report
from .clash import Clash, clashes
from .cut import CutGroup, cut_groups, cut_pages, tape_name
from .font import lacking
from .needs import Needs, measure_needs
from .paintwork import Amount, amounts_for, screen_paints, targets_for
from .paper import PAPERS, Page, finished
from .pdf import pages_pdf
from .place import placement_pages
from .setout import SetOut, set_out
from .standins import renamed, stand_ins, told_to_crew, told_to_makers
from .svg import page_svg


@dataclass(frozen=True, slots=True, kw_only=True)
class KitOptions:
    """How a kit is made. ``units`` empty: the plan's; ``tape``: "auto", "sheet" or a width, mm."""

    paper: str = "A4"
    units: str = ""
    tape: str | float = "auto"
    step_m: float | None = None  # what the set-out is rounded to; None: what a tape can do


@dataclass(frozen=True, slots=True, eq=False)
class Kit:
    """Sheets, lists, and what the makers of a kit should know."""

    pages: tuple[Page, ...]
    lists: dict[str, str]  # file name -> CSV
    warnings: tuple[str, ...]
    needs: Needs
    table: SetOut
    groups: tuple[CutGroup, ...]


def build_kit(
    plan: Plan, folder: Path = Path(), options: KitOptions | None = None, tell: Callable[[Progress], None] | None = None
) -> Kit:
    """Everything a crew needs to build the stage.

    folder : where mesh files of blockers are looked for; tell : called as the shots are rehearsed
    Raises BadInput for a plan that can't be built, and for paper or tape that isn't known.
    """
    return finish(kit_steps(plan, folder, options), tell)


def kit_steps(
    plan: Plan, folder: Path = Path(), options: KitOptions | None = None, hiders: Hiders | None = None
) -> Generator[Progress, None, Kit]:
    """The same in steps: yields its progress, returns the kit. Stop iterating and nothing has happened.

    hiders : what hides features; None: the plan's blockers and gear
    """
    options = options or KitOptions()
    if options.paper not in PAPERS:
        raise one_problem("--paper", repr(options.paper), "one of " + ", ".join(PAPERS))
    unit, paper = options.units or plan.units, options.paper
    needs, table = yield from measure_needs(
        plan, lambda layout: set_out(plan, layout, unit, options.step_m), folder, hiders
    )
    layout = needs.layout
    groups = cut_groups(plan, layout, table, unit, paper, options.tape)
    amounts = amounts_for(plan, groups)
    found = clashes(plan)
    rounding = sheets.rounding_line(needs, table, unit)
    names = stand_ins(plan)
    warnings = _warnings(plan, layout, needs, table, found, rounding)
    shopping = sheets.shopping_rows(plan, groups, amounts, unit)
    lists = {
        "set-out.csv": set_out_csv(layout, table),
        "cut-list.csv": cut_csv(layout, table, groups),
        "shopping.csv": _csv(("what", "needed", "with spare", "note"), shopping),
        "stands.csv": stands_csv(plan, needs),
        "paint.csv": paint_csv(plan, amounts),
        "camera-report.csv": blank_report(plan, unit),
    }
    if names:
        lists["names.csv"] = _csv(("on_the_sheets", "in_the_plan"), [(other, name) for name, other in names.items()])
    told = [told_to_crew(names)] if names else []
    contents = plan, layout, needs, table, groups, amounts, found, rounding, [*told, *warnings], shopping
    pages = _sheets(*renamed(contents, names), unit, paper)
    warnings = [told_to_makers(names)] * bool(names) + warnings
    return Kit(tuple(pages), lists, tuple(warnings), needs, table, tuple(groups))


def _sheets(
    plan: Plan,
    layout: Layout,
    needs: Needs,
    table: SetOut,
    groups: Sequence[CutGroup],
    amounts: Sequence[Amount],
    found: Sequence[Clash],
    rounding: str,
    warnings: Sequence[str],
    shopping: Sequence[tuple[str, str, str, str]],
    unit: str,
    paper: str,
) -> list[Page]:
    """Every page, the cover first."""
    parts: list[tuple[str, list[Page]]] = [("placement", []), ("set-out", [])]
    for chart in range(len(table.charts)):
        if len(table.on_chart(chart)):
            parts[0][1].extend(placement_pages(plan, layout, table, chart, unit, paper))
            parts[1][1].extend(sheets.set_out_pages(plan, layout, table, chart, unit, paper, rounding))
    parts += [
        ("stands", sheets.stand_pages(plan, layout, table, needs, unit, paper)),
        ("paint", sheets.paint_pages(plan, amounts, unit, paper)),
        ("colours", sheets.clash_pages(found, paper)),
        ("shopping and checklist", sheets.shopping_pages(shopping, groups, unit, paper)),
        ("camera cards", sheets.camera_pages(plan, needs, unit, paper) if plan.shots else []),
        ("camera report", sheets.report_pages(plan, unit, paper) if plan.shots else []),
        ("cut sheets", [page for group in groups for page in cut_pages(group, table, paper)]),
    ]
    parts = [part for part in parts if part[1]]

    def front(contents: Sequence[tuple[str, int]]) -> list[Page]:
        return sheets.cover(plan, layout, needs, table, groups, unit, paper, warnings, contents)

    first = len(front([(name, 1) for name, _ in parts])) + 1
    contents = []
    for name, pages in parts:
        contents.append((name, first))
        first += len(pages)
    return finished([*front(contents), *(page for _, pages in parts for page in pages)], plan.name)


def _warnings(
    plan: Plan, layout: Layout, needs: Needs, table: SetOut, found: Sequence[Clash], rounding: str
) -> list[str]:
    told = list(layout.notes)
    if any(lacking(text) for text in (plan.note, *(shot.wants for shot in plan.shots))):
        told.append("Notes or wishes hold letters the sheets can't print, shown as □: write them in other letters.")
    for shot in needs.shots:
        if not shot.planned.rotation_only and shot.planned.share(2) > 0:
            told.append(f"{shot.planned.name} is lost in {shot.planned.share(2):.0%} of its frames as planned.")
    if needs.trouble or needs.changed[1]:
        told.append(rounding)
    weak = int((table.sureness < 0.2).sum())
    if weak:
        told.append(f"{weak} set-out number{'s' * (weak != 1)} can't be checked well by distance: measure them twice.")
    for clash in found:
        if clash.hurt:
            told.append(f"{clash.use.capitalize()} “{clash.patch}”: {clash.verdict}.")
    for camera in plan.cameras[:1]:
        for screen in screen_paints(plan):
            clipped = [t.name for t in targets_for(plan, screen, camera) if t.headroom_stops <= 0]
            if clipped:
                told.append(f"On {screen} these clip in camera: {', '.join(clipped)}. Light the screen lower.")
    return told


def save_kit(kit: Kit, plan_name: str, folder: Path) -> None:
    """Write kit.pdf, the sheets one by one as SVG and the lists as CSV. Raises BadInput where that can't be done."""
    sheets_folder = folder / "sheets"
    try:
        sheets_folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise one_problem("folder", str(folder), f"a folder that can be written to ({error.strerror})") from error
    save_bytes(folder / "kit.pdf", pages_pdf(kit.pages, f"{plan_name}: rig kit"))
    for old in sheets_folder.glob("[0-9][0-9][0-9]-*.svg"):  # of an earlier kit, which may have had more sheets
        old.unlink()
    for number, page in enumerate(kit.pages, start=1):
        plain = re.sub(r"[^a-z0-9]+", "-", page.kind.lower()).strip("-")
        save_text(sheets_folder / f"{number:03}-{plain}.svg", page_svg(page))
    for name, text in kit.lists.items():
        save_text(folder / name, text)


# --- lists -----------------------------------------------------------------------------------------------------


def _csv(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(head)
    table.writerows([[inert(cell) if isinstance(cell, str) else cell for cell in row] for row in rows])
    return out.getvalue()


def set_out_csv(layout: Layout, table: SetOut) -> str:
    """Every number with its offsets, checks and place in the world, metres."""
    markers = layout.markers
    rows = []
    for row in range(table.count):
        checks: list[object] = []
        for nth in (0, 1):
            to = int(table.check_to[row, nth])
            checks += [table.label[to], _m(table.check_m[row, nth])] if to >= 0 else ["", ""]
        world: list[object] = [_m(c) for c in markers.centre_m[row]] if row < len(markers.name) else ["", "", ""]
        rows.append(
            [
                table.label[row],
                table.name[row],
                table.charts[int(table.chart[row])].name,
                _m(table.told_m[row, 0]),
                _m(table.told_m[row, 1]),
                *checks,
                *world,
            ]
        )
    head = (
        "number",
        "name",
        "chart",
        "across_m",
        "up_m",
        "check_to",
        "check_m",
        "check_to_2",
        "check_2_m",
        "x_m",
        "y_m",
        "z_m",
    )
    return _csv(head, rows)


def _m(value: float) -> float:
    return round(float(value), 6)


def cut_csv(layout: Layout, table: SetOut, groups: Sequence[CutGroup]) -> str:
    """Every piece: number, paint, tape, board and area."""
    rows = [
        [
            table.label[int(row)],
            table.name[int(row)],
            group.paint,
            tape_name(group.tape_mm),
            int(group.laid_up),
            int(group.nesting.board[piece]) + 1,
            round(float(polygons.signed_area(group.corners_mm[piece])), 1),
        ]
        for group in groups
        for piece, row in enumerate(group.rows)
    ]
    return _csv(("number", "name", "paint", "tape", "laid_up", "board", "area_mm2"), rows)


def stands_csv(plan: Plan, needs: Needs) -> str:
    """Every band of every stand."""
    rows = []
    for index, stand in enumerate(plan.stands):
        needed = "; ".join(sheets.needed_by(needs, stand.name))
        for band in sorted(stand.bands):
            rows.append(
                [
                    f"S{index + 1}",
                    stand.name,
                    *map(_m, stand.at),
                    _m(stand.base),
                    _m(stand.height),
                    _m(band),
                    _m(stand.band_width),
                    stand.paint,
                    needed,
                ]
            )
    head = ("number", "name", "x_m", "y_m", "base_m", "height_m", "band_m", "band_width_m", "paint", "needed_by")
    return _csv(head, rows)


def paint_csv(plan: Plan, amounts: Sequence[Amount]) -> str:
    """Targets per screen and recording, then amounts."""
    rows: list[list[object]] = []
    for screen in screen_paints(plan):
        for camera in {(c.encoding, c.code_range): c for c in plan.cameras}.values():
            for target in targets_for(plan, screen, camera):
                rows.append(
                    [
                        screen,
                        camera.encoding,
                        camera.code_range,
                        target.name,
                        round(target.stops, 4),
                        *np.round(target.linear, 6).tolist(),
                        *np.round(target.codes, 2).tolist(),
                        *np.round(target.codes10, 1).tolist(),
                        round(target.headroom_stops, 3),
                        "",
                        "",
                    ]
                )
    for amount in amounts:
        rows.append(["", "", "", amount.paint, *[""] * 11, round(amount.tape_m2, 4), round(amount.litres, 4)])
    head = (
        "screen",
        "encoding",
        "range",
        "colour",
        "stops",
        *(f"linear_{c}" for c in "rgb"),
        *(f"code8_{c}" for c in "rgb"),
        *(f"code10_{c}" for c in "rgb"),
        "headroom_stops",
        "tape_m2",
        "litres",
    )
    return _csv(head, rows)
