"""Decoded values of recordings, as columns and as text."""
