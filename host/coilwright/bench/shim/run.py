"""Run the firmware of a folder on the simulated board: run.py LINK FIRMWARE SPEED CHIP ..."""

import sys

import sim_machine
import sim_time

if sys.implementation.name == "micropython":
    import os

    def _die():
        while True:  # at once, as when the power fails: nothing of the firmware runs any more
            os.system("kill -9 $PPID")

else:
    import gc
    import io
    import os

    import sim_micropython

    class _Raw(io.FileIO):  # as on a board: nothing between the program and the line
        encoding = "utf-8"

        @property
        def buffer(self):
            return self

        def write(self, data):
            return super().write(data.encode() if isinstance(data, str) else data)

    sys.stdin, sys.stdout = _Raw(0, "r"), _Raw(1, "w")
    sys.modules["micropython"] = sim_micropython
    gc.mem_free = gc.mem_alloc = lambda: 0

    def _die():
        os._exit(1)


sim_time.die = _die
for _name, _module in (("machine", sim_machine), ("time", sim_time), ("select", sim_time)):
    sys.modules[_name] = _module
sys.path[0] = sys.argv[2]
_link = open(int(sys.argv[1]), "r+b", 0)
sim_machine.start(_link, sys.argv[4:])
sim_time.start(float(sys.argv[3]))
try:
    for _name in ("boot", "main"):
        __import__(_name)
except SystemExit:
    sim_machine.restart(5)
