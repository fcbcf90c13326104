"""Make the pictures of the documents from the tool's own output: `python docs/make_pictures.py`."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

WINDOW = (1060, 3345)
PARTS = {"report.png": (0, 1500), "report-plots.png": (1920, 3345)}
"""Pixels of a report that are looked at, and the rows that are shown."""

PICTURES = Path(__file__).resolve().parent / "pictures"
BENCH = "sim://harbour?chip=rp2040&seed=1"

LIST = """\
distance,colour,lit,pickup,note
20 mm,red,yes,1.62 V,
20 mm,blue,yes,1.62 V,
30 mm,red,yes,1.02 V,
30 mm,blue,yes,1.02 V,
40 mm,red,yes,640 mV,
40 mm,blue,yes,640 mV,very faint
50 mm,red,yes,402 mV,
50 mm,blue,no,402 mV,
60 mm,red,yes,264 mV,
60 mm,blue,no,264 mV,
70 mm,red,no,181 mV,
70 mm,blue,no,181 mV,
80 mm,red,no,129 mV,
"""
"""The list of docs/reach.md, invented."""


def coilwright(*arguments: str, folder: str) -> None:
    """Run the command as a person would, in a folder of its own."""
    subprocess.run([sys.executable, "-m", "coilwright", *arguments], cwd=folder, check=True)


def screenshots(page: Path) -> None:
    """Parts of a page in Chromium, as Debian has it; says so where there is none."""
    from PIL import Image

    chromium, whole = shutil.which("chromium"), page.with_suffix(".png")
    if chromium is None:
        print(f"{' and '.join(PARTS)} stay as they are: there is no chromium.")
        return
    switches = (
        "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-sync",
        "disable-background-networking", "disable-component-update", "hide-scrollbars",
        "host-resolver-rules=MAP * ~NOTFOUND", f"user-data-dir={page.parent / 'profile'}",
        f"window-size={WINDOW[0]},{WINDOW[1]}", f"screenshot={whole}",
    )  # fmt: skip
    command = [chromium, *(f"--{switch}" for switch in switches), page.as_uri()]
    subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
    with Image.open(whole) as picture:
        for name, (top, bottom) in PARTS.items():
            part = picture.convert("RGB").crop((0, top, WINDOW[0], bottom))
            part.save(PICTURES / name, optimize=True)


def main() -> None:
    """Make them all."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        tune = ("tune", "--port", BENCH, "--build", "harbour", "--record", "harbour.csv")
        files = ("--plot", str(PICTURES / "tune.png"), "--report", "harbour.html", "--force")
        note = ("--note", "Harbour diorama, eight buoy lamps", "--tag", "simulated")
        coilwright(*tune, *files, *note, folder=folder)
        screenshots(Path(folder) / "harbour.html")
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
        (Path(folder) / "list.csv").write_text(LIST, encoding="utf-8")
        picture = ("--plot", str(PICTURES / "reach-steps.png"), "--force")
        coilwright("reach", "list.csv", *picture, folder=folder)
        compare = ("compare", "duty-10.csv", "duty-20.csv")
        coilwright(*compare, "--plot", str(PICTURES / "compare.png"), "--force", folder=folder)


if __name__ == "__main__":
    main()
