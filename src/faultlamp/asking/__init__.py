"""Asking controllers and clearing their memory: what is asked, of whom, how patiently, and what came of it.

Pure state machines over a `Participant`: frames in, frames out, time as nanoseconds; no bus, no clock, no files.
"""
