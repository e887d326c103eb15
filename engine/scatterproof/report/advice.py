"""Advice for people and for programs: what to change, what must stay, what may go, how far a take may stray."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..advise.advise import EXPOSURE, STAND, Advice, Change, ShotAdvice
from ..advise.candidates import FREE, WHY_NOT
from ..advise.choose import PUBLISHED
from ..advise.critical import Critical
from ..advise.fallback import Fallback
from ..advise.fewer import Fewer
from ..advise.heat import HeatMap
from ..advise.takes import Way
from ..advise.tolerance import Reach, Tolerance
from ..plan.model import PlacedMarker, Stand
from ..plan.units import format_length
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import FIRM, LOST, STATES, ShotReadiness
from . import drawing as d
from .data import SCHEMA, number
from .page import document, facts, foot, glyph, percent
from .stage_plan import Sheet, plan_view
from .strip import small_strip
from .words import cause, from_afar, headline, quantity, say_ranges, sentence

HEAT = "#0072B2"  # one hue, from nothing to full: it is not a verdict
LEAST_HELP = 0.02  # part of the best place's help from which a place is drawn
MOST_ROWS = 12  # rows of a table before the rest is folded away
WIDTH, HEIGHT, LEFT, BOTTOM = 620.0, 240.0, 64.0, 46.0


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """Everything there is to tell about a plan. Lists follow the advice's shots; what was not asked for is None."""

    advice: Advice
    rehearsals: tuple[Rehearsal, ...]  # as planned
    heat: tuple[HeatMap | None, ...]
    critical: tuple[tuple[Critical, ...], ...]  # of the advised plan
    tolerance: tuple[Tolerance | None, ...]  # of the advised plan
    fewer: Fewer | None


# --- for programs ----------------------------------------------------------------------------------------------


def advice_json(told: Told) -> dict[str, Any]:
    """What ``advice.json`` holds. Lengths are metres, angles radians; a number that is not finite becomes None."""
    a = told.advice
    return {
        "schema": SCHEMA,
        "plan": a.before.name,
        "firm": a.firm,
        "changes": [_change_json(change) for change in a.changes],
        "choice": None if a.choice is None else {
            "candidates": a.candidates, "reached": number(a.choice.worth[-1] if a.choice.worth else 0.0),
            "most": number(a.choice.most), "at_least": number(a.choice.share), "published": PUBLISHED,
            "evaluations": a.choice.asked,
        },
        "notes": list(a.notes),
        "shots": [
            _shot_json(shot, critical, tolerance)
            for shot, critical, tolerance in zip(a.shots, told.critical, told.tolerance, strict=True)
        ],
        "fewer": None if told.fewer is None else _fewer_json(told.fewer),
    }  # fmt: skip


def _change_json(change: Change) -> dict[str, Any]:
    told: dict[str, Any] = {
        "kind": change.kind, "name": change.name, "text": change.text, "mends": {k: list(v) for k, v in
        change.mends.items()}, "frames": change.frames, "cleanup_kpx": number(change.cleanup_px),
        "minutes": change.minutes,
    }  # fmt: skip
    if isinstance(change.thing, Stand):
        told |= {"at_m": [*change.thing.at, change.thing.base], "height_m": change.thing.height,
                 "bands_m": list(change.thing.bands)}  # fmt: skip
    elif isinstance(change.thing, PlacedMarker):
        told |= {"surface": change.thing.surface, "at_m": list(change.thing.at), "size_m": change.thing.size}
    return told


