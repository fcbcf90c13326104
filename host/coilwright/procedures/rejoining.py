"""A driver that was lost while it was watched: find it, look what it does, go on or say why not.

Sweeps and tunes have their own way, point by point: `link/driver.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from coilwright.errors import LinkLost, NoAnswer, Refused, Restarted
from coilwright.link.facts import DriverState

if TYPE_CHECKING:
    from coilwright.link import Driver

LOST = (LinkLost, NoAnswer)
"""What a lost driver raises; `Restarted` is among them."""

MOST_RETURNS = 3
"""A driver that is lost so often is not switched on again."""


class Rejoining:
    """Takes up the watching of a driver again.

    Args:
        driver: The driver, with its output on before.
        set_up: Sets it as it was, its output off; None where it is not to be switched on again.
        say: Told in a sentence what happened, where it goes on.
        hint: What the person can do where it does not.
    """

    def __init__(
        self,
        driver: Driver,
        set_up: Callable[[], None] | None,
        say: Callable[[str], None],
        hint: str = "",
    ) -> None:
        self._driver, self._set_up, self._say, self._hint = driver, set_up, say, hint
        self._left, self._known = MOST_RETURNS, driver.settings_checksum()

    def __call__(self, trouble: LinkLost | NoAnswer) -> bool:
        """Wait for the driver, and go on where that can be done.

        Returns:
            Whether its output was switched on again; False where it had stayed on.

        Raises:
            LinkLost, NoAnswer: It does not come back, or comes back with its output off and is not
                to be set again; the sentence says which.
            Tripped: It tripped, for another reason than the lost host.
            Refused: It has lost limits or calibration that were not stored.
        """
        driver = self._driver
        found = driver.rejoin(trouble)
        if found.state is DriverState.ON:
            self._say(f"{trouble.message} It is back, and its output has stayed on.")
            return False
        if self._set_up is None or not self._left:
            raise self._ended(trouble, found.anew)
        self._left -= 1
        if found.state is DriverState.TRIPPED:
            driver.clear_trip()
        self._set_up()
        if driver.settings_checksum() != self._known:
            raise Refused(
                "The driver started anew and has lost limits or calibration that were not stored.",
                "Its output is off. Set them again and keep them with `coilwright set --store`.",
            )
        driver.output(True)
        self._say(f"{trouble.message} It is back, set as before, and its output is on again.")
        return True

    def _ended(self, trouble: LinkLost | NoAnswer, anew: bool) -> LinkLost:
        often = "" if self._left else " again and again"
        if anew:
            return Restarted(
                f"The driver started anew{often} while it was watched: it was reset or lost its"
                " power. Its output is off.",
                f"Check its supply and its cable. {self._hint}".strip(),
            )
        return LinkLost(
            f"{trouble.message} It is back{often}, but has switched its output off meanwhile.",
            f"Check the cable. {self._hint}".strip(),
        )
