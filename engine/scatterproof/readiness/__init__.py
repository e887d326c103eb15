"""Verdicts: every frame firm, thin or lost, and the numbers that decide it."""
