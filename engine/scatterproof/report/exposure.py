"""Stop and shutter against light, for people: the advice, what is in focus, and every pair that was tried."""

from __future__ import annotations

import math

import numpy as np

from ..readiness.exposure import Trade, exposure_advice, f_number, seconds_text, trade_exposure
from ..readiness.rehearse import Rehearsal
from ..sightings.blur import depth_of_field_m
from . import drawing as d
from .words import from_afar

SOFT_PX = 2.0  # disc up to which the page calls a distance in focus


def exposure_section(rehearsal: Rehearsal) -> str:
    """What stop and shutter would keep a shot's features, and what they cost."""
    if not len(rehearsal.layout.features):
        return ""
    trade = trade_exposure(rehearsal)
    said = d.escape(exposure_advice(trade) + " " + in_focus(rehearsal))
    if not trade.needed:
        return f"<h3>Stop and shutter</h3><p>{said}</p>"
    return (
        f"<h3>Stop and shutter</h3><p>{said}</p><details><summary>Every pair that was tried</summary>"
        f"{_table(trade)}</details>"
    )


def in_focus(rehearsal: Rehearsal) -> str:
    """From where to where the first frame is in focus."""
    track, unit = rehearsal.track, rehearsal.plan.units
    px_per_mm = track.focal_px[0, 1] / track.focal_mm[0]
    focal, stop, focus = (float(table[0]) for table in (track.focal_mm, track.stop, track.focus_m))
    near, far = depth_of_field_m(focal, stop, focus, SOFT_PX / float(px_per_mm))
    if math.isnan(near):
        return "Focused nearer than its focal length, the lens makes no sharp picture."
    reach = f"from {from_afar(near, unit)} to {from_afar(far, unit)}"
    return f"At {f_number(stop)} the disc stays within {SOFT_PX:g} px {reach} (first frame)."


def _table(trade: Trade) -> str:
    head = "".join(f"<th class='n'>{d.escape(seconds_text(float(t)))}</th>" for t in trade.times_s)
    rows = "".join(
        f"<tr><th scope='row'>{f_number(float(stop))}</th>"
        + "".join(_cell(trade, i, j) for j in range(len(trade.times_s)))
        + "</tr>"
        for i, stop in enumerate(trade.stops)
    )
    key = (
        f"Share of {trade.needed} sightings looked at that track, of those that would track sharp and still; stops of "
        "light over what the shot has now. Filled: all of them, with the motion blur firm. Framed: now. Left open: the "
        "motion blur alone rules it out."
    )
    blur = "".join(f"<td class='n'>{_blur(float(b))}</td>" for b in trade.blur_px)
    return (
        f"<div class='scroll'><table class='trade'><thead><tr><th></th>{head}</tr></thead><tbody>{rows}"
        f"<tr><th scope='row'>blur, px</th>{blur}</tr></tbody></table></div><p class='key'>{d.escape(key)}</p>"
    )


def _blur(px: float) -> str:
    return "" if np.isnan(px) else f"{px:.1f}"


def _cell(trade: Trade, i: int, j: int) -> str:
    marks = ["n"] + ["fits"] * bool(trade.fits[i, j]) + ["own"] * ((i, j) == trade.own)
    share = "" if np.isnan(trade.kept[i, j]) else f"{math.floor(100 * trade.kept[i, j])} %"
    return (
        f"<td class='{' '.join(marks)}'>{share}<br/><small>{round(float(trade.cost[i, j]), 1) + 0.0:+.1f}</small></td>"
    )
