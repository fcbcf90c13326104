"""Coverage-guided fuzzing of what the host reads from outside; needs the package `atheris`.

    python tests/fuzz/explore.py TARGET [SECONDS]

Begins with the inputs of `tests/fuzz/corpus/TARGET`. An input that makes a target fail is written
to the working folder as `crash-…`: mend what it shows, and add it to that folder, which
`tests/fuzz/test_corpus.py` replays in every test run.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["coilwright", "fuzz"]):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from fuzz.targets import TARGETS


def main() -> None:
    """Fuzz one target for so long."""
    name = sys.argv[1] if len(sys.argv) > 1 else ""
    if name not in TARGETS:
        sys.exit(f"Targets: {', '.join(TARGETS)}")
    seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 60
    known = Path(__file__).parent / "corpus" / name
    with tempfile.TemporaryDirectory() as grown:
        options = [
            f"-max_total_time={seconds}",
            "-max_len=8192",
            "-timeout=20",
            "-rss_limit_mb=2048",
        ]
        atheris.Setup([sys.argv[0], *options, grown, str(known)], TARGETS[name])
        atheris.Fuzz()


if __name__ == "__main__":
    main()
