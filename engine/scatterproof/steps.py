"""Long work in steps: an iterator that yields how far it has come and returns its result.

Whoever iterates owns the clock: a window gives it slices of time, and stopping means that nothing has happened.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import TypeVar

Step = TypeVar("Step")
Result = TypeVar("Result")


def finish(steps: Generator[Step, None, Result], tell: Callable[[Step], None] | None = None) -> Result:
    """The result, waited for; ``tell`` hears of every step, and whatever it raises stops the work.

    >>> def count():
    ...     yield "one"
    ...     return 2
    >>> finish(count(), print)
    one
    2
    """
    while True:
        try:
            step = next(steps)
        except StopIteration as end:
            result: Result = end.value
            return result
        if tell:
            tell(step)
