"""`python -m coilwright` is the command `coilwright`."""

from coilwright.cli import main

main()
