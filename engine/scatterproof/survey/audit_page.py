"""The audit report: where a solved camera agrees with the survey, frame by frame, and where it does not."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..plan.model import Plan, Shot
from ..report import drawing as d
from ..report.page import CAUTION, document
from ..report.words import quantity, say_range, say_ranges
from .adjust import axis_factor
from .audit import FOCAL_OFF, LEAST_SEEN, PRIME_DRIFT, SURE, Audit, focal_findings, rms
from .page import notes_list, table

WIDTH, PANEL, LEFT, RIGHT, GAP = 1080.0, 110.0, 70.0, 16.0, 26.0
BLUE, ORANGE, RED = d.STATE_COLOURS
STUBBORN = 6  # named in a sentence

DEFINITIONS = (
    ("allowed camera", "The camera found once more in every frame from the surveyed features that its tracks show, "
     "with the solve's focal length: what the survey allows."),
    ("off", "Distance of the solved camera from the allowed one, after the whole solve was brought onto the stage."),
    ("slide, drift, jitter", "How far a static insert at the action point swims in the delivery frame, solved against "
     "allowed camera; drift is its slow part, jitter the rest."),
    ("residual", "Surveyed features as the solved camera draws them against their tracks, root mean square, in pixels "
     "of the recorded gate."),
    ("disagrees", f"Place and turn differ by more than the survey's own uncertainty excuses ({100 * SURE:g} %)."),
    ("beyond prediction", "Place and turn differ by more than survey and predicted solve leave open together "
     "(likewise): what a sound solve of the planned tracks would not do."),
)  # fmt: skip


def verdicts(audit: Audit, is_zoom: bool = False) -> list[str]:
    """What was found, the most pressing first."""
    lines = [
        f"Frames {say_range(first, last)}: solved camera {1000 * off:.0f} mm and {math.degrees(turn):.2f}° from what "
        f"the survey allows{_predicted(audit, first, last)}."
        for first, last, off, turn in sorted(audit.ranges(), key=lambda r: -r[2])[:12]
    ]
    lines += focal_findings(audit, is_zoom)
    if audit.feature_off:
        told = ", ".join(f"{name} by {px:.1f} px" for name, px in audit.feature_off[:STUBBORN])
        more = len(audit.feature_off) - STUBBORN
        rest = f" and {more} more" if more > 0 else ""
        lines.append(f"Beside their tracks in all frames, so not where the survey says, or mistaken: {told}{rest}.")
    blind = audit.frame[(audit.seen < LEAST_SEEN)]
    if len(blind) and audit.seen.any():
        lines.append(
            f"Frames {say_ranges(blind)}: fewer than {LEAST_SEEN} surveyed features are tracked; nothing can be said."
        )
    if not audit.seen.any():
        lines.append("Without tracks (--tracks) only the solved points and the focal length can be held against it.")
    elif not audit.disagrees.any():
        lines.insert(0, "The solved camera agrees with the survey in every frame that can be checked.")
    elif not audit.accused.any():
        count = int(audit.disagrees.sum())
        lines.insert(
            0,
            f"{count} frame{'s' * (count != 1)} differ{'s' * (count == 1)} from the survey by more than its own "
            "uncertainty, but none by more than a sound solve of these tracks is predicted to.",
        )
    return lines


def _predicted(audit: Audit, first: int, last: int) -> str:
    """What a sound solve would have stayed within in these frames, in words."""
    inside = audit.predicted_m[(audit.frame >= first) & (audit.frame <= last)]
    if not np.isfinite(inside).any():
        return ""
    within = 1000 * axis_factor(0.95, 3) / math.sqrt(3) * float(np.nanmax(inside))
    return f"; a sound solve was predicted to stay within {max(within, 1):.0f} mm"


def audit_page(plan: Plan, shot: Shot, audit: Audit, is_zoom: bool = False) -> str:
    """The whole report."""
    body = (
        f"<header><p class='kind'>Audit of a solved camera</p><h1><bdi>{d.escape(shot.name)}</bdi></h1>"
        f"<p class='summary'>{d.escape(summary(audit))}</p></header>"
        + notes_list("What was found", verdicts(audit, is_zoom))
        + _charts(audit)
        + _registration(audit)
        + _foot()
    )
    return document(f"Audit of {shot.name}, {plan.name}", body)


def summary(audit: Audit) -> str:
    """One line."""
    checked = np.isfinite(audit.test)
    parts = [f"{len(audit.frame)} solved frames, {int(checked.sum())} of them checked"]
    if checked.any():
        parts.append(f"{int(audit.disagrees.sum())} disagree")
        if np.isfinite(audit.predicted_m).any():
            parts.append(f"{int(audit.beyond.sum())} by more than predicted")
        parts.append(
            f"off by {1000 * rms(audit.off_m):.0f} mm, residual {quantity(rms(audit.residual_px), 'px')} (rms)"
        )
    slide = rms(np.hypot(*audit.drift_px.T)), rms(np.hypot(*audit.jitter_px.T))
    if np.isfinite(slide).all():
        parts.append(f"slide {slide[0]:.1f} px drift, {slide[1]:.1f} px jitter (rms)")
    return "; ".join(parts) + "."


def audit_csv(audit: Audit) -> str:
    """One row per frame; empty where the survey can't say."""
    out = io.StringIO()
    sheet = csv.writer(out)
    columns = _columns(audit)
    sheet.writerow(["frame", "disagrees", "beyond_prediction", *columns])
    for i, frame in enumerate(audit.frame.tolist()):
        cells = ["" if np.isnan(values[i]) else f"{values[i]:.6g}" for values in columns.values()]
        sheet.writerow([frame, int(audit.disagrees[i]), int(audit.beyond[i]), *cells])
    return out.getvalue()