def _shot_json(shot: ShotAdvice, critical: Sequence[Critical], tolerance: Tolerance | None) -> dict[str, Any]:
    told: dict[str, Any] = {
        "name": shot.name,
        "frames": shot.before.frame.tolist(),
        "before": [STATES[s] for s in shot.before.state],
        "after": [STATES[s] for s in shot.after.state],
        "slide_drift_95_px": [number(v) for v in shot.confirmed.drift_95_px],
        "slide_jitter_95_px": [number(v) for v in shot.confirmed.jitter_95_px],
        "linear": shot.confirmed.linear,
        "critical": [
            {"name": c.name, "kind": c.kind, "first": c.first, "last": c.last, "before": STATES[c.before],
             "after": STATES[c.after]} for c in critical
        ],
        "fallbacks": [
            {"kind": f.kind, "about": f.about, "depth_m": [number(v) for v in f.depth_m], "action": f.action,
             "slide_drift_px": [number(v) for v in f.drift_px], "slide_jitter_px": [number(v) for v in f.jitter_px],
             "background_m": number(f.background_m), "state": STATES[f.state]} for f in shot.fallbacks
        ],
    }  # fmt: skip
    if tolerance is not None:
        told["tolerance"] = {
            "takes": len(tolerance.takes), "firm": tolerance.firm, "no_worse": tolerance.held,
            "firm_between": list(tolerance.firm_between), "no_worse_between": list(tolerance.held_between),
            "rehearsed": tolerance.confirmed, "agreed": tolerance.agreed,
            "ways": [
                {"way": r.way.name, "sigma": number(r.way.sigma), "low": number(r.low), "high": number(r.high),
                 "followed": number(r.way.reach), "open": list(r.open), "reason": list(r.reason),
                 "frame": list(r.frame)} for r in tolerance.reaches
            ],
        }  # fmt: skip
    return told


def _fewer_json(f: Fewer) -> dict[str, Any]:
    return {
        "idle": list(f.idle), "removable": list(f.removable), "confirmed": f.confirmed,
        "curve": [
            {"markers": int(n), "cleanup_kpx": number(load), "slide_drift_95_px": number(drift)}
            for n, load, drift in zip(f.left, f.left_load_px, f.drift_px, strict=True)
        ],
    }  # fmt: skip


# --- in words --------------------------------------------------------------------------------------------------


def advice_lines(told: Told) -> list[str]:
    """The outcome for a terminal."""
    a = told.advice
    lines = [summary(a)]
    for change in a.changes:
        lines.append(f"  {change.text}; mends {mended(change)}")
    lines += [f"  {bound(a)}"] if a.choice is not None and a.choice.order else []
    lines += [f"  {note}" for note in a.notes]
    for shot, critical, tolerance in zip(a.shots, told.critical, told.tolerance, strict=True):
        lines.append(f"{shot.name}  {_states(shot.before)} -> {_states(shot.after)}")
        if tolerance is not None:
            lines.append(f"  {tolerance.text}")
        lines += [f"  {c.text}" for c in _whole(critical)[:3]]
        lines += [f"  {fallback_line(f)}" for f in shot.fallbacks]
    if told.fewer is not None:
        lines.append(fewer_line(told.fewer))
    return lines


def summary(a: Advice) -> str:
    """What comes of it, in one sentence."""
    broken = [shot for shot in a.shots if (shot.after.state != FIRM).any()]
    if not a.changes and not broken:
        return "Nothing to change: every frame is firm."
    stands, markers, settings = (sum(c.kind == kind for c in a.changes) for kind in (STAND, "marker", EXPOSURE))
    parts = [_count(stands, "stand"), _count(markers, "marker"), _count(settings, "other exposure")]
    what = ", ".join(part for part in parts if part)
    if not broken:
        return f"{what} make{'s' * (len(a.changes) == 1)} every frame firm."
    names = ", ".join(shot.name for shot in broken)
    frames = sum(int((shot.after.state != FIRM).sum()) for shot in broken)
    left = f"{frames} frames of {names} stay short of firm"
    return f"{what} help, but {left}." if what else f"Nothing to add: {left}."


def _count(number_: int, what: str) -> str:
    return f"{number_} {what}{'s' * (number_ != 1)}" if number_ else ""


def mended(change: Change) -> str:
    """Frames by shot: "LY020 1001 to 1072"."""
    return "; ".join(f"{shot} {say_ranges(frames)}" for shot, frames in change.mends.items()) or "no frame by itself"


