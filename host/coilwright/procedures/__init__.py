"""What is done at a driver: typed options in, a typed result out, told to a view.

Knows no command line and no terminal: `cli` shows on one what is told here, `coilwright` exports
the same functions to scripts and notebooks.
"""
