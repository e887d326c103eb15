"""Surfaces, markers, stands and gear, and the features they offer."""
