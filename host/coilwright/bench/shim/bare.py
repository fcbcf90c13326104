"""Run what lies in the flash, as a board with MicroPython does: bare.py LINK SPEED FACTS RAW [ADD].

FACTS are sys.platform, the board's name and the number of its .mpy format, and its version where it
is to pretend another, between bars. ADD is a module of the shim that is needed besides. The flash
is the whole file system that programs see.
"""

import os
import sys as real

import vfs
from micropython import opt_level

opt_level(3)


def die():
    while True:  # at once, as when the power fails: whoever writes where nobody listens is ended
        real.stdout.write("\n")
        sim_machine.put(0)


real.path[:] = [real.argv[0].rpartition("/")[0]]
import sim_machine
import sim_time


class Implementation:
    name = "micropython"


class Sys:
    """`sys`, but for what it says of the board."""

    implementation = Implementation

    def __getattr__(self, name):
        return getattr(real, name)


Sys.platform, Implementation._machine, mpy, version = real.argv[3].split("|")
Implementation._mpy = int(mpy)
Implementation.version = (
    tuple(int(n) for n in version.split(".")) if version else real.implementation.version
)
sys = Sys()
raw = real.argv[4] == "raw"
real.modules["sys"] = sys
real.modules["machine"] = sim_machine
real.modules["time"] = real.modules["select"] = sim_time
sim_machine.start(open(int(real.argv[1]), "r+b", 0))
sim_time.start(float(real.argv[2]), die)
for name in real.argv[5:]:
    __import__(name)
flash, shim = os.getcwd(), real.path[0]
vfs.umount("/")
vfs.mount(vfs.VfsPosix(flash), "/")
vfs.mount(vfs.VfsPosix(shim), "/sim")
os.chdir("/")
real.path[:] = ["", ".frozen", "/lib", "/sim"]
del real.argv[1:]
opt_level(0)


def run(name):
    """A file that starts by itself; whatever it raises, the prompt comes after it."""
    try:
        with open(name) as file:
            text = file.read()
    except OSError:
        return
    try:
        exec(compile(text, name, "exec"), {"__name__": "__main__"})
    except SystemExit:
        sim_machine.__getattr__("restart")(5)
    except BaseException as error:
        real.print_exception(error)


run("boot.py")
if not raw:
    run("main.py")
