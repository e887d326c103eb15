"""The sheets that are mostly words and tables: cover, set-out, stands, paint, shopping, checklist, cameras."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from ..camera.track import camera_track, delivery_frame
from ..paint.difference import ciede2000, lab_of
from ..plan.model import Plan, Shot, Stand
from ..plan.paint import linear_named, linear_of
from ..plan.units import format_length, number_text
from ..readiness.verdict import STATES, ShotReadiness
from ..report.drawing import spread
from ..sources import TRADE
from ..stage.layout import Layout
from ..stage.unroll import bounds
from .camera_report import COLUMNS, planned_cells
from .clash import SAME, Clash
from .cut import CUTTING, CutGroup, tape_name
from .needs import ALL_STANDS, Needs
from .paintwork import (
    COATS,
    COVER,
    SPARE,
    Amount,
    Mix,
    Target,
    corrections,
    mixes_for,
    screen_paints,
    targets_for,
)
from .paper import BODY, BOLD, GREY, LARGE, LEADING, LINE, PALE, SMALL, THIN, TITLE, Column, Flow, Page, fitted, wrapped
from .setout import CHECK_LIMIT, SetOut, tape_text

BLOCK = 72.0  # least height of a stand's or a shot's block, mm
NOTE = 3.1  # type in it

STANDING = (
    "Stands and cables: mark where their feet stand, sandbag the legs, tape or ramp cables, keep walk lines clear."
)
CLIMBING = "Ladders and lifts: inspected, rated, footed, used by those trained for them; no reaching from the top."
PAINTING = (
    "Paint: read label and safety data sheet, ventilate, protect hands and eyes, no ignition near solvents; wet floors "
    "are slippery: close them off until they are dry."
)
CLIMB_M = 2.0  # above the floor; what is higher is not reached from it
CAUTIONS = (
    "Local codes, the stage's own rules and the people licensed for the work decide; where they and a sheet differ, "
    "they are right. Nothing here approves anything.",
    STANDING,
    CLIMBING,
    "Anything overhead: a qualified rigger plans and hangs it, with rated hardware and safeties; nobody works below.",
    "Exits, fire lanes, exit signs, extinguishers, alarms and sprinklers stay free. The keep-outs on the sheets are "
    "those that were planned, not all there are: ask the fire authority.",
    "Fabric and painted scenery: ask the fire authority about proof of flame resistance.",
    PAINTING,
    "Lights and power: a qualified person sizes and ties in; hot lights keep clear of fabric, paper and tape.",
    f"Knives: {CUTTING} Lasers: keep the beam off eyes and mirrors.",
)
ORDER = (
    "Check the paper: the ruler at the foot of every sheet must be 100 mm (4 in) long. If not, print again at 100 %.",
    "Measure the screen's paint where the light is (paint sheet) and mix test patches. Let dry, read, correct.",
    "Paint the tape, or lay it up to sheets and paint those. Three coats, each dry before the next.",
    "Cut the markers. Write each one's number on its back; keep them in order.",
    "Chalk or tape the datum lines of every surface (placement sheets) and set the pegs.",
    "Set out: two offsets for every number, a pencil cross, then the check distance. Mend before you tape.",
    "Tape the markers: centre on the cross, arrow pointing up along the screen. Tick each one off.",
    "Build the stands, weight them, mark their feet. They are the last thing in and the last thing out.",
    "Photograph everything, have it surveyed, and let nobody move anything until its shots are in the can.",
)
WHO = (
    ("Visual-effects supervisor", "Owns this kit. Decides every change. May be reached by phone if not on the stage."),
    ("Key grip and riggers", "Datum lines, set-out, stands, weights; whatever is overhead, with a qualified rigger."),
    ("Scenic painters", "Test patches, tape paint, three coats, drying times, ventilation."),
    ("Camera crew", "Camera cards and camera report; no flag or matte box over what is cropped later."),
    ("First assistant director", "Holds the keep-outs and walk lines, and the stands' places, through the day."),
)
CHECKLIST = (
    "Ruler on this sheet is 100 mm long.",
    "Exits, fire lanes, signs and extinguishers are free; the person responsible has walked the stage.",
    "Datum lines and pegs are still there; one check distance per surface measured again.",
    "No marker has come off, curled or been painted over; spares, knife and tape are at hand.",
    "Stands in their marks, weighted, bands at their heights, no leg in a walk line.",
    "Screen light as planned: meter the middle and the corners; markers half a stop from the screen, in camera.",
    "Nothing but the stands has the colour of their bands.",
    "Costumes and props against the clash list, in camera and in the shade.",
    "Lens, stop, shutter and focus as on the shot's camera card. Stabiliser and zoom creep off.",
    "Matte box and flags clear of the whole gate, not only of the delivery frame.",
    "A lens grid and a clean plate are shot for every lens and focus on the cards.",
    "Camera report filled for every take, also for the bad ones.",
    "Before the strike: survey done, pictures taken, supervisor's word given.",
)


def cover(
    plan: Plan,
    layout: Layout,
    needs: Needs,
    table: SetOut,
    groups: Sequence[CutGroup],
    unit: str,
    paper: str,
    warnings: Sequence[str],
    contents: Sequence[tuple[str, int]],
) -> list[Page]:
    """Stage, shots, warnings, who does what, order of work, cautions."""
    flow = Flow(paper, "Rig kit", "cover")
    flow.gap(2)
    for line in wrapped(plan.name, flow.size[0] - 20, TITLE, True)[:3]:
        flow.gap(TITLE + 0.5)
        flow.page.words(flow.page.body[0], flow.y, line, TITLE, bold=True)
    flow.gap(3)
    if plan.note:
        flow.text(plan.note)
    stands, gear = len(plan.stands), len(plan.gear)
    flow.text(
        f"{len(layout.markers.name)} markers, {stands} stand{'s' * (stands != 1)}, {gear} piece{'s' * (gear != 1)} of "
        f"static gear. Lengths in {'feet and inches' if unit in ('ft', 'in') else unit}; printed for {paper}."
    )
    if contents:
        flow.text("Sheets: " + ", ".join(f"{what} {first}" for what, first in contents) + ".", SMALL)
    if warnings:
        flow.heading("Look at these first")
        flow.points(list(warnings), "!")
    flow.heading("Shots")
    flow.table(
        [
            Column("Shot", share=1.6),
            Column("Camera", share=1.6),
            Column("Frames", 26),
            Column("Ready", 36),
            Column("Must stay in frame", share=3.4),
        ],
        [_shot_row(plan, shot, needs) for shot in plan.shots],
    )
    flow.heading("Screen")
    flow.table(
        [
            Column("Surface", share=2),
            Column("Size along the screen", 52),
            Column("Markers", 20, anchor="end"),
            Column("Numbers", share=2),
        ],
        [_surface_row(layout, table, chart, unit) for chart in range(len(table.charts))],
    )
    flow.heading("Order of work")
    for number, line in enumerate(ORDER, start=1):
        flow.text(line, indent=6.0, mark=f"{number}.")
    flow.heading("Who does what")
    flow.table([Column("Who", share=1, bold=True), Column("What", share=2.6)], WHO)
    flow.heading("Cautions")
    flow.points(CAUTIONS, "▲")
    return flow.pages


def _shot_row(plan: Plan, shot: Shot, needs: Needs) -> tuple[str, ...]:
    readiness = next(s.planned for s in needs.shots if s.planned.name == shot.name)
    frames = f"{shot.frames[0]} to {shot.frames[1]}"
    return shot.name, shot.camera, frames, _shares(readiness), shot.wants or "–"


def _shares(readiness: ShotReadiness) -> str:
    """How much of a shot is firm, thin and lost."""
    told = [f"{name} {readiness.share(state):.0%}" for state, name in enumerate(STATES) if readiness.share(state) > 0]
    return ", ".join(told) + (", rotation only" if readiness.rotation_only else "")


def _surface_row(layout: Layout, table: SetOut, chart: int, unit: str) -> tuple[str, ...]:
    low, high = bounds(table.charts[chart], layout.surfaces)
    rows = [row for row in table.on_chart(chart).tolist() if row < len(layout.markers.name)]
    names = ", ".join(layout.surfaces[row].name for row in table.charts[chart].rows)
    size = " x ".join(format_length(float(side), unit) for side in high - low)
    return names, size, str(len(rows)), ranges(np.array(rows) + 1)


def ranges(numbers: np.ndarray) -> str:
    """Numbers as ranges.

    >>> ranges(np.array([1, 2, 3, 7, 9, 10]))
    '1–3, 7, 9–10'
    """
    parts: list[list[int]] = []
    for n in sorted(int(n) for n in numbers):
        if parts and parts[-1][1] == n - 1:
            parts[-1][1] = n
        else:
            parts.append([n, n])
    return ", ".join(f"{a}" if a == b else f"{a}–{b}" for a, b in parts) or "none"


# --- set-out ---------------------------------------------------------------------------------------------------


def set_out_pages(
    plan: Plan, layout: Layout, table: SetOut, chart: int, unit: str, paper: str, rounding: str
) -> list[Page]:
    """The table of one chart."""
    rows = table.on_chart(chart)
    if not len(rows):
        return []
    datum = table.datums[chart]
    flow = Flow(paper, f"Set-out: {table.charts[chart].name}", "setout")
    measure = "feet and inches" if unit in ("ft", "in") else unit
    flow.text(datum.across)
    flow.text(datum.along)
    flow.text(
        f"In {measure}, to the marker's centre or the stand's foot, along the screen. Set both offsets, then measure "
        f"the check distance to the number beside it. More than {format_length(CHECK_LIMIT.value, unit)} off: one of "
        "the two is wrong; measure both again. Pegs: "
        + ", ".join(f"{table.label[peg]} {_told(table, peg, unit)}" for peg in table.pegs(chart).tolist())
        + ". "
        + rounding,
        SMALL,
    )
    flow.text(_sets_line(plan, layout, rows), SMALL)
    if (layout.markers.centre_m[rows[rows < len(layout.markers.name)], 2] > CLIMB_M).any():
        flow.points([CLIMBING], "▲")
    second = bool((table.check_to[rows, 1] >= 0).any())
    columns = [
        Column("No.", 11, bold=True),
        Column("Across", share=1.25, anchor="end"),
        Column("Up", share=1.25, anchor="end"),
        Column("Check to", 12, anchor="end"),
        Column("Check", share=1.1, anchor="end"),
    ]
    if second:
        columns += [Column("and to", 12, anchor="end"), Column("Check", share=1.1, anchor="end")]
    columns.append(Column("☐", 6, anchor="middle"))
    body = []
    for row in rows.tolist():
        across, up = _offsets(table, row, unit)
        cells = [table.label[row], across, up]
        for nth in range(2 if second else 1):
            to = int(table.check_to[row, nth])
            cells += [
                table.label[to] if to >= 0 else "",
                tape_text(float(table.check_m[row, nth]), unit) if to >= 0 else "",
            ]
        body.append([*cells, "☐"])
    feet = unit in ("ft", "in")
    narrow = flow.size[0] < 250
    beside = 1 if second and narrow else 2 if narrow or feet else 3
    flow.table(columns, body, size=3.0 if feet else 3.2, side_by_side=beside, least_row=5.6, gutter=5.0)
    return flow.pages


def _offsets(table: SetOut, row: int, unit: str) -> tuple[str, str]:
    sides = table.datums[int(table.chart[row])].sides
    told = []
    for axis, value in enumerate(table.told_m[row].tolist()):
        side = sides[axis][value > 0] if abs(value) > 1e-9 else ""
        told.append(f"{side} {tape_text(abs(value), unit)}".strip())
    return told[0], told[1]


def _told(table: SetOut, row: int, unit: str) -> str:
    across, up = _offsets(table, row, unit)
    return f"at {across} / {up}"


def _sets_line(plan: Plan, layout: Layout, rows: np.ndarray) -> str:
    count = len(layout.markers.name)
    parts = []
    for index, group in enumerate(plan.markers):
        mine = [row + 1 for row in rows.tolist() if row < count and layout.markers.set_index[row] == index]
        if mine:
            parts.append(f"{ranges(np.array(mine))}: {group.name}, paint {group.paint}")
    parts += [f"S{i + 1}: {stand.name}" for i, stand in enumerate(plan.stands) if len(rows) and rows.max() >= count]
    return "; ".join(parts) + "."


def rounding_line(needs: Needs, table: SetOut, unit: str) -> str:
    """What rounding does to readiness, in words."""
    step = format_length(table.step_m, unit)
    moved = float(np.abs(table.told_m - table.true_m).max(initial=0.0))
    told = f"Rounded to {step} (no number by more than {1000 * moved:.1f} mm)"
    if needs.trouble:
        return f"{told}; what that does to readiness could not be computed: {needs.trouble}."
    better, worse, total = needs.changed
    if not better and not worse:
        return f"{told}: every one of {total} frames keeps its verdict."
    return f"{told}: of {total} frames {worse} get worse and {better} get better by it."


# --- stands ----------------------------------------------------------------------------------------------------


def stand_pages(plan: Plan, layout: Layout, table: SetOut, needs: Needs, unit: str, paper: str) -> list[Page]:
    """Build sheets, one block per stand."""
    if not plan.stands:
        return []
    flow = Flow(paper, "Stands", "stands")
    flow.text(
        "Heights are from the foot's ground to the middle of the band. Weigh every stand down: a sandbag of about "
        f"7 kg (15 lb) on each leg ({TRADE}); more in moving air. Mark the feet on the floor. Nobody moves a stand, "
        "not "
        "for sight lines, not for cables, not for one rehearsal, but on the word of the visual-effects supervisor, and "
        "then it is surveyed again."
    )
    flow.points([STANDING], "▲")
    first = len(layout.markers.name)
    for index, stand in enumerate(plan.stands):
        _stand_block(flow, plan, stand, f"S{index + 1}", table, needs, unit, first)
    return flow.pages


def _stand_block(
    flow: Flow, plan: Plan, stand: Stand, label: str, table: SetOut, needs: Needs, unit: str, first: int
) -> None:
    lines = _stand_lines(plan, stand, table, needs, unit, first)
    page, (x, y, room), (left, top, high) = _block(flow, f"{label}  {stand.name}", 62.0, lines, 10.0)
    _lines(page, x, y, top + high, room, lines)
    scale = (BLOCK - 18) / stand.height
    ground, pole = top + BLOCK - 6, left + 22
    page.line((left + 6, ground), (left + 40, ground), width=BOLD)
    page.line((pole, ground), (pole, ground - stand.height * scale), width=BOLD)
    page.words(pole, ground - stand.height * scale - 1.5, format_length(stand.height, unit), SMALL, anchor="middle")
    heights = sorted(stand.bands)
    texts = spread([ground - band * scale + 1 for band in heights], 3.6)
    for band, y_text in zip(heights, texts, strict=True):
        y = ground - band * scale
        half = max(stand.band_width * scale / 2, 0.8)
        page.box(pole - 3.2, y - half, pole + 3.2, y + half, width=THIN, fill=PALE)
        page.line((pole + 3.2, y), (pole + 8, y_text - 1), width=THIN, stroke=GREY)
        page.words(pole + 8.6, y_text, format_length(band, unit), 3.2, bold=True)


def _block(
    flow: Flow, title: str, aside: float, lines: Sequence[str], used: float
) -> tuple[Page, tuple[float, float, float], tuple[float, float, float]]:
    """A framed block with a title, as high as its lines want after what is ``used`` above them, on one page.

    returns the page; x, y and width for the lines, right of ``aside``; left, top and height of the block
    """
    left, _, right, _ = flow.page.body
    room = right - left - aside - 3
    count = sum(len(wrapped(line, room, NOTE)) for line in lines)
    high = max(BLOCK, used + count * NOTE * LEADING + len(lines) + 4)
    flow.keep(high + 5)
    high = min(high, flow.room - 5)
    page, top = flow.page, flow.y + 3
    page.box(left, top, right, top + high, width=LINE)
    page.words(left + aside, top + 7, fitted(title, room, LARGE, True), LARGE, bold=True)
    flow.y = top + high + 2
    return page, (left + aside, top + used, room), (left, top, high)


def _lines(page: Page, x: float, y: float, bottom: float, room: float, lines: Sequence[str]) -> None:
    """Paragraphs, as far down as there is room."""
    for line in lines:
        for text in wrapped(line, room, NOTE):
            y += NOTE * LEADING
            if y < bottom - 1:
                page.words(x, y, text, NOTE)
        y += 1.0


def _stand_lines(plan: Plan, stand: Stand, table: SetOut, needs: Needs, unit: str, first: int) -> list[str]:
    row = next((r for r in range(first, table.count) if table.name[r] == stand.name), None)
    if row is None:
        where = f"Foot: {_plain_place(stand, unit)}, on ground {format_length(stand.base, unit)} above the datum."
    else:
        checks = [
            f"{tape_text(float(table.check_m[row, n]), unit)} to {table.label[int(table.check_to[row, n])]}"
            for n in (0, 1)
            if table.check_to[row, n] >= 0
        ]
        across, up = _offsets(table, row, unit)
        where = f"Foot on {table.charts[int(table.chart[row])].name}: {across}, {up} from the datum lines."
        where += f" Check: {', '.join(checks)}." if checks else ""
    lines = [
        where,
        f"Pole {format_length(stand.height, unit)} high, {format_length(stand.pole, unit)} thick"
        + (f", painted {stand.pole_paint}." if stand.pole_paint else ", black metal or taped black."),
        f"{len(stand.bands)} bands, each {format_length(stand.band_width, unit)} high, paint {stand.paint}: "
        + _band_colour(plan, stand.paint),
        "Weight: a sandbag on every leg, legs spread fully.",
    ]
    alone, together = needed_by(needs, stand.name), needed_by(needs, ALL_STANDS)
    if alone:
        lines.append("Frames that get worse without it: " + "; ".join(alone) + ".")
    elif together:
        lines.append("No verdict hangs on it alone; without all stands these get worse: " + "; ".join(together) + ".")
    else:
        lines.append("No frame's verdict hangs on it; it still steadies the solve.")
    lines.append(
        "From its survey until the last shot that sees it is in the can nobody may move it: not performers, grips, "
        "camera or art."
    )
    return lines


def needed_by(needs: Needs, stand: str) -> list[str]:
    """Shots and frames that get worse without a stand, in words."""
    found = [(shot.planned.name, shot.without[stand]) for shot in needs.shots if stand in shot.without]
    return [f"{name} frames {first} to {last}" for name, (first, last) in found]


def _plain_place(stand: Stand, unit: str) -> str:
    x, y = stand.at
    return (
        f"{format_length(abs(x), unit)} {'right' if x >= 0 else 'left'} of the centre line, "
        f"{format_length(abs(y), unit)} {'upstage' if y >= 0 else 'downstage'} of the datum"
    )


def _band_colour(plan: Plan, paint: str) -> str:
    """How far the band's colour is from every other colour that is planned."""
    own = lab_of(linear_named(plan, paint))
    others = {p.name: p for p in plan.paints if p.name != paint}
    used = {*screen_paints(plan), *(g.paint for g in plan.markers)}
    apart = {name: float(ciede2000(own, lab_of(linear_named(plan, name)))) for name in others if name in used}
    apart |= {patch.name: float(ciede2000(own, lab_of(linear_of(patch)))) for patch in plan.patches}
    if not apart:
        return "a colour that is nowhere else."
    name = min(apart, key=apart.__getitem__)
    fine = "nowhere else in the background" if apart[name] >= SAME.value else "TOO NEAR to tell: choose another"
    return f"{fine} (nearest: {name}, CIEDE2000 {apart[name]:.0f})."