def bound(a: Advice) -> str:
    """How near to the best possible the first choice was."""
    assert a.choice is not None
    picks, more = len(a.choice.order), 100 / max(a.choice.share, 1e-9) - 100
    others = "none of the others could" if picks == 1 else f"no other {picks} of them could"
    beyond = "bring more" if more < 0.5 else f"bring more than {more:.0f} % more"
    return (
        f"Chosen from {a.candidates} candidates: {others} {beyond}, counted as frames brought towards firm. (Greedy "
        f"choice: {100 * PUBLISHED:.0f} % of the best possible is guaranteed, {100 * a.choice.share:.0f} % is certain "
        "here.)"
    )


def fallback_line(f: Fallback) -> str:
    """What a way out would leave."""
    slide_ = (
        f"{quantity(float(f.drift_px[f.action]), 'px')} of drift" if np.isfinite(f.drift_px[f.action]) else "no slide"
    )
    return (
        f"Fallback, {f.kind} ({f.about}): an insert at the action point, {f.depth_m[f.action]:.1f} m away, slides by "
        f"{slide_}: {STATES[f.state]}."
    )


def fewer_line(f: Fewer) -> str:
    """What may go."""
    if not f.idle and not f.removable:
        return f"All {len(f.markers)} markers are needed."
    sure = "" if f.confirmed else " (not borne out by the last rehearsal: take them off one by one)"
    return (
        f"Of {len(f.markers)} markers {len(f.idle)} serve no shot and {len(f.removable)} more may go with every frame "
        f"as it was{sure}: cleanup load {quantity(float(f.left_load_px[0]))} to {quantity(float(f.left_load_px[-1]))} "
        f"thousand px."
    )


def _states(shot: ShotReadiness) -> str:
    counts = [(STATES[s], int((shot.state == s).sum())) for s in range(len(STATES))]
    return ", ".join(f"{n} {name}" for name, n in counts if n)


def _whole(critical: Sequence[Critical]) -> list[Critical]:
    """Without single features: people keep stands and markers in frame."""
    return [c for c in critical if c.kind in ("stand", "stands", "gear", "marker")]


# --- the page --------------------------------------------------------------------------------------------------


def advice_page(told: Told) -> str:
    """The whole page."""
    a = told.advice
    state = max((int(shot.after.state.max()) for shot in a.shots), default=FIRM)
    head = (
        f"<header><p class='kind'>Advice</p><h1><bdi>{d.escape(a.before.name)}</bdi></h1></header>"
        f"<div class='verdict s{state}'>{glyph(state, 26)}<div><p class='said'>{d.escape(summary(a))}</p>"
        + (f"<p>{d.escape(bound(a))}</p>" if a.choice is not None and a.choice.order else "")
        + "</div></div>"
    )
    notes = "".join(f"<li>{d.escape(note)}</li>" for note in a.notes)
    body = head + (f"<ul class='notes'>{notes}</ul>" if notes else "") + _changes(told) + _index(told)
    for row, shot in enumerate(a.shots):
        body += _shot_section(told, row, shot)
    body += _fewer_section(told)
    return document(f"Advice on {a.before.name}", body + foot())


def _changes(told: Told) -> str:
    a = told.advice
    if not a.changes:
        return ""
    unit = a.before.units
    rows = "".join(
        f"<tr><td class='n'>{rank}</td><th scope='row'>{d.escape(_what(change, unit))}</th>"
        f"<td>{d.escape(mended(change))}</td><td class='n'>{change.frames}</td>"
        f"<td class='n'>{quantity(change.cleanup_px) if change.cleanup_px else 'none'}</td>"
        f"<td class='n'>{change.minutes:g} min</td></tr>"
        for rank, change in enumerate(a.changes, 1)
    )
    return (
        "<h3>What to change, the most useful first</h3><div class='scroll'><table class='reasons'><thead><tr><th></th>"
        "<th>Change</th><th>Frames that hang on it</th><th class='n'>Frames</th><th class='n'>Cleanup load</th>"
        f"<th class='n'>To rig</th></tr></thead><tbody>{rows}</tbody></table></div><p class='key'>Cleanup load: tape "
        "on or near a performer's edge, or before a performer, in thousand pixels of the delivery frame added up over "
        "all frames. Times to rig are ours, to compare by. Each change was taken back once: the frames named got worse."
        "</p>"
    )


