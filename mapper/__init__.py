"""Bench tool for the control side of a large hydraulic, operator-following arm."""

__version__ = "0.1.0"
