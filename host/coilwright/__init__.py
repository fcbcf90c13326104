"""Coilwright: bench companion for resonant coil drivers."""

__version__ = "0.1.0"
