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
READ_SURVEY = "scatterproof.read_survey"
MATCH_SURVEY = "scatterproof.match_survey"
ACCEPT_SURVEY = "scatterproof.accept_survey"
ACCEPT_ONE = "scatterproof.accept_one"
ACCEPT_SELECTED = "scatterproof.accept_selected"
DISCARD_SURVEY = "scatterproof.discard_survey"
