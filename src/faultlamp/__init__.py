"""faultlamp: what a diesel engine's controllers are saying on the CAN bus, in a technician's words."""

__version__ = "0.1.0"
