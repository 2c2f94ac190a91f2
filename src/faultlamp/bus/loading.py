"""python-can without the library that only its .mf4 reader needs.

python-can tries that import whenever it is loaded itself; where the library is installed this takes longer than all
the rest of a command's start. No bus needs it.
"""

import sys


def load_python_can() -> None:
    """Load python-can, unless it is loaded already. A recording reader that comes later puts back what it lacks."""
    if "can" in sys.modules or "asammdf" in sys.modules:
        return
    sys.modules["asammdf"] = None  # type: ignore[assignment] # makes `import asammdf` fail at once
    try:
        import can  # noqa: F401 - loaded for those who import it next
    finally:
        del sys.modules["asammdf"]