# --- paint -----------------------------------------------------------------------------------------------------


def paint_pages(plan: Plan, amounts: Sequence[Amount], unit: str, paper: str) -> list[Page]:
    """Targets, starting mixes, amounts, the test-patch form."""
    flow = Flow(paper, "Paint", "paint")
    flow.text(
        "Markers are the screen's own paint, half a stop (a factor of 1.414 in linear light) above or below it: enough "
        "for the tracker, little for the key. Measure the dry screen in the light it will have; the figures below rest "
        "on the values in the plan."
    )
    flow.points([PAINTING], "▲")
    cameras = {(c.encoding, c.code_range): c for c in plan.cameras}
    for screen in screen_paints(plan):
        for camera in cameras.values():
            names = ", ".join(
                c.name for c in plan.cameras if (c.encoding, c.code_range) == (camera.encoding, camera.code_range)
            )
            flow.heading(f"Targets on {screen}: {camera.encoding}, {camera.code_range} range")
            flow.text(
                f"Cameras: {names}. Codes at the plan's base exposure on a surface of light level 1; headroom in the "
                "strongest light on that screen.",
                SMALL,
            )
            flow.table(
                [
                    Column("Colour", share=1.5, bold=True),
                    Column("Stops", 15, anchor="end"),
                    Column("Linear light R G B", 42, anchor="end"),
                    Column("8-bit codes", 30, anchor="end"),
                    Column("10-bit codes", 32, anchor="end"),
                    Column("Headroom, stops", 24, anchor="end"),
                ],
                [_target_row(target) for target in targets_for(plan, screen, camera)],
            )
    flow.heading("Where to start mixing")
    flow.text(
        f"Bright: 1 part white to 4 parts green. Dark: 1 part black to about 70 parts green. Both are {TRADE}. How far "
        "they go depends on the pigments; the table is a two-constant Kubelka-Munk model in the keyed channel, and "
        "“linear guess” is what averaging by volume would promise. Always mix a sample, let it dry, read it, correct."
    )
    for screen in screen_paints(plan)[:2]:
        flow.table(
            [
                Column(f"Tint in {screen}", share=1.4),
                Column("Start, parts", 26, anchor="end"),
                Column("Gives, stops", 26, anchor="end"),
                Column("Linear guess", 26, anchor="end"),
                Column("For half a stop", 34, anchor="end"),
            ],
            [_mix_row(mix) for mix in mixes_for(plan, screen)],
        )
    flow.heading("Amounts")
    flow.text(
        f"{COATS.value:g} coats on all the tape that is cut from, a litre for {COVER.value:g} m² and coat "
        f"({TRADE}: read "
        f"the tin), {SPARE.value:.0%} spare. Tape: matt cloth (gaffer) tape, white or green: it takes water-based "
        "paint, "
        f"lies flat, shows no shine and lifts again without taking the screen's paint along ({TRADE}); try a length on "
        "the screen overnight first."
    )
    flow.table(
        [
            Column("Paint", share=1.6, bold=True),
            Column("Tape area", 28, anchor="end"),
            Column("All coats", 30, anchor="end"),
            Column("of it tint, to start with", share=1.2),
        ],
        [
            (
                a.paint,
                area_text(a.tape_m2, unit),
                volume_text(a.litres, unit),
                f"{volume_text(a.tint_litres, unit)} {a.tint}" if a.tint else "bought or mixed in its own colour",
            )
            for a in amounts
        ],
    )
    _patch_form(flow, plan)
    return flow.pages


