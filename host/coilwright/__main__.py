"""`coilwright` and `python -m coilwright`: the command, Ctrl-C told from its first import on."""

from __future__ import annotations

import sys


def main() -> None:
    """Entry point of the command; ends the process with the exit code of what happened."""
    try:
        from coilwright.cli import main as command
    except KeyboardInterrupt:
        sys.stderr.write("Error: Stopped by Ctrl-C.\n")
        sys.exit(130)
    command()


if __name__ == "__main__":
    main()
