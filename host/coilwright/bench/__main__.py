"""`python -m coilwright.bench URL [--listen PORT]`, and the bench that a `sim://` port starts."""

from __future__ import annotations

import json
import logging
import os
import sys

from coilwright.errors import CoilwrightError

from .serve import listen_port, parse_url, serve


def _tied(url: str, listen: str | None) -> int:
    """Serve until standard input ends: its other end was closed, or whoever held it has gone."""
    try:
        with parse_url(url).bench(listen_port(listen)) as bench:
            print(json.dumps({"url": bench.url, "micropython": bench.micropython}), flush=True)
            while os.read(0, 64):
                pass
    except CoilwrightError as error:
        answer = {"error": error.kind, "message": error.message, "hint": error.hint}
        print(json.dumps(answer), flush=True)
        return error.exit_code
    return 0


def main(arguments: list[str]) -> int:
    """Entry point; returns the exit code."""
    logging.basicConfig(format="bench: %(message)s")
    tied = "--tied" in arguments
    words = [word for word in arguments if word != "--tied"]
    listen = words.pop(words.index("--listen") + 1) if "--listen" in words[:-1] else None
    urls = [word for word in words if word != "--listen"]
    url = urls[0] if urls else "sim://harbour"
    if tied:
        return _tied(url, listen)
    try:
        serve(url, listen=listen)
    except CoilwrightError as error:
        print(f"{error.message} {error.hint}", file=sys.stderr)
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
