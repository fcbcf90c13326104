"""What all tests share."""

from __future__ import annotations

import signal

# A test run in the background of a script is started with Ctrl-C ignored, and every process it
# starts would inherit that: the tests that send Ctrl-C would wait in vain.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
