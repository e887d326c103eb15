"""The survey report: what was found where, what to do about it, and what it does to readiness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..plan.model import Plan
from ..plan.units import format_length
from ..readiness.verdict import FIRM, LOST, STATES, THIN, ShotReadiness
from ..report import drawing as d
from ..report.page import CAUTION, document, percent
from ..report.strip import small_strip
from ..report.words import headline
from ..stage.layout import Layout
from .adjust import ANGULAR, axis_factor, describe
from .asbuilt import DIGITS
from .drawing import offset_views
from .found import IN_PLACE, NOT_SURVEYED, OFF, SWAPPED, Found
from .words import off_surface, to_do

ROWS_SHOWN = 25

DEFINITIONS = (
    ("in place", "Its offset is no larger than its own uncertainty allows (99.9 %)."),
    ("off", "Its offset is real. It matters only through readiness, which is computed with the places as found."),
    ("swapped", "It stands at the planned place of another thing of its kind."),
    ("not surveyed", "Planned, but not in the survey: missing on the stage, or nobody measured it."),
    (
        "sigma, 95 %",
        "Standard deviation of a position; in 95 of 100 cases the true place lies within the 95 % ellipse.",
    ),
    ("redundancy", "How well other measurements check one: 0 not at all, 1 completely."),
    ("global test", "Whether the residuals of the whole network are as large as the stated errors make them."),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Readiness of one shot as planned and as built."""

    planned: ShotReadiness
    built: ShotReadiness


def survey_page(
    plan: Plan, layout: Layout, found: Found, outcomes: Sequence[Outcome] = (), notes: Sequence[str] = ()
) -> str:
    """The whole report. ``notes``: what else is worth knowing, in words."""
    body = (
        f"<header><p class='kind'>Survey</p><h1><bdi>{d.escape(plan.name)}</bdi></h1>"
        f"<p class='summary'>{d.escape(summary(found))}</p></header>"
        + notes_list("What to do", to_do(plan, layout, found))
        + notes_list("", notes, "notes")
        + _readiness(outcomes)
        + _views(plan, layout, found)
        + _offsets(plan, layout, found)
        + _files(found)
        + _network(found)
        + _foot()
    )
    return document(f"Survey of {plan.name}", body)


def summary(found: Found) -> str:
    """One line: how many in place, off, swapped, not surveyed, extra."""
    names = ("in place", "off by more than their uncertainty", "swapped", "not surveyed")
    counts = [int((found.state == state).sum()) for state in (IN_PLACE, OFF, SWAPPED, NOT_SURVEYED)]
    told = [f"{count} {name}" for count, name in zip(counts, names, strict=True) if count]
    told += [f"{len(found.extra_label)} extra"] if found.extra_label else []
    off = np.sqrt((found.offset_m[found.state == OFF] ** 2).sum(axis=1))
    middle = f"; the middling offset is {1000 * float(np.median(off)):.0f} mm" if len(off) else ""
    return f"{len(found.targets)} planned points: {', '.join(told)}{middle}."


def notes_list(title: str, lines: Sequence[str], class_: str = "notes") -> str:
    """A list of sentences under a title; nothing where there are none."""
    if not lines:
        return ""
    head = f"<h3>{d.escape(title)}</h3>" if title else ""
    return head + f"<ul class='{class_}'>" + "".join(f"<li>{d.escape(line)}</li>" for line in lines) + "</ul>"


