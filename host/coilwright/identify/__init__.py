"""The parts as built, found from records of a driver: fit of the circuit, intervals, build file."""

import sys

from coilwright.callable_module import CallableModule

sys.modules[__name__].__class__ = CallableModule
