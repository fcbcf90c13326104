"""Tunes of the harbour for seeds 1 to 20 on both chips against the plant's own dense-grid peak.

Prints a table: resonance found, the plant's peak, their distance in per cent, whether the 95 %
interval holds the peak, and the setting. Run: `python tests/benchmarks/tune_seeds.py [seeds]`
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from cli.harbour_truth import pickup_peak_hz

ALLOWED_PERCENT = 0.3


def main() -> int:
    """Run them all; the exit code is the number of tunes off by more than allowed."""
    last = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    print(
        "chip    seed  found Hz   plant Hz   off %    inside  Q     setting               mA     s"
    )
    off = 0
    for chip in ("esp32", "rp2040"):
        for seed in range(1, last + 1):
            with tempfile.TemporaryDirectory() as folder:
                url = f"sim://harbour?chip={chip}&seed={seed}"
                command = [sys.executable, "-m", "coilwright", "tune", "--port", url, "--json"]
                done = subprocess.run(
                    command, cwd=folder, capture_output=True, text=True, check=False
                )
            found = json.loads(done.stdout)
            if done.returncode:
                print(f"{chip:7} {seed:4}  {found['error']['message']}")
                off += 1
                continue
            resonance, setting = found["resonance"], found["setting"]
            truth = pickup_peak_hz(chip, seed, found["sweep_duty"])
            percent = 100 * (resonance["frequency_hz"] / truth - 1)
            low, high = resonance["frequency_ci_hz"]
            off += abs(percent) > ALLOWED_PERCENT
            where = f"{setting['frequency_hz'] / 1e3:.2f} kHz {100 * setting['duty']:.2f} %"
            print(
                f"{chip:7} {seed:4}  {resonance['frequency_hz']:9.1f}  {truth:9.1f}  {percent:+.4f}"
                f"  {'yes' if low <= truth <= high else 'no':6}  {resonance['quality_factor']:.1f}"
                f"  {where:20}  {1e3 * setting['supply_a']:5.1f}  {found['seconds']:.1f}",
                flush=True,
            )
    print(f"{off} of {2 * last} off by more than {ALLOWED_PERCENT} %")
    return off


if __name__ == "__main__":
    sys.exit(main())
