"""Audit the technical quality of photographs after a shoot."""

from audit.version import __version__

__all__ = ["__version__"]