def audit_json(plan: Plan, shot: Shot, audit: Audit, is_zoom: bool = False) -> dict[str, Any]:
    """The outcome for machines."""
    match = audit.match
    columns = _columns(audit)
    frames = [
        {"frame": int(frame), "disagrees": bool(audit.disagrees[i]), "beyond_prediction": bool(audit.beyond[i])}
        | {name: None if np.isnan(values[i]) else float(f"{values[i]:.6g}") for name, values in columns.items()}
        for i, frame in enumerate(audit.frame)
    ]
    registration = match and {
        "scale": match.plan_from_survey.scale,
        "rotation": match.plan_from_survey.rotation.tolist(),
        "shift_m": match.plan_from_survey.shift.tolist(),
        "points": len(match.point),
        "of": len(audit.labels),
        "spread_m": match.spread_m,
    }
    return {
        "schema": 1,
        "plan": plan.name,
        "shot": shot.name,
        "summary": summary(audit),
        "verdicts": verdicts(audit, is_zoom),
        "registration": registration,
        "disagreeing": [
            {"first": first, "last": last, "off_m": off, "turn_rad": turn} for first, last, off, turn in audit.ranges()
        ],
        "frames": frames,
    }


def _columns(audit: Audit) -> dict[str, np.ndarray]:
    return {
        "features": audit.seen.astype(float),
        "residual_px": audit.residual_px,
        "off_m": audit.off_m,
        "off_rad": audit.off_rad,
        "off_sigma_m": audit.off_sigma_m,
        "predicted_sigma_m": audit.predicted_m,
        "drift_px": np.hypot(*audit.drift_px.T),
        "jitter_px": np.hypot(*audit.jitter_px.T),
        "shake_m": audit.shake_m,
        "focal_mm": audit.focal_mm,
        "focal_ratio": audit.focal_ratio,
    }


def _charts(audit: Audit) -> str:
    columns = _columns(audit)
    uncertainty, predicted = (
        1000 * axis_factor(0.95, 3) / math.sqrt(3) * columns[name] for name in ("off_sigma_m", "predicted_sigma_m")
    )
    panels: list[tuple[str, list[tuple[str, np.ndarray, str]]]] = [
        ("Off, mm", [("off", 1000 * columns["off_m"], BLUE),
                     ("95 % of the survey's own uncertainty", uncertainty, d.GREY),
                     ("95 % of a sound solve, as predicted", predicted, ORANGE)]),
        ("Residual, px", [("residual", columns["residual_px"], BLUE)]),
        ("Slide, px", [("drift", columns["drift_px"], BLUE), ("jitter", columns["jitter_px"], ORANGE)]),
        ("Focal length, % of planned", [("focal length", 100 * columns["focal_ratio"], BLUE)]),
        ("Shake of the path, mm", [("shake", 1000 * columns["shake_m"], BLUE)]),
    ]  # fmt: skip
    known = [(name, [line for line in lines if np.isfinite(line[1]).sum() > 1]) for name, lines in panels]
    shown = [panel for panel in known if panel[1]]
    if not shown:
        return ""
    x = d.Scale(float(audit.frame[0]), float(max(audit.frame[-1], audit.frame[0] + 1)), LEFT, WIDTH - RIGHT)
    height = len(shown) * (PANEL + GAP) + 34
    body = "".join(_panel(audit, name, lines, x, 18 + i * (PANEL + GAP)) for i, (name, lines) in enumerate(shown))
    bottom = height - 18
    for tick in d.ticks(x.low, x.high, 12):
        if tick == round(tick):
            body += d.label(x.at(tick), bottom, f"{tick:.0f}", text_anchor="middle", class_="axis")
    picture = d.svg(WIDTH, height, body, "the audit over the frames of the shot", "curves")
    key = f"Shaded frames {_accused(audit)}. Gaps: too few surveyed features tracked."
    return f"<h3>Frame by frame</h3><div class='scroll'>{picture}</div><p class='key'>{key}</p>"