def _target_row(target: Target) -> tuple[str, ...]:
    room = f"{target.headroom_stops:+.2f}" + ("" if target.headroom_stops > 0 else " CLIPS")
    return (
        target.name,
        f"{target.stops:+.2f}",
        "  ".join(f"{c:.4f}" for c in target.linear),
        "  ".join(f"{c:.0f}" for c in target.codes),
        "  ".join(f"{c:.0f}" for c in target.codes10),
        room,
    )


def _mix_row(mix: Mix) -> tuple[str, ...]:
    start = "1 : 4" if mix.tint == "white" else "1 : 70"
    want = "out of reach" if not math.isfinite(mix.parts) or mix.parts <= 0 else f"1 : {mix.parts:.3g}"
    return f"{mix.tint}, {mix.strength} pigment", start, f"{mix.stops:+.2f}", f"{mix.linear_stops:+.2f}", want


def _patch_form(flow: Flow, plan: Plan) -> None:
    flow.heading("Test patches", keep=120.0)
    flow.text(
        "Paint a patch on tape, let it dry, put it on the screen and read both in the same light: with a spot meter in "
        "stops, or in camera as codes. Stops from codes: decode to linear light first (keyed channel), then log2 of "
        "the ratio. Find the reading, multiply the parts of tint by the factor, mix the next patch."
    )
    factor = [(f"{r:.2f}", _factor(up), _factor(down)) for r, up, down in corrections(plan, plan.stage.paint)]
    flow.table(
        [
            Column("Patch reads, stops from screen", share=1.2, anchor="end"),
            Column("White: parts times", share=1, anchor="end"),
            Column("Black: parts times", share=1, anchor="end"),
        ],
        factor,
        side_by_side=2,
    )
    flow.table(
        [
            Column(head, share=share)
            for head, share in (
                ("Patch", 1),
                ("Parts green", 1),
                ("Parts tint", 1),
                ("Screen reads", 1.2),
                ("Patch reads", 1.2),
                ("Stops", 0.8),
                ("Times", 0.8),
                ("Next parts", 1),
                ("Dry? Light?", 1.2),
            )
        ],
        [("",) * 9 for _ in range(8)],
        least_row=8.0,
    )


