"""Slowglass: an offline workbench for a night with a small, slow telescope."""

__version__ = "0.1.0"
