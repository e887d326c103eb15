"""Scatter the markers, prove the solve: plans green-screen stages so that their shots can be camera-solved."""

__version__ = "0.1.0"
build_stamp = ""  # set by the extension's build command, so that a running copy can be told from another
