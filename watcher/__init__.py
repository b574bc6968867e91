"""The daemon and the commands."""

__version__ = "0.1.0"
