"""The command line as a person starts it, in a process of its own that knows no configuration of this computer."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any


def environment(home: Path, **config: Any) -> dict[str, str]:
    """This process's environment with an empty home; `config`: options for python-can beside -i, -c and -b."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("CAN_")}
    kept |= {"HOME": str(home), "USERPROFILE": str(home)}
    return kept | ({"CAN_CONFIG": json.dumps(config)} if config else {})


def start(home: Path, *words: str, **config: Any) -> subprocess.Popen[str]:
    """`faultlamp WORDS`, both outputs through pipes; to be used as a context manager."""
    return subprocess.Popen(
        [sys.executable, "-m", "faultlamp", *words], env=environment(home, **config), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
