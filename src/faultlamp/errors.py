"""The errors a user can cause or must act on.

    FaultlampError          one line for standard error, exit code 1
    ├── CaptureError        a recording that cannot be read
    ├── BusError            an adapter or channel that cannot be opened or has gone
    ├── ScenarioError       a rig scenario that makes no sense
    └── DataFileError       a DBC, table or other data file that makes no sense

Each message says what happened, where, and what to do. Anything else that escapes is a bug in faultlamp.
Mistakes on the bus are never exceptions: they are counted, and the listening goes on.
"""


class FaultlampError(Exception):
    """Base of every error that ends in one clear line instead of a traceback."""


class CaptureError(FaultlampError):
    """A recording is missing, unreadable, damaged or of an unknown format."""


class BusError(FaultlampError):
    """An adapter or channel cannot be opened, or stopped working."""


class ScenarioError(FaultlampError):
    """A rig scenario file is missing or contradicts itself."""


class DataFileError(FaultlampError):
    """A DBC or other data file is missing or contradicts itself."""
