"""What a proof found: slide predicted and simulated, where an insert may stand, recorded tracks; page and JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..plan.criteria import ShotCriteria
from ..plan.model import Plan
from ..prove.proof import APART, Proof
from ..prove.recorded import RecordedSolve
from ..prove.standing import Standing
from ..prove.takes import TURNED
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import FIRM, STATES, ShotReadiness, state_below
from ..solve.start import BROKEN, FEW_TRACKS, NO_MOTION, NO_PAIR, NotStarted
from ..sources import FOCAL_KNOWN
from . import drawing as d
from .data import SCHEMA, number
from .page import document, facts, foot, glyph
from .stage_plan import Sheet, plan_view
from .strip import Curve, curve_sheet
from .words import quantity, say_ranges

# What a way to fail is called in a sentence: "3 takes ...".
FAILURES = {
    FEW_TRACKS: "had too few tracks in common to begin with",
    NO_PAIR: "had no two frames that share enough tracks",
    NO_MOTION: "found no camera motion that explains the tracks",
    BROKEN: "fell apart: most frames share too few tracks with the rest",
    TURNED: "were taken for a camera that only turns",
}
SMALLEST_CELL = 27.0  # units: a number in a smaller cell could not be read


# --- for programs ----------------------------------------------------------------------------------------------


def proof_json(plan: Plan, shots: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """What ``prove.json`` holds."""
    return {"schema": SCHEMA, "plan": plan.name, "shots": list(shots)}


def shot_json(proof: Proof, criteria: ShotCriteria) -> dict[str, Any]:
    """One shot. Slides are pixels of the delivery frame per frame; a number that is not finite becomes None."""
    p = proof.prediction
    told: dict[str, Any] = {
        "name": proof.name,
        "frames": proof.frame.tolist(),
        "matching": criteria.matching,
        "predicted": {
            "slide_drift_px": _row(p.slide.drift_sigma_px),
            "slide_jitter_px": _row(p.slide.jitter_sigma_px),
            "slide_drift_95_px": _row(p.drift_95_px),
            "slide_jitter_95_px": _row(p.jitter_95_px),
            "camera_sigma_mm": _row(1000 * p.camera_sigma_m),
            "focal_sigma": number(p.focal_sigma),
            "solvability": number(p.solvability),
            "solvable": p.solvable,
            "linear": p.linear,
            "flat": p.flat,
            "bend": number(p.bend),
            "lens_held": p.lens_held,
            "rotation_only": p.rotation_only,
        },
        "rules": "simulated" if proof.simulated_rules else "predicted",
    }
    if proof.standing is not None:
        told["standing"] = {
            "place_m": proof.standing.place_m.round(4).tolist(),
            "slide_drift_95_px": _row(proof.standing.drift_95_px),
            "slide_jitter_95_px": _row(proof.standing.jitter_95_px),
        }
    if proof.takes is not None:
        takes = proof.takes
        told["takes"] = {
            "solved": takes.solved,
            "failed": len(takes.takes) - takes.solved,
            "failures": takes.failures,
            "seeds": [take.seed for take in takes.takes],
            "slide_drift_px": _row(takes.drift_px),
            "slide_jitter_px": _row(takes.jitter_px),
            "slide_drift_95_px": _row(takes.drift_95_px),
            "slide_jitter_95_px": _row(takes.jitter_95_px),
            "camera_rms_mm": _row(1000 * takes.camera_m),
            "ratio_to_predicted": {"drift": number(proof.ratios[0]), "jitter": number(proof.ratios[1])},
            "lost_frames": {str(take.seed): list(take.lost_frames) for take in takes.takes if take.lost_frames},
        }
    return told


def tracks_json(solve: RecordedSolve | NotStarted, rehearsal: Rehearsal, file: str) -> dict[str, Any]:
    """The same for recorded tracks of one shot."""
    told: dict[str, Any] = {"file": file, "solved": isinstance(solve, RecordedSolve)}
    if isinstance(solve, RecordedSolve):
        focal_mm = rehearsal.track.focal_mm * solve.scene.focal_px / rehearsal.track.focal_px[:, 0]
        told |= {
            "features": len(solve.recorded.feature),
            "sightings": len(solve.recorded.tracks),
            "dropped": int((~solve.kept).sum()),
            "surveyed": len(solve.surveyed),
            "rotation_only": solve.rotation_only,
            "datum": solve.datum,
            "lost_frames": list(solve.lost_frames),
            "focal_mm": _row(focal_mm),
            "distortion": _row(solve.scene.inner[0, 1:]),
            "reprojection_rms_px": number(solve.residual_rms_px),
            "sigma0": number(solve.sigma0),
            "slide_drift_px": _row(np.hypot(*solve.drift_px.T)),
            "slide_jitter_px": _row(np.hypot(*solve.jitter_px.T)),
            "camera_mm": _row(1000 * solve.camera_m),
        }
        if solve.expected is not None:
            told |= {
                "expected_drift_px": _row(solve.expected.drift_sigma_px),
                "expected_jitter_px": _row(solve.expected.jitter_sigma_px),
            }
    else:
        told |= {"why": solve.code, "remedy": solve.remedy, "frames": _frames_of(solve, rehearsal)}
    p = rehearsal.prediction
    return {
        "name": rehearsal.shot.name,
        "frames": p.frame.tolist(),
        "predicted": {
            "slide_drift_px": _row(p.slide.drift_sigma_px),
            "slide_jitter_px": _row(p.slide.jitter_sigma_px),
            "camera_sigma_mm": _row(1000 * p.camera_sigma_m),
        },
        "tracks": told,
    }


def _row(values: np.ndarray) -> list[float | None]:
    return [number(value) for value in values]


def _frames_of(no: NotStarted, rehearsal: Rehearsal) -> list[int]:
    return [int(rehearsal.track.frame[row]) for row in no.frames]


# --- in words --------------------------------------------------------------------------------------------------


def proof_state(proof: Proof, criteria: ShotCriteria) -> np.ndarray:
    """(F,) FIRM, THIN or LOST by the slide that rules."""
    return _state(proof.drift_95_px, proof.jitter_95_px, criteria)


def _state(drift: np.ndarray, jitter: np.ndarray, criteria: ShotCriteria) -> np.ndarray:
    return np.asarray(np.maximum(state_below(drift, criteria.drift), state_below(jitter, criteria.jitter)))


def said(proof: Proof, criteria: ShotCriteria) -> tuple[int, str, str]:
    """The worst state, and two sentences about it: what an insert does, and what became of the takes."""
    state = int(proof_state(proof, criteria).max())
    how = "drifts by up to {} and jitters by up to {}, in 95 of 100 takes.".format(
        *(quantity(_worst(v), "px") for v in (proof.drift_95_px, proof.jitter_95_px))
    )
    first = f"{STATES[state].capitalize()}: an insert {how}"
    if not proof.prediction.solvable:
        first = "Lost: the sightings do not fix the camera."
    takes = proof.takes
    if takes is None:
        return state, first, "No takes were simulated."
    total = len(takes.takes)
    second = f"{takes.solved} of {total} simulated takes solved from nothing."
    for code, count in takes.failures.items():
        second += f" {count} {FAILURES.get(code, code)}."
    if takes.solved:
        second += " Simulated over predicted: drift {:.2f}, jitter {:.2f} (median over frames).".format(*proof.ratios)
    return state, first, second


def trust(proof: Proof) -> list[str]:
    """What is to be known before one believes the numbers."""
    p, told = proof.prediction, []
    if p.flat:
        told.append("All features lie on one plane: another camera motion fits nearly as well.")
    elif p.solvable and not p.linear:
        told.append("The solve bends: errors as large as these carry it off a straight prediction.")
    if not p.linear and p.solvable:
        ruling = "The simulated value rules." if proof.simulated_rules else "Simulated takes would tell more."
        told.append(f"The linear prediction is no longer valid here, it is only a lower bound. {ruling}")
    elif not proof.agree:
        told.append(
            f"Takes and prediction are apart by more than {APART:g} times, which the linear prediction can't explain: "
            "it is not valid here. The simulated value rules."
        )
    if p.lens_held:
        told.append("The move is so straight that lens and depth of the scene can't be told apart: the prediction "
                    "takes the lens as known. The insert does not mind, the camera's place does.")  # fmt: skip
    elif p.focal_sigma > 0.02:
        told.append(f"The focal length is known to {100 * p.focal_sigma:.0f} % only, and with it the camera's "
                    "distance: lens and depth of the scene trade. The insert does not mind. (Takes begin within "
                    f"{100 * FOCAL_KNOWN.value:g} % of the marked focal length, and stay nearer.)")  # fmt: skip
    if p.rotation_only:
        told.append("A nodal move: solved for rotation. An insert sticks at any distance, but has none of its own.")
    lost = sum(bool(take.lost_frames) for take in proof.takes.takes if take.solved) if proof.takes else 0
    if lost:
        told.append(f"In {lost} takes some frames could not be added to the solve.")
    return told


def beside(rehearsed: ShotReadiness, state: int) -> list[str]:
    """That the rehearsal, which asks for more than slide, is harder on the shot: nobody should read two verdicts."""
    worst = int(rehearsed.state.max())
    if worst <= state:
        return []
    count = int((rehearsed.state == worst).sum())
    frames = f"{count} of {len(rehearsed.state)} frames {STATES[worst]}"
    return [f"This is about slide alone: by all its criteria the rehearsal calls {frames}, and its verdict stands."]


def _worst(values: np.ndarray) -> float:
    known = values[~np.isnan(values)]
    return float(known.max()) if len(known) else math.nan


# --- the page --------------------------------------------------------------------------------------------------


def proof_page(plan: Plan, sections: Sequence[str]) -> str:
    """The whole page; ``sections`` are :func:`proof_section` or :func:`tracks_section`."""
    note = f"<p class='note'>{d.escape(plan.note)}</p>" if plan.note else ""
    head = f"<header><p class='kind'>Proof</p><h1><bdi>{d.escape(plan.name)}</bdi></h1>{note}</header>"
    return document(f"Proof of {plan.name}", head + "".join(sections) + foot())


def proof_section(rehearsal: Rehearsal, proof: Proof) -> str:
    """One shot: the verdict of its slide, curves, the table, and where an insert may stand."""
    criteria = rehearsal.criteria
    state, first, second = said(proof, criteria)
    notes = "".join(f"<li>{d.escape(line)}</li>" for line in [*beside(rehearsal.readiness, state), *trust(proof)])
    about = f"predicted and simulated slide of {proof.name} over its frames"
    return (
        f"<section class='shot'><h2><bdi>{d.escape(proof.name)}</bdi></h2>"
        f"<p class='facts'>{d.escape(facts(rehearsal))} · {_tracking(rehearsal)}</p>"
        f"<div class='verdict s{state}'>{glyph(state, 26)}<div><p class='said'>{d.escape(first)}</p>"
        f"<p>{d.escape(second)}</p></div></div>"
        + (f"<ul class='notes'>{notes}</ul>" if notes else "")
        + f"<div class='scroll'>{curve_sheet(proof.frame, _curves(proof, criteria), about)}</div>"
        + _table(proof)
        + _standing(rehearsal, proof.standing)
        + "</section>"
    )


def _tracking(rehearsal: Rehearsal) -> str:
    tracks, lens = rehearsal.network.seen.shape[1], rehearsal.network.unknowns
    matched = "back to a reference" if rehearsal.criteria.matching == "reference" else "from frame to frame"
    unknown = {"fixed": "focal length known"}.get(lens.focal, "focal length to be found")
    return f"{tracks} tracks, matched {matched} · {unknown}{', distortion too' if lens.distortion else ''}"


def _curves(proof: Proof, criteria: ShotCriteria) -> list[Curve]:
    p, takes = proof.prediction, proof.takes
    dotted = "; dotted: simulated takes" if takes else ""
    about = f"predicted, what 95 of 100 takes stay below, in pixels of the delivery frame{dotted}"
    return [
        Curve("Drift", about, p.drift_95_px, criteria.drift, second=takes.drift_95_px if takes else None),
        Curve("Jitter", "likewise", p.jitter_95_px, criteria.jitter, second=takes.jitter_95_px if takes else None),
        Curve(
            "Camera", f"its place, one sigma, in millimetres, aligned to the whole scene{dotted}",
            1000 * p.camera_sigma_m, None, second=1000 * takes.camera_m if takes else None,
        ),
    ]  # fmt: skip


def _table(proof: Proof) -> str:
    p, takes = proof.prediction, proof.takes
    none = np.full(len(p.frame), np.nan)
    rows = [
        ("Drift, one sigma", "px", p.slide.drift_sigma_px, takes.drift_px if takes else none),
        ("Drift, 95 of 100 takes", "px", p.drift_95_px, takes.drift_95_px if takes else none),
        ("Jitter, one sigma", "px", p.slide.jitter_sigma_px, takes.jitter_px if takes else none),
        ("Jitter, 95 of 100 takes", "px", p.jitter_95_px, takes.jitter_95_px if takes else none),
        ("Camera's place, one sigma", "mm", 1000 * p.camera_sigma_m, 1000 * takes.camera_m if takes else none),
    ]
    head = (
        "<tr><th></th><th colspan='2'>Predicted</th><th colspan='2'>Simulated</th><th></th></tr>"
        "<tr><th></th><th>median</th><th>worst frame</th><th>median</th><th>worst frame</th><th>ratio</th></tr>"
    )
    body = "".join(_table_row(*row) for row in rows)
    seeds = [take.seed for take in takes.takes] if takes else []
    told = f"<p class='key'>Seeds of the takes: {say_ranges(seeds)}.</p>" if seeds else ""
    return f"<h3>Predicted against simulated</h3><div class='scroll'><table class='limits'><thead>{head}</thead>" \
           f"<tbody>{body}</tbody></table></div>{told}"  # fmt: skip


def _table_row(name: str, unit: str, predicted: np.ndarray, simulated: np.ndarray) -> str:
    cells = [name]
    for values in (predicted, simulated):
        known = values[~np.isnan(values)]
        cells += [_fine(f(known), unit) if len(known) else "" for f in (np.median, np.max)]
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = simulated / predicted
    known = ratio[np.isfinite(ratio)]
    cells.append(f"{np.median(known):.2f}" if len(known) else "")
    return "<tr>" + "".join(f"<td>{d.escape(cell)}</td>" for cell in cells) + "</tr>"


def _fine(value: float, unit: str) -> str:
    """Three figures: slides are small numbers.

    >>> _fine(0.01234, "px"), _fine(12.345, "mm"), _fine(np.inf, "px")
    ('0.0123 px', '12.3 mm', 'no end')
    """
    return f"{value:.3g} {unit}" if math.isfinite(value) else "no end"


def _standing(rehearsal: Rehearsal, standing: Standing | None) -> str:
    if standing is None or not np.isfinite(standing.drift_95_px).any():
        return ""
    height = rehearsal.shot.action_point[2]
    caption = (
        f"Slide of inserts that stand elsewhere, {height:.2f} m high as the action point: predicted drift, what 95 of "
        "100 takes stay below, worst of a few frames, in pixels of the delivery frame. Colours count jitter too."
    )
    return (
        f"<h3>Where an insert may stand</h3><div class='pictures n1'><figure>{standing_picture(rehearsal, standing)}"
        f"<figcaption>{d.escape(caption)}</figcaption></figure></div>"
    )


def standing_picture(rehearsal: Rehearsal, standing: Standing) -> str:
    """The stage from above, its places in the colours of their slide."""
    states = _state(standing.drift_95_px, standing.jitter_95_px, rehearsal.criteria)

    def cells(sheet: Sheet) -> str:
        corner = np.array([-0.5, 0.5, 0]) * standing.cell_m
        parts = []
        for place, drift, jitter, state in zip(
            standing.place_m, standing.drift_95_px, standing.jitter_95_px, states.tolist(), strict=True
        ):
            if not math.isfinite(drift):
                continue
            x, y = sheet(place + corner)
            side = standing.cell_m * sheet.scale
            told = f"{STATES[state]}: drift {_fine(drift, 'px')}, jitter {_fine(jitter, 'px')}"
            pale = {"fill": d.STATE_COLOURS[state], "fill_opacity": 0.25 if state == FIRM else 0.5}
            body = d.title(told) + d.element("rect", x=x, y=y, width=side, height=side, stroke=d.PAPER, **pale)
            if state != FIRM:
                body += d.element("rect", x=x, y=y, width=side, height=side, fill=f"url(#hatch-{state})",
                                  fill_opacity=0.35)  # fmt: skip
            if side >= SMALLEST_CELL:
                body += d.label(x + side / 2, y + side / 2 + 4, f"{drift:.2f}", text_anchor="middle")
            parts.append(d.element("g", body))
        return d.element("g", "".join(parts), class_="standing")

    shown = np.concatenate([standing.place_m[np.isfinite(standing.drift_95_px)], rehearsal.track.centre_m])
    return plan_view(rehearsal, "where an insert may stand", shown, cells)


def tracks_section(rehearsal: Rehearsal, solve: RecordedSolve | NotStarted, file: str) -> str:
    """Recorded tracks of a shot, solved."""
    head = f"<section class='shot'><h2><bdi>{d.escape(rehearsal.shot.name)}</bdi></h2><p class='facts'>" \
           f"{d.escape(facts(rehearsal))} · tracks from {d.escape(file)}</p>"  # fmt: skip
    lines = "".join(f"<li>{d.escape(line)}</li>" for line in tracks_lines(rehearsal, solve))
    if not isinstance(solve, RecordedSolve):
        return f"{head}<ul class='notes'>{lines}</ul></section>"
    p, criteria = rehearsal.prediction, rehearsal.criteria
    dotted = "; dotted: predicted from the plan, one sigma"
    curves = [
        Curve("Drift", f"against the planned camera, in pixels of the delivery frame{dotted}",
              np.hypot(*solve.drift_px.T), criteria.drift, second=p.slide.drift_sigma_px),
        Curve("Jitter", "likewise", np.hypot(*solve.jitter_px.T), criteria.jitter, second=p.slide.jitter_sigma_px),
        Curve("Reprojection error", "root mean square over a frame's tracks, in recorded pixels", solve.residual_px,
              None),
        Curve("Camera", f"its distance from the planned place, in millimetres{dotted}", 1000 * solve.camera_m, None,
              second=1000 * p.camera_sigma_m),
    ]  # fmt: skip
    sheet = curve_sheet(p.frame, curves, f"solved tracks of {rehearsal.shot.name} over its frames")
    return f"{head}<ul class='notes'>{lines}</ul><div class='scroll'>{sheet}</div></section>"


def tracks_lines(rehearsal: Rehearsal, solve: RecordedSolve | NotStarted) -> list[str]:
    """The outcome in sentences."""
    if not isinstance(solve, RecordedSolve):
        where = say_ranges(_frames_of(solve, rehearsal))
        return [f"Not solved: {solve.code} (frames {where}); {solve.remedy}."]
    tracks = solve.recorded.tracks
    focal = rehearsal.track.focal_mm * solve.scene.focal_px / rehearsal.track.focal_px[:, 0]
    used = focal[solve.solved]
    lines = [
        f"Solved {int(solve.solved.sum())} of {len(solve.solved)} frames"
        f"{' for rotation only' if solve.rotation_only else ''} from {tracks.points} tracks, {len(tracks)} sightings, "
        f"of which {int((~solve.kept).sum())} were dropped; {solve.datum}.",
        f"Focal length {_span(used)} mm (planned {_span(rehearsal.track.focal_mm)} mm); reprojection error "
        f"{_fine(solve.residual_rms_px, 'px')} root mean square.",
    ]  # fmt: skip
    if solve.lost_frames:
        lines.append(f"Frames {say_ranges(solve.lost_frames)} have tracks but could not be added.")
    drift, jitter = (np.hypot(*v.T) for v in (solve.drift_px, solve.jitter_px))
    if np.isfinite(drift).any():
        p = rehearsal.prediction.slide
        lines.append(
            f"Slide against the plan, root mean square: drift {_fine(_rms(drift), 'px')} (predicted "
            f"{_fine(_rms(p.drift_sigma_px), 'px')}), jitter {_fine(_rms(jitter), 'px')} (predicted "
            f"{_fine(_rms(p.jitter_sigma_px), 'px')}). Where the camera did not move as planned, that is in it too."
        )
    if solve.expected is not None:
        expected = [_fine(_rms(v), "px") for v in (solve.expected.drift_sigma_px, solve.expected.jitter_sigma_px)]
        lines.append(f"By their own scatter these tracks should give drift {expected[0]} and jitter {expected[1]}.")
    return lines


def _span(values: np.ndarray) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:.4g}" if high - low < 1e-3 * high else f"{low:.4g} to {high:.4g}"


def _rms(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else math.nan
