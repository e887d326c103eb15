"""Identifiers of operators and panels, in one place."""

from __future__ import annotations

TAB = "Scatterproof"

BUILD_STAGE = "scatterproof.build_stage"
OPEN_PLAN = "scatterproof.open_plan"
SAVE_PLAN = "scatterproof.save_plan"
SCATTER = "scatterproof.scatter"
ADD_STAND = "scatterproof.add_stand"
ADD_PERFORMER = "scatterproof.add_performer"
EXPORT_STAGE = "scatterproof.export_stage"
MARK = "scatterproof.mark"
REHEARSE = "scatterproof.rehearse"
BAKE = "scatterproof.bake"
CLEAR = "scatterproof.clear"
CLEAR_BAKE = "scatterproof.clear_bake"
