"""The command line: ``scatterproof VERB ...``. Exit status 0 done, 1 not ready (with --strict), 2 bad input."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Sequence
from typing import Final

from scatterproof import __version__

from ..problems import BadInput, Problem
from . import advise, audit, check, kit, new, paint, prove, rehearse, scene, shapes, survey

# A verb is a module with register(); see any of them.
VERBS: Final = (new, check, rehearse, advise, prove, paint, shapes, kit, scene, survey, audit)
MOST_SHOWN: Final = 50
STOPPED, CLOSED_PIPE = 130, 141  # what a shell reports for SIGINT and SIGPIPE


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit status; whatever goes wrong with input or files is told on standard error."""
    for stream in (sys.stdout, sys.stderr):  # a name that the terminal cannot show is no reason to stop
        with contextlib.suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    try:
        arguments = parser().parse_args(argv)
        status: int = arguments.run(arguments)
        sys.stdout.flush()
        return status
    except SystemExit as end:  # from the parser: 2 for a slip, 0 for --help
        return end.code if isinstance(end.code, int) else 2
    except BadInput as error:
        tell_problems(error.problems)
        return 2
    except KeyboardInterrupt:
        print("scatterproof: stopped", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        with contextlib.suppress(OSError, ValueError):  # nobody reads: keep the interpreter from flushing at its end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CLOSED_PIPE
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        print(f"scatterproof: {place}{error.strerror or error}", file=sys.stderr)
        return 2


def parser() -> argparse.ArgumentParser:
    """The parser with every verb."""
    top = argparse.ArgumentParser(
        prog="scatterproof", description="Plan green-screen stages so that their shots can be camera-solved."
    )
    top.add_argument("--version", action="version", version=f"scatterproof {__version__}")
    verbs = top.add_subparsers(title="verbs", required=True, metavar="VERB")
    for verb in VERBS:
        verb.register(verbs)
    return top


def tell_problems(problems: Sequence[Problem]) -> None:
    """Print what is wrong on standard error, one line each."""
    count = len(problems)
    print(f"scatterproof: {count} problem{'s' * (count != 1)}", file=sys.stderr)
    for problem in problems[:MOST_SHOWN]:
        print(f"  {problem}", file=sys.stderr)
    if count > MOST_SHOWN:
        print(f"  and {count - MOST_SHOWN} more", file=sys.stderr)