def _factor(value: float) -> str:
    return "–" if not math.isfinite(value) else f"{value:.2f}"


def area_text(area_m2: float, unit: str) -> str:
    """An area for people."""
    return f"{area_m2 / 0.3048**2:.1f} sq ft" if unit in ("ft", "in") else f"{area_m2:.2f} m²"


def volume_text(litres: float, unit: str) -> str:
    """A volume of paint for people, never less than can be measured."""
    if unit in ("ft", "in"):
        ounces = litres * 33.814  # US fluid ounces
        return f"{ounces / 32:.1f} qt" if ounces >= 32 else f"{max(ounces, 0.1):.1f} fl oz"
    return f"{litres:.2f} l" if litres >= 1 else f"{max(1000 * litres, 1):.0f} ml"


def clash_pages(found: Sequence[Clash], paper: str) -> list[Page]:
    """Costumes and props against screen and markers."""
    if not found:
        return []
    flow = Flow(paper, "Colours against the key", "clash")
    flow.text(
        "CIEDE2000 tells how different two colours look: about 1 can just be seen side by side. “Same light” compares "
        "with the screen or marker lit as bright as the colour itself, as in shade: a dark green coat is far from a "
        "bright green screen as measured, and still goes with it. “Matte” is what a plain colour-difference key leaves."
    )
    flow.table(
        [
            Column("Colour", share=1.5, bold=True),
            Column("Use", 24),
            Column("Nearest paint", share=1.2),
            Column("As measured", 22, anchor="end"),
            Column("Same light", 20, anchor="end"),
            Column("Matte", 16, anchor="end"),
            Column("So", share=2),
        ],
        [
            (
                c.patch,
                c.use,
                c.paint,
                f"{c.measured:.1f}",
                f"{c.same_light:.1f}",
                f"{c.matte:.2f}",
                "■" * c.hurt + " " * (c.hurt > 0) + c.verdict,
            )
            for c in found
        ],
    )
    return flow.pages


