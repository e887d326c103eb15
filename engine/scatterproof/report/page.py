"""The report: one HTML file that explains itself, needs no network and no script, and prints."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

import numpy as np

from .. import sources
from ..plan.model import Plan
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import FIRM, LOST, STATES, THIN, ShotReadiness
from ..sightings.sighting import SEEN, WHY
from . import drawing as d
from .exposure import exposure_section
from .features import feature_section
from .gate import gate_picture, in_gate
from .stage_plan import stage_views
from .strip import small_strip, strip_and_curves
from .words import Finding, between, cause, findings, from_afar, headline, quantity, say_range, severity

BIG, SMALL = 820.0, 430.0  # widths of the pictures, in units that come out near one screen pixel
ROWS_SHOWN = 8  # reasons before the rest is folded away

CAUTION = (
    "Planning aid only. It says what the planned geometry can give; it can't promise a solve. Check on the day with "
    "a test take, and leave rigging, overhead work, exits and fire lanes to qualified people and the local code."
)

DEFINITIONS = (
    ("firm, thin, lost", "The verdict on a frame. Firm: every measure meets its firm limit. Thin: it may solve, with "
     "little to spare. Lost: at least one measure misses even its thin limit. The worst measure decides."),
    ("feature", "One point that a tracker could follow: a corner of a marker, a tape band on a stand, a hard point on "
     "gear that does not move."),
    ("trackable", "The feature is inside the gate, faces the camera, is large enough, not hidden by a blocker, not "
     "merged with a neighbour, has contrast and sharpness enough for a tracker to place it, and all of this for long "
     "enough to make a track."),
    ("gate, delivery frame", "The gate is everything that the camera records. The delivery frame is the part of it "
     "that the audience sees; features outside it still help the solve."),
    ("depths told apart", "Into how many distances the solve can sort the features of a frame. A flat wall is one."),
    ("out-of-plane signal", "How far the features move from what one flat wall, or a camera that only turns, could "
     "make them do, against the error of tracking (sigma). Without it the camera's path can't be told from a turn or a "
     "change of focal length."),
    ("motion blur", "How far a feature moves in the picture while the shutter is open; the median over those that are "
     "trackable but for blur."),
    ("marker contrast", "How far markers are from the paint around them, in stops of linear light; the median over "
     "those that are trackable but for contrast."),
    ("slide", "How far an insert that stands still at the action point swims against the picture once the camera is "
     "solved: drift is its slow part, jitter what changes from frame to frame. Predicted from how well the features "
     "can be tracked, as what 95 of 100 takes stay below, in pixels of the delivery frame."),
    ("sigma", "Standard deviation of a feature's place in one frame, along its worse direction: what contrast, noise, "
     "softness, smear and the pattern in the tracking window allow."),
    ("nearest, farthest", "Distance along the line of sight to the nearest and the farthest trackable feature."),
)  # fmt: skip


def page(plan: Plan, shots: Sequence[ShotReadiness], sections: Sequence[str], more: str = "") -> str:
    """The whole report.

    shots : what was scored, in the order of ``sections``
    sections : one :func:`shot_section` for each
    more : a section that is about the whole plan
    """
    name = d.escape(plan.name)
    note = f"<p class='note'>{d.escape(plan.note)}</p>" if plan.note else ""
    index = "".join(_index_row(shot, number) for number, shot in enumerate(shots, 1))
    body = (
        f"<header><p class='kind'>Rehearsal</p><h1><bdi>{name}</bdi></h1>{note}"
        f"<p class='summary'>{d.escape(_summary(shots))}</p></header>"
        "<div class='scroll'><table class='index'><thead><tr><th>Shot</th><th>Readiness over its frames</th>"
        "<th class='n'>Firm</th><th class='n'>Thin</th><th class='n'>Lost</th><th>Verdict</th></tr></thead>"
        f"<tbody>{index}</tbody></table></div>{_legend()}"
        + "".join(_anchored(section, number) for number, section in enumerate(sections, 1))
        + more
        + foot()
    )
    return document(f"Rehearsal of {plan.name}", body)


def document(title: str, body: str) -> str:
    """A whole page about ``body``, markup already, with the style and the marks that its pictures refer to."""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        # Nothing is fetched and nothing is run, whatever a plan's names hold.
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\"/>"
        f"<title>{d.escape(title)}</title><style>{_style()}</style></head><body>"
        f'<svg class="defs" width="0" height="0" aria-hidden="true">{d.definitions()}</svg>'
        f"<main>{body}</main></body></html>\n"
    )


def _style() -> str:
    return files(__package__).joinpath("page.css").read_text(encoding="utf-8")


def shot_section(rehearsal: Rehearsal) -> str:
    """Everything about one shot. What it draws from may go as soon as it returns."""
    shot, said = rehearsal.readiness, headline(rehearsal.readiness)
    chosen = key_frames(shot)
    tags = [(letter, int(shot.frame[row])) for letter, _, row in chosen]
    notes = "".join(f"<li>{d.escape(note)}</li>" for note in rehearsal.notes)
    wants = f"<p class='wants'>In frame: {d.escape(rehearsal.shot.wants)}</p>" if rehearsal.shot.wants else ""
    return (
        f"<section class='shot'><h2><bdi>{d.escape(shot.name)}</bdi></h2>"
        f"<p class='facts'>{d.escape(facts(rehearsal))}</p>{wants}"
        f"<div class='verdict s{said.state}'>{glyph(said.state, 26)}<div><p class='said'>{d.escape(said.verdict)}</p>"
        f"<p>{d.escape(said.why)}</p></div></div>"
        + (f"<ul class='notes'>{notes}</ul>" if notes else "")
        + f"<div class='scroll'>{strip_and_curves(shot, rehearsal.criteria, tags)}</div>"
        + _reasons(rehearsal)
        + _pictures(rehearsal, chosen)
        + (feature_section(rehearsal, chosen[0][2]) if chosen else "")
        + exposure_section(rehearsal)
        + _stage(rehearsal)
        + "</section>"
    )


def key_frames(shot: ShotReadiness) -> list[tuple[str, str, int]]:
    """(letter, what it stands for, frame row): the worst, the typical (middling) and the best frame, each row once."""
    order = severity(shot)
    if not len(order):
        return []
    best = "least bad" if shot.state[order[0]] != FIRM else "firmest"
    worst = "worst" if shot.state[order[-1]] != FIRM else "tightest"
    wanted = ((worst, order[-1]), ("typical", order[len(order) // 2]), (best, order[0]))
    rows: dict[int, str] = {}
    for what, row in wanted:
        rows.setdefault(int(row), what)
    if len(rows) == 1:
        return [("A", "only", next(iter(rows)))]
    return [(letter, what, row) for letter, (row, what) in zip("ABC", rows.items(), strict=False)]


# --- the head --------------------------------------------------------------------------------------------------


def _summary(shots: Sequence[ShotReadiness]) -> str:
    worst = [headline(shot).state for shot in shots]
    told = [(worst.count(FIRM), "firm throughout"), (worst.count(THIN), "with thin frames"),
            (worst.count(LOST), "with lost frames")]  # fmt: skip
    total = f"{len(shots)} shot{'' if len(shots) == 1 else 's'}"
    return f"{total}: " + ", ".join(f"{count} {what}" for count, what in told if count) + "."


def _index_row(shot: ShotReadiness, number: int) -> str:
    said = headline(shot)
    total = len(shot.frame)
    counts = [(STATES[state], int((shot.state == state).sum())) for state in (FIRM, THIN, LOST)]
    shares = "".join(
        f"<td class='n' data-state='{state}' title='{count} of {total} frames'>{percent(count, total)}</td>"
        for state, count in counts
    )
    return (
        f"<tr><th scope='row'><a href='#shot-{number}'><bdi>{d.escape(d.shorten(shot.name, 60))}</bdi></a></th>"
        f"<td class='strip'>{small_strip(shot)}</td>{shares}"
        f"<td class='line'>{glyph(said.state, 15)}<span><b>{d.escape(said.verdict)}</b> {d.escape(said.why)}</span>"
        "</td></tr>"
    )


def percent(part: int, whole: int) -> str:
    """A share in words of three letters; never 100 % or 0 % where it is not all or nothing.

    >>> percent(0, 5), percent(239, 240), percent(1, 900), percent(5, 5)
    ('0 %', '99 %', '1 %', '100 %')
    """
    if not whole or part in (0, whole):
        return "100 %" if whole and part else "0 %"
    return f"{min(99, max(1, round(100 * part / whole)))} %"


def _anchored(section: str, number: int) -> str:
    return section.replace("<section class='shot'>", f"<section class='shot' id='shot-{number}'>", 1)


def glyph(state: int, size: int) -> str:
    """A state's ring as a small picture."""
    body = d.title(STATES[state]) + d.state_glyph(state, 12, 12, 7.5)
    return f"<svg class='glyph' width='{size}' height='{size}' viewBox='0 0 24 24' role='img'>{body}</svg>"


