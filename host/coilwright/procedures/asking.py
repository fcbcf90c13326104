"""A person is asked something with the output held on, and it goes off where nobody answers."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.procedures.views import Teller

Answer = TypeVar("Answer")

LONGEST_LOOK_S = 60.0
"""The output goes off where nobody answers for so long."""


def asked(
    driver: Driver,
    person: Teller,
    question: Callable[[], Answer],
    switch_on: Callable[[], None],
) -> Answer:
    """The answer to a question about what the output does, which is on meanwhile.

    Where the answer takes longer than `LONGEST_LOOK_S` the output goes off and the person is told;
    it goes on again with the answer, which counts for nothing then, and the question is repeated.

    Args:
        driver: The driver.
        person: Told that the output went off, while the question still waits.
        question: Asks.
        switch_on: Sets what the question is about and switches the output on.

    Raises:
        CoilwrightError: As `switch_on` raises them; a driver that tripped meanwhile too.
    """
    while True:
        gone: list[bool] = []

        def tell_gone(gone: list[bool] = gone) -> None:
            gone.append(True)
            person.tell(
                f"\nNo answer for {LONGEST_LOOK_S:g} s: the output is off. Press Enter to have it"
                " on again."
            )

        switch_on()
        with driver.waiting(LONGEST_LOOK_S, tell_gone):
            answer = question()
        if not gone:
            return answer
        # Nobody knows whether the answer was meant for what had gone off meanwhile.
        person.tell("The output is on again, at the same setting: look once more.")
