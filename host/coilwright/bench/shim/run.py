"""Run the firmware of a folder on the simulated board: run.py LINK FIRMWARE SPEED [MODULE[=FACTS]]…

MODULE is one of the shim that is needed besides; it finds its FACTS in `sys.argv`.
"""

import sys

sys.path[0] = sys.argv[0].rpartition("/")[0]  # the short way: modules keep their path
if sys.implementation.name != "micropython":
    import sim_cpython

    kill = sim_cpython.kill
else:
    from micropython import opt_level

    opt_level(3)  # the shim without line numbers; the firmware decides for itself

    def kill():
        while (
            True
        ):  # at once, as when the power fails: whoever writes where nobody listens is ended
            sys.stdout.write("\n")
            sim_machine.put(0)


import gc

import sim_machine
import sim_time

sys.modules["machine"] = sim_machine
sys.modules["time"] = sys.modules["select"] = sim_time
sys.path.append(sys.path[0])
sys.path[0] = sys.argv[2]
sim_machine.start(open(int(sys.argv[1]), "r+b", 0))
sim_time.start(float(sys.argv[3]), kill)
for name in sys.argv[4:]:
    __import__(name.partition("=")[0])
sim_machine.start = sim_time.start = None  # not needed any more
del sys.argv[1:]
if sys.implementation.name == "micropython":
    opt_level(0)
gc.collect()
try:
    try:
        import boot  # noqa: F401
    except ImportError:
        pass
    import main  # noqa: F401
except SystemExit:
    sim_machine.__getattr__("restart")(5)
