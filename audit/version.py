"""Name and versions: of the program, and of what it measures."""

__version__ = "0.1.0"

TOOL = "frame-audit"

MEASURES = 3
"""Raised by hand whenever a measure changes: readings of another version are measured again."""
