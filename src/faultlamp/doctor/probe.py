"""The program that looks into python-can's drivers, apart from the command that wants to know.

A driver may hang, crash or print: it does so here, where `adapters` can end it. Lines of JSON on standard output, one
a fact, each written at once:

    {"trying": "slcan"}                                 about to load this driver
    {"driver": {"name": "slcan", ...}}                  the fields of `drivers.Driver`
    {"search": "pcan"}                                  about to ask it for channels; several at a time
    {"found": "pcan", "channels": ["PCAN_USBBUS1"]}     what it answered; "error" when it failed instead

With `search` as its argument it also asks the usable drivers for channels. python-can's own search ends its waiting
after a while, but a process that leaves such a thread behind cannot end.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict
from threading import Lock, Thread
from typing import Any

MOST_CHANNELS = 64


def main() -> None:
    """Examine all drivers, then search; ends the process."""
    # Whatever a driver prints must not stand between the lines.
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    lock = Lock()

    def tell(**fact: Any) -> None:
        with lock:
            out.write(json.dumps(fact) + "\n")
            out.flush()

    from faultlamp.bus import offers
    from faultlamp.bus.loading import load_python_can

    load_python_can()
    offers.hush_drivers()
    from can.interfaces import VALID_INTERFACES

    from faultlamp.doctor.drivers import NO_SEARCH, examine_driver

    usable = []
    for name in sorted(VALID_INTERFACES):
        tell(trying=name)
        driver = examine_driver(name)
        tell(driver=asdict(driver))
        if driver.usable and name not in NO_SEARCH:
            usable.append(name)

    def search(name: str) -> None:
        import can

        try:
            found = can.detect_available_configs(name)
        except Exception as error:  # a driver may fail in any way
            tell(found=name, channels=[], error=f"{type(error).__name__}: {error}"[:200])
        else:
            tell(found=name, channels=[str(config.get("channel", ""))[:200] for config in found[:MOST_CHANNELS]])

    if sys.argv[1:] == ["search"]:
        threads = [Thread(target=search, args=(name,), daemon=True) for name in usable]
        for name in usable:
            tell(search=name)
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    # Without the drivers' own goodbyes, which may hang as well.
    os._exit(0)


if __name__ == "__main__":
    main()