def _what(change: Change, unit: str) -> str:
    """The change with lengths in the plan's units."""
    thing = change.thing
    if isinstance(thing, Stand):
        x, y = (format_length(v, unit) for v in thing.at)
        bands = ", ".join(format_length(band, unit) for band in thing.bands)
        return f"{change.name}: a stand {format_length(thing.height, unit)} high at x {x}, y {y}; bands at {bands}"
    if isinstance(thing, PlacedMarker):
        u, v = (format_length(c, unit) for c in thing.at)
        return f"{change.name}: a marker of {format_length(thing.size, unit)} on the {thing.surface} at {u}, {v}"
    return change.text


def _index(told: Told) -> str:
    rows = ""
    for number_, shot in enumerate(told.advice.shots, 1):
        cells = "".join(
            f"<td class='strip'>{small_strip(one)}</td><td class='n'>"
            f"{percent(int((one.state == FIRM).sum()), len(one.state))} firm</td>"
            for one in (shot.before, shot.after)
        )
        name = d.escape(d.shorten(shot.name, 60))
        rows += f"<tr><th scope='row'><a href='#shot-{number_}'><bdi>{name}</bdi></a></th>{cells}</tr>"
    return (
        "<h3>Before and after, rehearsed</h3><div class='scroll'><table class='index'><thead><tr><th>Shot</th>"
        f"<th>As planned</th><th></th><th>As advised</th><th></th></tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _shot_section(told: Told, row: int, shot: ShotAdvice) -> str:
    rehearsal, heat = told.rehearsals[row], told.heat[row]
    said = headline(shot.after)
    p = shot.confirmed
    worst = [float(np.nanmax(v)) if np.isfinite(v).any() else math.inf for v in (p.drift_95_px, p.jitter_95_px)]
    drift, jitter = (quantity(value, "px") for value in worst)
    slide_ = f"Its predicted slide: drift {drift}, jitter {jitter} at worst"
    limits = rehearsal.criteria.drift[0], rehearsal.criteria.jitter[0]
    over = any(value > limit for value, limit in zip(worst, limits, strict=True))
    slide_ += f" ({limits[0]:g} and {limits[1]:g} allowed)" if over else ""
    slide_ += "." if p.linear else "; that is only a lower bound, since this solve bends: prove it by simulated takes."
    body = (
        f"<section class='shot' id='shot-{row + 1}'><h2><bdi>{d.escape(shot.name)}</bdi></h2>"
        f"<p class='facts'>{d.escape(facts(rehearsal))}</p>"
        f"<div class='verdict s{said.state}'>{glyph(said.state, 26)}<div><p class='said'>As advised: "
        f"{d.escape(said.verdict)}</p><p>{d.escape(said.why)} {d.escape(slide_)}</p></div></div>"
    )
    if heat is not None:
        body += _heat_figure(told, rehearsal, heat)
    body += _critical_table(told.critical[row], shot.after) + _tolerance_table(
        told.tolerance[row], told.advice.before.units
    )
    return body + _fallback_table(shot.fallbacks, told.advice.before.units) + "</section>"


def _heat_figure(told: Told, rehearsal: Rehearsal, heat: HeatMap) -> str:
    free = int((heat.why == FREE).sum())
    counts = np.bincount(heat.why, minlength=len(WHY_NOT))
    taken = "; ".join(f"{counts[i]} {WHY_NOT[i]}" for i in range(1, len(WHY_NOT)) if counts[i])
    caption = (
        f"Where one more stand would help this shot, from not at all (bare) to the most (full blue), of {free} places. "
        f"Dots: no stand may be there ({taken})."
        + " Squares with a ring: what is advised."
        * any(change.kind == STAND for change in told.advice.changes)
    )
    return (
        "<h3>Where a stand helps</h3><div class='pictures n1'><figure>"
        f"{heat_picture(told, rehearsal, heat)}<figcaption>{d.escape(caption)}</figcaption></figure></div>"
    )


def heat_picture(told: Told, rehearsal: Rehearsal, heat: HeatMap) -> str:
    """The stage from above with every place in the colour of its help."""
    stands = [c.thing for c in told.advice.changes if isinstance(c.thing, Stand)]

    def cells(sheet: Sheet) -> str:
        corner = np.array([-0.5, 0.5, 0]) * heat.cell_m
        side = heat.cell_m * sheet.scale
        parts = []
        for i in np.flatnonzero(heat.why == FREE):
            if heat.help[i] < LEAST_HELP:
                continue
            x, y = sheet(heat.place_m[i] + corner)
            told_ = f"help {100 * heat.help[i]:.0f} %; one stand here mends {heat.frames[i]:.0f} frames"
            if math.isfinite(heat.drift_px[i]):
                told_ += f"; drift {quantity(float(heat.drift_px[i]), 'px')}"
            body = d.title(told_) + d.element(
                "rect", x=x, y=y, width=side, height=side, fill=HEAT, fill_opacity=round(0.85 * float(heat.help[i]), 3)
            )
            parts.append(d.element("g", body))
        dots = sheet(heat.place_m[heat.why != FREE])
        parts += [d.element("circle", cx=x, cy=y, r=0.9, fill=d.GREY, fill_opacity=0.6) for x, y in dots]
        for stand in stands:
            x, y = sheet(np.array([*stand.at, stand.base]))
            parts.append(d.element("rect", x=x - 6, y=y - 6, width=12, height=12, fill=d.PAPER, stroke=d.INK,
                                   stroke_width=2))  # fmt: skip
            parts.append(d.element("circle", cx=x, cy=y, r=3, fill="none", stroke=d.INK, stroke_width=2))
            parts.append(d.label(x + 10, y + 17, stand.name, class_="strong"))
        return d.element("g", "".join(parts), class_="heat")

    about = [np.reshape([[*s.at, s.base] for s in stands], (-1, 3)), rehearsal.track.centre_m]
    useful = heat.place_m[np.nan_to_num(heat.help) >= LEAST_HELP]
    shown = np.concatenate([useful if len(useful) else heat.place_m, *about, [rehearsal.shot.action_point]])
    pad = (np.ptp(shown[:, :2], axis=0).max() * 0.15 + 0.5) * np.array([[-1, -1, 0], [1, 1, 0]])
    shown = np.concatenate([shown, [shown.min(axis=0) + pad[0], shown.max(axis=0) + pad[1]]])
    return plan_view(rehearsal, "where a stand helps", shown, cells)


def _critical_table(critical: Sequence[Critical], shot: ShotReadiness) -> str:
    rows = _whole(critical)
    single = len(critical) - len(rows)
    if not critical:
        if (shot.state == LOST).all():
            return ""
        free = "No single stand, marker or feature: each may be lost, one at a time."
        return f"<h3>What must stay in frame</h3><p>{free}</p>"
    lines = [
        f"<tr><td class='frames'>{c.first} to {c.last}</td><td>{glyph(c.after, 15)}</td><th scope='row'>"
        f"{d.escape(c.name)}</th><td>{d.escape(c.consequence)} without it</td></tr>"
        for c in rows
    ]
    out = _folded(lines, "<th>Frames</th><th></th><th>Keep</th><th>Else</th>")
    many = "1 run of frames hangs" if single == 1 else f"{single} runs of frames hang"
    more = f"<p class='key'>{many} on a single feature, too: advice.json names it.</p>"
    return f"<h3>What must stay in frame</h3>{out}{more if single else ''}"


def _folded(lines: list[str], head: str) -> str:
    def table(rows: list[str]) -> str:
        return (
            f"<div class='scroll'><table class='reasons'><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>"
            "</table></div>"
        )

    out = table(lines[:MOST_ROWS]) if lines else ""
    if len(lines) > MOST_ROWS:
        out += f"<details><summary>{len(lines) - MOST_ROWS} more</summary>{table(lines[MOST_ROWS:])}</details>"
    return out


def _tolerance_table(t: Tolerance | None, unit: str) -> str:
    if t is None:
        return ""
    rows = "".join(
        f"<tr><th scope='row'>{d.escape(sentence(r.way.name).rstrip('.'))}</th>"
        f"<td class='n'>{d.escape(_way(r.way.sigma, r.way, unit))}</td>"
        + "".join(f"<td>{d.escape(_reach(r, side, unit))}</td>" for side in (0, 1))
        + "</tr>"
        for r in t.reaches
    )
    table = (
        "<div class='scroll'><table class='reasons'><thead><tr><th>Way to stray</th><th class='n'>Usual, one sigma</th>"
        f"<th>To one side</th><th>To the other</th></tr></thead><tbody>{rows}</tbody></table></div>"
    )
    key = (
        "In the takes all ways stray at once, by their usual amounts (ours, a rehearsed crew). Each limit holds for "
        "one way alone: until some frame gets worse than planned, what gives way first, and in which frame. "
        f"{t.agreed} of the {t.confirmed} takes nearest to a limit came out the same when rehearsed in full."
    )
    said = d.escape(sentence(t.text))
    body = f"<p><b>{said}</b></p>{table if rows else ''}<p class='key'>{d.escape(key)}</p>"
    return f"<h3>How far a take may stray</h3>{body}"


def nearest_limit(tolerance: Tolerance, unit: str) -> str:
    """What a take may stray in least, against what is usual, in words; empty where nothing got worse.

    unit : of lengths
    """
    limits = [
        (abs((reach.low, reach.high)[side]) / reach.way.sigma, reach, side)
        for reach in tolerance.reaches
        for side in (0, 1)
        if not reach.open[side]
    ]
    if not limits:
        return ""
    _, reach, side = min(limits, key=lambda limit: limit[0])
    return f"{reach.way.name} {_reach(reach, side, unit)}"


def _reach(reach: Reach, side: int, unit: str) -> str:
    value = abs((reach.low, reach.high)[side])
    shown = f"{_way(value, reach.way, unit)} {reach.way.words[side]}"
    if reach.open[side]:
        return f"{shown} and more"
    first = f": {cause(reach.reason[side])[0].lower()}, frame {reach.frame[side]}" if reach.reason[side] else ""
    return shown + first


def _way(value: float, way: Way, unit: str) -> str:
    if way.unit == "m":
        return format_length(round(value, 2), unit)
    shown = f"{way.shown(value):.1f}"
    return f"{shown} %" if way.unit == "%" else f"{shown}\u00b0"


def _fallback_table(found: Sequence[Fallback], unit: str) -> str:
    if not found:
        return ""
    out = "<h3>If it has to be shot like this</h3>"
    for f in found:
        cells = ""
        for i, (depth, drift, jitter) in enumerate(zip(f.depth_m, f.drift_px, f.jitter_px, strict=True)):
            what = ", the action point" if i == f.action else ""
            what = ", what is tracked" if abs(depth - f.background_m) < 0.01 else what
            cells += (
                f"<tr><td class='n'>{d.escape(from_afar(float(depth), unit) + what)}</td>"
                f"<td class='n'>{quantity(float(drift), 'px')}</td>"
                f"<td class='n'>{quantity(float(jitter), 'px')}</td></tr>"
            )
        out += (
            f"<p>{glyph(f.state, 15)} {d.escape(fallback_line(f))}</p><div class='scroll'><table class='trade'><thead>"
            f"<tr><th>Depth of the insert</th><th>Drift</th><th>Jitter</th></tr></thead><tbody>{cells}</tbody></table>"
            "</div>"
        )
    return out + (
        "<p class='key'>Worst over the frames, in pixels of the delivery frame; what the camera's travel does to "
        "inserts at other depths than what was tracked. The tracks' own noise comes on top.</p>"
    )


def _fewer_section(told: Told) -> str:
    f = told.fewer
    if f is None:
        return ""
    lists = ""
    for title_, names in (("Serve no shot", f.idle), ("May go as well, all together", f.removable)):
        if names:
            lists += f"<details><summary>{title_}: {len(names)}</summary><p>{d.escape(', '.join(names))}</p></details>"
    picture = trade_picture(f)
    caption = "Worst drift of any firm frame, as markers are taken away, against the cleanup load that is left."
    figure = (
        f"<div class='pictures n1'><figure>{picture}<figcaption>{d.escape(caption)}</figcaption></figure></div>"
        if picture else ""
    )  # fmt: skip
    return (
        "<section class='shot'><h2>Fewer markers</h2>"
        f"<p>{d.escape(fewer_line(f))} Take them off in the order of the plan's lists, or stop wherever slide or nerve "
        f"says so.</p>{figure}{lists}</section>"
    )


def trade_picture(f: Fewer) -> str:
    """Slide against cleanup load, or where nothing costs any cleanup against the markers that are left."""
    loaded = float(f.left_load_px[0]) > 0
    across = f.left_load_px if loaded else f.left.astype(float)
    if len(across) < 2 or not np.isfinite(f.drift_px).all():
        return ""
    top, right = 14.0, WIDTH - 20
    x = d.Scale(0.0, max(float(across.max()), 1.0) * 1.02, LEFT, right)
    y = d.Scale(0.0, max(float(f.drift_px.max()) * 1.3, 1e-3), HEIGHT - BOTTOM, top)
    parts = []
    for value in d.ticks(0, y.high, 4):
        parts += [
            d.element("line", x1=LEFT, x2=right, y1=y.at(value), y2=y.at(value), class_="grid"),
            d.label(LEFT - 8, y.at(value) + 4, f"{value:g}", text_anchor="end", class_="axis"),
        ]
    for value in d.ticks(0, x.high, 6):
        parts.append(d.label(x.at(value), HEIGHT - BOTTOM + 17, f"{value:g}", text_anchor="middle", class_="axis"))
    points = np.array([[x.at(a), y.at(b)] for a, b in zip(across, f.drift_px, strict=True)])
    parts.append(d.element("path", d=d.path_data(points, False), class_="curve", stroke=d.INK))
    last = ""
    for (px, py), count, load, drift in zip(points, f.left, f.left_load_px, f.drift_px, strict=True):
        about = f"{count} markers: load {quantity(float(load))} thousand px, drift {quantity(float(drift), 'px')}"
        parts.append(
            d.element("circle", d.title(about), cx=px, cy=py, r=4, fill=d.PAPER, stroke=d.INK, stroke_width=1.6)
        )
        if not last:
            parts.append(d.label(px, py - 10, f"all {count} markers", text_anchor="end", class_="axis"))
        last = f"{count} markers left"
    parts.append(d.label(points[-1, 0], points[-1, 1] - 10, last, text_anchor="start", class_="axis"))
    what = "cleanup load that is left, thousand delivery pixels" if loaded else "markers left"
    parts.append(d.label((LEFT + right) / 2, HEIGHT - 8, what, 60, text_anchor="middle", class_="axis"))
    middle = d.number((HEIGHT - BOTTOM) / 2)
    turned = {"transform": f"rotate(-90 14 {middle})", "text_anchor": "middle"}
    parts.append(d.element("text", "drift, px", x=14, y=middle, class_="axis", **turned))
    return d.svg(WIDTH, HEIGHT, "".join(parts), "slide against cleanup load", "stage-plan")
