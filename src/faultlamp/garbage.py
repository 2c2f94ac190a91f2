"""Python's search for garbage in cycles, held off while a dashboard starts.

Rule: what is loaded until the first paint stays anyway, and the search would go through all of it again and again,
for about a tenth of the start. `resume` begins it after the first paint, and never looks at what is there by then.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def held_off() -> Iterator[None]:
    """No search until `resume`, or the end of this at the latest."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def resume() -> None:
    """Search from now on, if it was held off."""
    if not gc.isenabled():
        gc.freeze()
        gc.enable()