def table(head: Sequence[str], rows: Sequence[Sequence[str]], class_: str = "reasons") -> str:
    """A table of text; columns whose head ends in a space are numbers."""
    style = ["n" if name.endswith(" ") else "" for name in head]
    top = "".join(f"<th class='{s}'>{d.escape(name)}</th>" for name, s in zip(head, style, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td class='{s}'>{d.escape(cell)}</td>" for cell, s in zip(row, style, strict=True)) + "</tr>"
        for row in rows
    )
    return (
        f"<div class='scroll'><table class='{class_}'><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _readiness(outcomes: Sequence[Outcome]) -> str:
    if not outcomes:
        return ""
    rows = "".join(_readiness_row(o, which) for o in outcomes for which in ("planned", "as built"))
    head = "<th>Shot</th><th></th><th>Readiness over its frames</th><th class='n'>Firm</th><th class='n'>Thin</th>"
    head += "<th class='n'>Lost</th><th>Verdict</th>"
    return (
        "<h3>Readiness, planned against as built</h3><div class='scroll'><table class='index'><thead><tr>"
        f"{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _readiness_row(outcome: Outcome, which: str) -> str:
    shot = outcome.planned if which == "planned" else outcome.built
    said, total = headline(shot), len(shot.frame)
    shares = "".join(
        f"<td class='n' data-state='{STATES[state]}'>{percent(int((shot.state == state).sum()), total)}</td>"
        for state in (FIRM, THIN, LOST)
    )
    name = f"<bdi>{d.escape(d.shorten(shot.name, 60))}</bdi>" if which == "planned" else ""
    glyph = d.svg(24, 24, d.state_glyph(said.state, 12, 12, 7.5), STATES[said.state], "glyph")
    glyph = glyph.replace("<svg ", "<svg width='15' height='15' ", 1)
    return (
        f"<tr><th scope='row'>{name}</th><td>{which}</td><td class='strip'>{small_strip(shot)}</td>{shares}"
        f"<td class='line'>{glyph}<span><b>{d.escape(said.verdict)}</b> {d.escape(said.why)}</span></td></tr>"
    )


def _views(plan: Plan, layout: Layout, found: Found) -> str:
    figures = "".join(
        f"<figure>{picture}<figcaption>{d.escape(caption)}</figcaption></figure>"
        for caption, picture in offset_views(plan, layout.surfaces, found)
    )
    key = (
        "Dot: in place. Arrow: from planned to found. Dashed arrow: swapped, to the place it stands at. Open ring with "
        "a bar: not surveyed. Cross: surveyed, not in the plan. Names are those of the rig sheets."
    )
    return f"<h3>Where things stand</h3><div class='stage'>{figures}</div><p class='key'>{key}</p>" if figures else ""


def _offsets(plan: Plan, layout: Layout, found: Found) -> str:
    size = np.sqrt((found.offset_m**2).sum(axis=1))
    order = [i for i in np.argsort(-np.nan_to_num(size), kind="stable").tolist() if found.surveyed[i]]
    if not order:
        return ""
    rows = [_offset_row(plan, layout, found, i) for i in order]
    head = ("Number", "Name", "State", "Right, mm ", "Upstage, mm ", "Up, mm ", "Offset, mm ", "95 %, mm ", "As found")
    first = table(head, rows[:ROWS_SHOWN])
    rest = rows[ROWS_SHOWN:]
    more = f"<details><summary>{len(rest)} more, smaller</summary>{table(head, rest)}</details>" if rest else ""
    return f"<h3>Offsets, the largest first</h3>{first}{more}"


def _offset_row(plan: Plan, layout: Layout, found: Found, row: int) -> tuple[str, ...]:
    targets = found.targets
    offset = 1000 * found.offset_m[row]
    values, _ = np.linalg.eigh(found.covariance_m2[row])
    reach = 1000 * axis_factor(0.95, 3) * float(np.sqrt(max(values[-1], 0)))
    state = ("in place", "off", "swapped", "not surveyed")[found.state[row]]
    if found.instead[row] >= 0:
        state = f"at the place of {targets.name[found.instead[row]]}"
    at = ", ".join(format_length(float(c), plan.units) for c in np.round(found.position_m[row], DIGITS))
    bulge = off_surface(layout, found, row)
    at += f" ({1000 * bulge:+.0f} mm off its surface)" if abs(bulge) > 0.01 else ""
    size = float(np.sqrt((offset**2).sum()))
    numbers = [f"{round(c) + 0:+d}" if round(c) else "0" for c in offset.tolist()] + [f"{size:.0f}", f"{reach:.1f}"]
    return (targets.number[row], targets.name[row], state, *numbers, at)


def _files(found: Found) -> str:
    rows = []
    for placed in found.placed:
        match = placed.match
        how = ("labels" if placed.by_label else "pattern") if match else "as given"
        spread = f"{1000 * match.spread_m:.1f} mm" if match else ""
        rows.append((placed.file, str(placed.points), how, placed.note, spread))
    return (
        "<h3>How the files were brought onto the plan</h3>"
        + table(("File", "Points ", "By", "", "Spread about the plan "), rows)
        if rows
        else ""
    )


def _network(found: Found) -> str:
    if not found.combined:
        return ""
    a = found.combined.adjusted
    verdict = "passes" if a.sound else "fails: the residuals are too large for the stated errors" if (
        a.statistic > a.bounds[1]) else "fails: the residuals are smaller than the stated errors"  # fmt: skip
    lines = [f"{int(a.used.sum())} measurements, {a.dof} of them redundant."]
    if a.dof:
        lines.append(
            f"Global test {verdict} ({a.statistic:.1f}, between {a.bounds[0]:.1f} and {a.bounds[1]:.1f} expected; "
            f"standard deviation of unit weight {a.s0:.2f})."
        )
    if not a.network.known_sigma:
        lines.append("Some notes give no standard deviations: ours were taken, scaled by how well the network closes.")
    blunders = notes_list("Measurements taken out as blunders", describe(found.removed))
    loose = [(p.point, p.way, p.mend) for p in found.loose]
    held = table(("Point", "Free to move", "What would hold it"), loose) if loose else ""
    fewest = notes_list("The fewest measurements that would hold all of them", found.combined.enough)
    return (
        "<h3>The network</h3>" + notes_list("", lines) + blunders
        + (f"<h3>Points that the measurements do not hold</h3>{held}{fewest}" if loose else "")
        + _residuals(found)
    )  # fmt: skip


def _residuals(found: Found) -> str:
    """The largest tests, and the measurements that least checks."""
    assert found.combined
    a = found.combined.adjusted
    order = np.argsort(-np.nan_to_num(a.test), kind="stable")[:ROWS_SHOWN]
    rows = []
    for i in order.tolist():
        in_unit, unit = (206_264.8, "″") if a.network.measures.kind[i] in ANGULAR else (1000.0, "mm")
        smallest = f"{in_unit * a.smallest[i]:.0f} {unit}" if np.isfinite(a.smallest[i]) else "nothing checks it"
        rows.append((
            a.network.measures.told[i], f"{in_unit * a.residual[i]:+.1f} {unit}", f"{a.redundancy[i]:.2f}",
            f"{a.test[i]:.1f}", smallest, "" if a.used[i] else "taken out",
        ))  # fmt: skip
    head = ("Measurement", "Residual ", "Redundancy ", "In its sigmas ", "Smallest blunder that shows ", "")
    return f"<details><summary>Residuals, the most suspicious first</summary>{table(head, rows)}</details>"


def _foot() -> str:
    terms = "".join(f"<dt>{d.escape(term)}</dt><dd>{d.escape(text)}</dd>" for term, text in DEFINITIONS)
    return (
        f"<footer><p class='caution'><b>Caution.</b> {d.escape(CAUTION)}</p><h2>How to read it</h2><dl>{terms}</dl>"
        "</footer>"
    )
