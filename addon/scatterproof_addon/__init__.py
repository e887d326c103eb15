"""Scatterproof in Blender: plan green-screen stages whose shots can be camera-solved."""

from __future__ import annotations

from contextlib import ExitStack

MODULES = ("preferences", "props", "ops", "ui", "handlers", "overlay", "keys")


def register() -> None:
    """Register every module in order; undo in reverse if one fails."""
    from importlib import import_module

    with ExitStack() as undo:
        for name in MODULES:
            module = import_module(f".{name}", __package__)
            module.register()
            undo.callback(module.unregister)
        undo.pop_all()


def unregister() -> None:
    """Unregister in reverse order."""
    from importlib import import_module

    for name in reversed(MODULES):
        import_module(f".{name}", __package__).unregister()