def _legend() -> str:
    states = "".join(
        f"<span>{glyph(state, 18)}<svg class='glyph' width='46' height='16' viewBox='0 0 46 16'>"
        f"{d.state_block(state, 0, 0, 46, 16)}</svg>{STATES[state]}</span>"
        for state in (FIRM, THIN, LOST)
    )
    marks = "".join(
        f"<span><svg class='glyph' width='26' height='18' viewBox='0 0 26 18'>"
        f"<rect width='26' height='18' fill='#5f9a63'/><path d='M13 9h0' marker-start='url(#{mark})'/></svg>"
        f"{text}</span>"
        for mark, text in (("ring-0", "trackable feature"), ("cross-0", "feature that does not count in this frame"))
    )
    return f"<p class='legend'>{states}{marks}</p>"


# --- one shot --------------------------------------------------------------------------------------------------


def facts(rehearsal: Rehearsal) -> str:
    """One line about a shot: frames, camera, travel, distances."""
    track, shot, unit = rehearsal.track, rehearsal.readiness, rehearsal.plan.units
    travel = float(np.linalg.norm(np.diff(track.centre_m, axis=0), axis=1).sum())
    focal = between(float(track.focal_mm.min()), float(track.focal_mm.max()), "mm")
    frames = f"frame{'s' if len(track) > 1 else ''} {say_range(int(track.frame[0]), int(track.frame[-1]))}"
    told = [
        f"{frames} at {track.rate:g} per second",
        f"{shot.camera}, {focal}",
        f"travels {from_afar(travel, unit)}" if travel > 0.001 else "does not travel",
    ]
    if np.isfinite(shot.nearest_m).any():
        nearest, farthest = float(np.nanmin(shot.nearest_m)), float(np.nanmax(shot.farthest_m))
        told.append(f"features {from_afar(nearest, unit)} to {from_afar(farthest, unit)} away")
    return " · ".join(told)


