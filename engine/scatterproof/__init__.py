"""Scatter the markers, prove the solve: plans green-screen stages so that their shots can be camera-solved."""

__version__ = "0.1.0"