# --- shopping, checklist ---------------------------------------------------------------------------------------


def shopping_rows(
    plan: Plan, groups: Sequence[CutGroup], amounts: Sequence[Amount], unit: str
) -> list[tuple[str, str, str, str]]:
    """(what, needed, with spare, note) of everything to buy or to fetch."""
    rows = []
    metres: dict[float, float] = {}
    for group in groups:
        metres[group.tape_mm] = metres.get(group.tape_mm, 0.0) + group.tape_m
    for width, length in sorted(metres.items()):
        spare = length * (1 + SPARE.value)
        rolls = math.ceil(spare / 45.72)
        rows.append(
            (
                f"Matt cloth tape, {tape_name(width)}, paintable",
                _long(length, unit),
                _long(spare, unit),
                f"{rolls} roll{'s' * (rolls != 1)} of 45.7 m (50 yd)",
            )
        )
    band_m = sum(len(stand.bands) * math.pi * stand.pole * 1.2 for stand in plan.stands)
    if plan.stands:
        rows.append(
            (
                "Tape in the bands' colour",
                _long(band_m, unit),
                _long(band_m * (1 + SPARE.value), unit),
                "matt; a colour that is nowhere else",
            )
        )
        rows.append(
            (
                "Light stands",
                str(len(plan.stands)),
                str(len(plan.stands) + 1),
                "to " + format_length(max(s.height for s in plan.stands), unit),
            )
        )
        rows.append(("Sandbags, 7 kg (15 lb)", str(3 * len(plan.stands)), str(3 * len(plan.stands) + 3), "one per leg"))
    green = sum(a.litres - a.tint_litres for a in amounts if a.tint)
    if green:
        rows.append(
            (
                "Screen paint",
                volume_text(green / (1 + SPARE.value), unit),
                volume_text(green, unit),
                "the screen's own batch",
            )
        )
    for tint in ("white", "black"):
        need = sum(a.tint_litres for a in amounts if a.tint == tint)
        if need:
            rows.append(
                (
                    f"{tint.capitalize()}, matt, of the same make",
                    volume_text(need / (1 + SPARE.value), unit),
                    volume_text(2 * need, unit),
                    "twice the start, for corrections",
                )
            )
    for amount in amounts:
        if not amount.tint:
            rows.append(
                (
                    f"Paint “{amount.paint}”",
                    volume_text(amount.litres / (1 + SPARE.value), unit),
                    volume_text(amount.litres, unit),
                    "matt",
                )
            )
    if any(group.laid_up for group in groups):
        area = sum(g.tape_m2 for g in groups if g.laid_up)
        rows.append(
            (
                "Release paper (silicone), to lay tape up on",
                area_text(area, unit),
                area_text(area * (1 + SPARE.value), unit),
                "slick side up",
            )
        )
    pieces = sum(len(group.rows) for group in groups)
    rows += [
        ("Cutting boards, knives, spare blades", "2", "3", "a fresh blade for about every 50 markers"),
        ("Steel tapes, 10 m / 30 ft and longer", "2", "3", "the same two all day"),
        ("Chalk line, pencils, paper tape for pegs", "1", "2", ""),
        ("Marker pens; numbers on the backs", "2", "3", f"{pieces} numbers"),
        ("Rollers, trays, brushes, stirring sticks", "3", "4", "one set per colour"),
        ("Gloves, eye protection, sheeting", "per person", "", "as the safety data sheets say"),
    ]
    return rows


