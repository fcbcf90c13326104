"""Putting the firmware on a board: `install` and `uninstall`, over the board's own prompt."""

from .installing import Installed, Removed, Wishes, install, uninstall

__all__ = ["Installed", "Removed", "Wishes", "install", "uninstall"]
