"""The bench that a `sim://` port starts: `python -m coilwright.bench URL`, tied to its stdin.

Each line of its standard input is a request of `control`, answered by a line.
"""

from __future__ import annotations

import json
import logging
import sys

from coilwright.errors import CoilwrightError

from .control import carry_out
from .serve import listen_port, parse_url


def main(url: str) -> int:
    """Serve until standard input ends: its other end was closed, or whoever held it has gone."""
    logging.basicConfig(format="bench: %(message)s")
    try:
        with parse_url(url).bench(listen_port(None)) as bench:
            print(json.dumps({"url": bench.url, "micropython": bench.micropython}), flush=True)
            for line in sys.stdin.buffer:
                print(json.dumps(carry_out(bench, line)), flush=True)
    except CoilwrightError as error:
        answer = {"error": error.kind, "message": error.message, "hint": error.hint}
        print(json.dumps(answer), flush=True)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
