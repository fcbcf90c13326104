"""How long the host waits for what."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Timeouts:
    """Deadlines of the link in seconds; none of them is ever infinite.

    Attributes:
        quiet_s: Silence after which the line counts as quiet.
        boot_s: Longest wait for a talking board to fall quiet after opening.
        identify_s: Wait for the first `*IDN?`; the second try waits three times as long.
        reply_s: Wait for the answer to an ordinary query.
        flash_s: Wait for a command that writes flash.
        stall_s: A sweep that delivers no new point for so long, beyond the time a point takes,
            is given up.
        reconnect_s: A driver that is lost in a sweep is waited for so long; 0 gives up at once.
    """

    quiet_s: float = 0.1
    boot_s: float = 5.0
    identify_s: float = 1.0
    reply_s: float = 2.0
    flash_s: float = 6.0
    stall_s: float = 10.0
    reconnect_s: float = 15.0