def _accused(audit: Audit) -> str:
    predicted = np.isfinite(audit.predicted_m).any()
    return "are off by more than predicted" if predicted else "disagree with the survey"


def _panel(audit: Audit, name: str, lines: Sequence[tuple[str, np.ndarray, str]], x: d.Scale, top: float) -> str:
    values = np.concatenate([v[np.isfinite(v)] for _, v, _ in lines])
    low, high = float(values.min()), float(values.max())
    if not name.startswith("Focal"):
        low = 0.0
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    y = d.Scale(low, high + 0.05 * (high - low), top + PANEL, top)
    parts = [_shade(audit, x, top)]
    parts.append(d.element("rect", x=x.start, y=top, width=x.end - x.start, height=PANEL, class_="frame"))
    for tick in d.ticks(y.low, y.high, 4):
        at = d.number(y.at(tick))
        parts.append(d.element("path", d=f"M{d.number(x.start)} {at}H{d.number(x.end)}", class_="grid"))
        parts.append(d.label(x.start - 6, y.at(tick) + 4, f"{tick:.4g}", text_anchor="end", class_="axis"))
    parts.append(d.label(x.start, top - 5, name, class_="strong"))
    for i, (what, series, colour) in enumerate(lines):
        dash = "none" if i == 0 else "5 3"
        for start, end in _runs(audit.frame, np.isfinite(series)):
            points = np.column_stack([x(audit.frame[start:end]), y(series[start:end])])
            parts.append(
                d.element("path", d.title(what), d=d.path_data(points, close=False), class_="curve", stroke=colour,
                          stroke_dasharray=dash)
            )  # fmt: skip
        if len(lines) > 1:
            end_x = x.end - 10 - sum(7.0 * len(after) + 60 for after, *_ in lines[i + 1 :])
            parts.append(d.label(end_x, top - 5, what, text_anchor="end", class_="axis"))
            sample = f"M{d.number(end_x + 2 - 7.0 * len(what) - 34)} {d.number(top - 9)}h26"
            parts.append(d.element("path", d=sample, class_="curve", stroke=colour, stroke_dasharray=dash))
    return "".join(parts)


def _runs(frame: np.ndarray, known: np.ndarray) -> list[tuple[int, int]]:
    """Rows (start, end) of unbroken runs of known frames."""
    rows = np.flatnonzero(known)
    if not len(rows):
        return []
    cut = np.flatnonzero((np.diff(rows) > 1) | (np.diff(frame[rows]) > 1)) + 1
    return [(int(part[0]), int(part[-1]) + 1) for part in np.split(rows, cut)]


def _shade(audit: Audit, x: d.Scale, top: float) -> str:
    return "".join(
        d.element("rect", d.title(f"frames {say_range(first, last)} {_accused(audit)}"), x=x.at(first - 0.5),
                  y=top, width=max(x.at(last + 0.5) - x.at(first - 0.5), 2.0), height=PANEL, fill=RED,
                  fill_opacity=0.16)
        for first, last, *_ in audit.ranges()
    )  # fmt: skip


def _registration(audit: Audit) -> str:
    if audit.match is None:
        return "<h3>Onto the stage</h3><p>Taken as it was: the solved world was said to be the stage.</p>"
    match = audit.match
    said = (
        f"{len(match.point)} of {len(audit.labels)} common points agree, spread {1000 * match.spread_m:.1f} mm per "
        f"axis; one unit of the solve is {match.plan_from_survey.scale:.6g} m."
    )
    rows = [
        (name, f"{1000 * off:.0f} mm") for name, off in list(zip(audit.labels, audit.label_off_m, strict=True))[:20]
    ]
    return f"<h3>Onto the stage</h3><p>{d.escape(said)}</p>" + table(("Point, the farthest off first", "Off "), rows)


def _foot() -> str:
    terms = "".join(f"<dt>{d.escape(term)}</dt><dd>{d.escape(text)}</dd>" for term, text in DEFINITIONS)
    limits = table(
        ("Limit", "Value ", "Where it comes from"),
        [("focal length off", f"{100 * FOCAL_OFF.value:g} %", FOCAL_OFF.source),
         ("focal length of a prime wanders", f"{100 * PRIME_DRIFT.value:g} %", PRIME_DRIFT.source)],
        "limits",
    )  # fmt: skip
    return (
        f"<footer><p class='caution'><b>Caution.</b> {d.escape(CAUTION)}</p><h2>How to read it</h2><dl>{terms}</dl>"
        f"{limits}</footer>"
    )
