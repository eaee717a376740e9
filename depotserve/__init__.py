"""Serve vendor software on a network without internet."""

__all__ = ["__version__"]

__version__ = "0.1.0"