def _long(metres: float, unit: str) -> str:
    return f"{math.ceil(metres / 0.9144)} yd" if unit in ("ft", "in") else f"{math.ceil(metres)} m"


def shopping_pages(
    rows: Sequence[tuple[str, str, str, str]], groups: Sequence[CutGroup], unit: str, paper: str
) -> list[Page]:
    """What to buy, what is cut, and the day's checklist."""
    flow = Flow(paper, "Shopping and checklist", "lists")
    flow.heading("Shopping")
    flow.table(
        [
            Column("What", share=2, bold=True),
            Column("Needed", 28, anchor="end"),
            Column("With spare", 28, anchor="end"),
            Column("Note", share=1.6),
            Column("☐", 7, anchor="middle"),
        ],
        [(*row, "☐") for row in rows],
    )
    flow.heading("Cutting")
    flow.table(
        [
            Column("Paint", share=1.5, bold=True),
            Column("Markers", 18, anchor="end"),
            Column("Tape", share=1.4),
            Column("Length", 20, anchor="end"),
            Column("Marker area", 26, anchor="end"),
            Column("Waste", 16, anchor="end"),
        ],
        [
            (
                g.paint,
                str(len(g.rows)),
                tape_name(g.tape_mm) + (" laid up side by side" if g.laid_up else ""),
                _long(g.tape_m, unit),
                area_text(g.area_m2, unit),
                f"{g.waste:.0%}",
            )
            for g in groups
        ],
    )
    flow.heading("On the day")
    flow.points(CHECKLIST, "☐")
    return flow.pages


