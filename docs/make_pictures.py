"""Make the pictures of the documents from the tool's own output: `python docs/make_pictures.py`."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

PICTURES = Path(__file__).resolve().parent / "pictures"
BENCH = "sim://harbour?chip=rp2040&seed=1"


def coilwright(*arguments: str, folder: str) -> None:
    """Run the command as a person would, in a folder of its own."""
    subprocess.run([sys.executable, "-m", "coilwright", *arguments], cwd=folder, check=True)


def main() -> None:
    """Make them all."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        tune = ("tune", "--port", BENCH, "--record", "harbour.csv")
        coilwright(*tune, "--plot", str(PICTURES / "tune.png"), "--force", folder=folder)
        for duty in ("10%", "20%"):
            sweep = ("sweep", "--port", BENCH, "--from", "150k", "--to", "180k", "--points", "61")
            name = f"duty-{duty.rstrip('%')}.csv"
            coilwright(*sweep, "--duty", duty, "--record", name, folder=folder)
        tank = ("tank", "--inductance", "9.6u", "--frequency", "165k", "--duty", "40%")
        parts = ("--supply", "9V", "--series", "E24", "--tolerance-c", "5%", "--tolerance-l", "3%")
        picture = ("--plot", str(PICTURES / "tank.png"), "--force")
        coilwright(*tank, *parts, *picture, folder=folder)
        reach = ("reach", "--coil-diameter", "60mm", "--turns", "9", "--calibrate", "0.006@30mm")
        setting = ("--frequency", "160k", "--lit-current", "10uA")
        picture = ("--plot", str(PICTURES / "reach.png"), "--force")
        coilwright(*reach, *setting, *picture, folder=folder)
        compare = ("compare", "duty-10.csv", "duty-20.csv")
        coilwright(*compare, "--plot", str(PICTURES / "compare.png"), "--force", folder=folder)


if __name__ == "__main__":
    main()
