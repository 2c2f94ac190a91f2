"""CAN frames as every other part passes them around: one at a time, or as columns."""

from faultlamp.frames.block import FrameBlock
from faultlamp.frames.frame import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame

__all__ = ["BRS", "ERROR", "ESI", "EXTENDED", "FD", "REMOTE", "Frame", "FrameBlock"]
