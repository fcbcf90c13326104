"""What a bench without MicroPython needs: `micropython`, and standard streams as on a board."""

import gc
import io
import os
import sys
import time


class _Raw(io.FileIO):
    """Nothing between the program and the line; text or bytes."""

    encoding = "utf-8"

    @property
    def buffer(self):
        return self

    def write(self, data):
        return super().write(data.encode() if isinstance(data, str) else data)


class _MicroPython:
    @staticmethod
    def const(value):
        return value

    @staticmethod
    def kbd_intr(char):
        pass

    @staticmethod
    def mem_info(verbose=False):
        pass

    @staticmethod
    def alloc_emergency_exception_buf(size):
        pass

    @staticmethod
    def schedule(function, argument):
        function(argument)

    @staticmethod
    def opt_level(level=0):
        return 0

    @staticmethod
    def native(function):
        return function

    viper = native


def kill():
    """End at once, as when the power fails."""
    os._exit(1)


time.ticks_us = lambda: time.perf_counter_ns() // 1000
sys.stdin, sys.stdout = _Raw(0, "r"), _Raw(1, "w")
sys.modules["micropython"] = _MicroPython
gc.mem_free = gc.mem_alloc = lambda: 0