# --- cameras ---------------------------------------------------------------------------------------------------


def camera_pages(plan: Plan, needs: Needs, unit: str, paper: str) -> list[Page]:
    """One card per shot."""
    flow = Flow(paper, "Camera cards", "cards")
    for shot in plan.shots:
        _card(flow, plan, shot, needs, unit)
    return flow.pages


def _card(flow: Flow, plan: Plan, shot: Shot, needs: Needs, unit: str) -> None:
    camera = next(camera for camera in plan.cameras if camera.name == shot.camera)
    _, stop, exposure, _, rate = planned_cells(plan, shot, unit)
    readiness = next(s.planned for s in needs.shots if s.planned.name == shot.name)
    track = camera_track(plan, shot)
    heights = track.centre_m[:, 2]
    facts = [
        ("Lens", _span(track.focal_mm, lambda mm: f"{mm:.4g} mm")),
        ("Stop", f"f/{stop}"),
        ("Shutter", exposure),
        ("Focus", _span(track.focus_m, lambda m: format_length(m, unit))),
        ("Rate", f"{rate} fps, frames {shot.frames[0]} to {shot.frames[1]}"),
        ("Height", _span(heights, lambda m: format_length(m, unit)) + f", {_travel(track.centre_m, unit)}"),
        ("Ready", _shares(readiness)),
    ]
    back, size = camera.film_back, camera.resolution
    gate = f"Gate {number_text(back[0])} x {number_text(back[1])} mm, {size[0]} x {size[1]}"
    gate += f", squeeze {number_text(camera.squeeze)}" if camera.squeeze != 1 else ""
    lines = [
        "Record the whole gate. Do not crop in camera: no flag, no matte box, no timecode over the hatched part; its "
        "markers are needed though it is cropped later.",
        f"Must stay in frame: {shot.wants or 'not said'}.",
        f"{gate}, delivered {number_text(camera.delivery_aspect)} wide. Tell it if focal length or focus change.",
    ]
    used = 8.5 + 5.2 * len(facts)
    aside = 72.0
    page, (x, y, room), (left, top, high) = _block(flow, shot.name, aside, lines, used + 5)
    page.words(left + 5, top + 7, fitted(shot.camera, aside - 8, BODY, True), BODY, bold=True)
    _gate(page, camera.resolution, delivery_frame(camera)[0], left + 5, top + 13, 62.0, BLOCK - 22)
    for number, (name, value) in enumerate(facts, start=1):
        page.words(x, top + 8.5 + 5.2 * number, name, NOTE, colour=GREY)
        page.words(x + 15, top + 8.5 + 5.2 * number, fitted(value, room - 15, BODY, True), BODY, bold=True)
    _lines(page, x, y - 1, top + high, room, lines)