def _reasons(rehearsal: Rehearsal) -> str:
    """What holds frames back, merged over runs of frames."""
    found = findings(rehearsal.readiness)
    if not found:
        return ""
    rows = [_reason_row(finding, rehearsal) for finding in found]
    first, rest = _reason_table(rows[:ROWS_SHOWN]), rows[ROWS_SHOWN:]
    if rest:
        first += f"<details><summary>{len(rest)} more, shorter or milder</summary>{_reason_table(rest)}</details>"
    return f"<h3>What holds it back</h3>{first}"


def _reason_table(rows: list[str]) -> str:
    columns = ("Frames", "", "Reason", "Measured", "Wanted", "At worst")
    head = "".join(f"<th>{column}</th>" for column in columns)
    return (
        f"<div class='scroll'><table class='reasons'><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _reason_row(finding: Finding, rehearsal: Rehearsal) -> str:
    name, unit = cause(finding.code)
    cells = (
        say_range(finding.first, finding.last),
        name,
        between(finding.low, finding.high, unit),
        quantity(finding.limit, unit) + _needed_for(finding, rehearsal),
        f"frame {finding.worst_frame}: {finding.worst.text}",
    )
    frames, *rest = (d.escape(cell) for cell in cells)
    return f"<tr><td class='frames'>{frames}</td><td>{glyph(finding.state, 15)}</td>" + "".join(
        f"<td>{cell}</td>" for cell in rest
    ) + "</tr>"  # fmt: skip


def _needed_for(finding: Finding, rehearsal: Rehearsal) -> str:
    """Which state the missed limit stands for."""
    limits = getattr(rehearsal.criteria, {"one_plane": "out_of_plane"}.get(finding.code, finding.code), None)
    if not isinstance(limits, tuple) or finding.limit not in limits:
        return ""
    return " for firm" if finding.limit == limits[0] else " for thin"


def _pictures(rehearsal: Rehearsal, chosen: list[tuple[str, str, int]]) -> str:
    sizes = [("big", BIG), ("small", SMALL), ("small", SMALL)]
    figures = "".join(
        f"<figure class='{class_}'>{gate_picture(rehearsal, row, width)}"
        f"<figcaption>{_caption(rehearsal, letter, what, row)}</figcaption></figure>"
        for (class_, width), (letter, what, row) in zip(sizes, chosen, strict=False)
    )
    return f"<h3>What the gate sees</h3><div class='pictures n{len(chosen)}'>{figures}</div>"


def _caption(rehearsal: Rehearsal, letter: str, what: str, row: int) -> str:
    shot = rehearsal.readiness
    state = int(shot.state[row])
    head = (
        f"<b class='letter'>{letter}</b>{glyph(state, 15)} <b>Frame {shot.frame[row]}, {what}: {STATES[state]}.</b> "
        f"{shot.features[row]} trackable, {shot.delivered[row]} of them in the delivery frame."
    )
    why = rehearsal.sightings.why[row][in_gate(rehearsal, row)]
    counts = np.bincount(why, minlength=len(WHY))
    missed = [f"{counts[code]} {WHY[code]}" for code in np.argsort(-counts) if code != SEEN and counts[code]]
    rest = f" In the gate but not trackable: {', '.join(missed)}." if missed else ""
    told = "; ".join(reason.text for reason in shot.reasons[row])
    held = f" {'Held back by' if state != FIRM else 'Tightest'}: {told}." if told else ""
    return head + d.escape(rest + held)


def _stage(rehearsal: Rehearsal) -> str:
    figures = "".join(
        f"<figure>{picture}<figcaption>{d.escape(caption)}</figcaption></figure>"
        for caption, picture in stage_views(rehearsal)
    )
    key = (
        "Dark markers are trackable in at least one frame of this shot, pale ones in none. View and camera of the "
        "first frame with full lines, of the last with dashed ones; blockers likewise, with their paths."
    )
    return f"<h3>The stage</h3><div class='stage'>{figures}</div><p class='key'>{key}</p>"


# --- the foot --------------------------------------------------------------------------------------------------


def foot() -> str:
    """Caution, definitions and limits: what every page ends with."""
    terms = "".join(f"<dt>{d.escape(term)}</dt><dd>{d.escape(text)}</dd>" for term, text in DEFINITIONS)
    limits = "".join(
        f"<tr><td>{d.escape(name)}</td><td>{sign} {limit.firm:g}</td><td>{sign} {limit.thin:g}</td>"
        f"<td>{d.escape(limit.unit)}</td><td>{d.escape(limit.source)}</td></tr>"
        for name, sign, limit in (
            ("Trackable features", "≥", sources.FEATURES),
            ("Depths told apart", "≥", sources.DEPTHS),
            ("Out-of-plane signal", "≥", sources.OUT_OF_PLANE),
            ("Motion blur", "≤", sources.BLUR),
            ("Marker contrast", "≥", sources.CONTRAST),
            ("Slide, drift", "≤", sources.DRIFT),
            ("Slide, jitter", "≤", sources.JITTER),
        )
    )
    return (
        f"<footer><p class='caution'><b>Caution.</b> {d.escape(CAUTION)}</p><h2>How to read it</h2><dl>{terms}</dl>"
        "<h3>Limits where a plan or a shot sets none of its own</h3><div class='scroll'><table class='limits'><thead>"
        "<tr><th>Measure</th><th>Firm</th><th>Thin</th><th>Unit</th><th>Where the limits come from</th></tr></thead>"
        f"<tbody>{limits}</tbody></table></div></footer>"
    )
