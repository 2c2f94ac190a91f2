"""Recordings in, blocks of frames out: candump logs natively, other formats through python-can."""

from faultlamp.capture.capture import Capture, Progress
from faultlamp.capture.stats import CaptureStats
from faultlamp.capture.writing import format_candump_line

__all__ = ["Capture", "CaptureStats", "Progress", "format_candump_line"]