def _span(values: np.ndarray, told: Callable[[float], str]) -> str:
    """A value that holds through a shot, or the way from its first to its last, by way of a farthest one."""
    first, last = told(float(values[0])), told(float(values[-1]))
    low, high = told(float(values.min())), told(float(values.max()))
    if low == high:
        return first
    if {first, last} == {low, high}:
        return f"{first} to {last}"
    return f"{first} to {last}, between {low} and {high}"


def _travel(centre_m: np.ndarray, unit: str) -> str:
    way = float(np.linalg.norm(np.diff(centre_m, axis=0), axis=1).sum())
    return f"travels {format_length(way, unit)}" if way > 5e-4 else "stands"


def _gate(
    page: Page, size: tuple[int, int], delivery: np.ndarray, left: float, top: float, wide: float, high: float
) -> None:
    """The gate with the part that is cropped later hatched, and the delivery frame in it."""
    scale = min(wide / size[0], high / size[1])
    w, h = size[0] * scale, size[1] * scale
    x0, y0, x1, y1 = ((delivery + 0.5) * scale).tolist()
    for start in np.arange(-h, w, 3.0):
        a, b = np.array([start, h]), np.array([start + h, 0.0])
        ends = np.clip([(max(0.0, -start)) / h, (min(w, start + h) - start) / h], 0, 1)
        page.line(*(tuple(np.array([left, top]) + a + (b - a) * t) for t in ends), width=0.13, stroke=GREY)
    page.box(left + x0, top + y0, left + x1, top + y1, width=LINE, fill=(1.0, 1.0, 1.0))
    page.box(left, top, left + w, top + h, width=BOLD)
    page.words(left + (x0 + x1) / 2, top + (y0 + y1) / 2 + 1, "delivery", SMALL, anchor="middle")
    page.words(left + w / 2, top + h + 4, "gate: all of it is recorded", SMALL, anchor="middle")


def report_pages(plan: Plan, unit: str, paper: str) -> list[Page]:
    """The blank camera report, to be filled per take; the same columns as its CSV."""
    flow = Flow(paper, "Camera report", "report", wide=True)
    flow.text(
        "One line per take, also for bad ones. Type it into camera-report.csv afterwards: the columns are the same."
    )
    planned = {shot.name: planned_cells(plan, shot, unit) for shot in plan.shots}
    shares = dict(zip(COLUMNS, (1.4, 1.4, 0.6, 1.1, 0.7, 1.0, 1.1, 0.7, 0.9, 0.6, 2.6), strict=True))
    rows = []
    for shot in plan.shots:
        rows.append((shot.name, shot.camera, "plan", *planned[shot.name], "", "", ""))
        rows += [(shot.name,) + ("",) * (len(COLUMNS) - 1)] * 4
    rows += [("",) * len(COLUMNS)] * 4
    flow.table([Column(name.replace("_", " "), share=shares[name]) for name in COLUMNS], rows, least_row=7.0)
    return flow.pages
