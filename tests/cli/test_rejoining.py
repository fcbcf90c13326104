"""A driver that was lost while it was watched: what it is found doing decides what comes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from coilwright.errors import LinkLost, PortNotFound, Restarted, Tripped
from coilwright.link import Driver, reconnecting
from coilwright.link.reconnecting import Home
from coilwright.link.transport import Transport
from coilwright.procedures.rejoining import LOST, Rejoining
from link.fakedriver import QUICK, FakeDriver, FakeLine

PATIENT = replace(QUICK, reconnect_s=0.5)


class Watched:
    """A driver that is on, whose line breaks off; `port` is what is behind it then."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(reconnecting, "_PAUSE_S", 0.0)
        monkeypatch.setattr(reconnecting, "open_port", self._open)
        self.line, self.port, self.told = FakeLine(), None, []
        self.driver = Driver(Transport(self.line, PATIENT, name="fake"), Home("fake"))
        self.set_up(self.driver)
        self.driver.output(True)

    line: FakeLine
    port: FakeDriver | None
    told: list[str]

    def _open(self, url: str) -> FakeLine:
        if self.port is None:
            raise PortNotFound(f"There is no port {url}.")
        return FakeLine(self.port)

    @staticmethod
    def set_up(driver: Driver) -> None:
        driver.set_frequency(165_000)
        driver.set_duty(0.2)

    def rejoining(self, *, again: bool = True) -> Rejoining:
        wanted: Callable[[], None] | None = (lambda: self.set_up(self.driver)) if again else None
        return Rejoining(self.driver, wanted, self.told.append, "Give --again.")

    def lose(self, rejoin: Rejoining, then: Callable[[FakeDriver], None] = lambda _: None) -> bool:
        """Let the line break off, something happen, and the driver be there again."""
        self.line.dies_after = 0
        then(self.line.driver)
        self.port = self.line.driver
        with pytest.raises(LOST) as caught:
            self.driver.measure()
        return rejoin(caught.value)


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> Watched:
    return Watched(monkeypatch)


@pytest.mark.parametrize("again", [True, False])
def test_an_output_that_stayed_on_is_watched_on(watched: Watched, again: bool) -> None:
    assert not watched.lose(watched.rejoining(again=again))
    assert watched.told[0].endswith("It is back, and its output has stayed on.")
    assert watched.driver.measure().duty == pytest.approx(0.2, abs=1e-2)


def test_what_a_reset_forgot_is_set_again(watched: Watched) -> None:
    assert watched.lose(watched.rejoining(), FakeDriver.power_on)
    assert watched.line.driver.output == "ON"
    assert watched.driver.setpoint() == pytest.approx((165_000, 0.2), rel=1e-2)
    assert "its output is on again" in watched.told[0]


def test_a_trip_for_want_of_the_host_is_cleared_only_to_go_on(watched: Watched) -> None:
    rejoin = watched.rejoining(again=False)
    with pytest.raises(LinkLost, match="has switched its output off meanwhile") as caught:
        watched.lose(rejoin, lambda driver: driver.trip(102, "Host lost"))
    assert caught.value.exit_code == 16
    assert "Give --again" in caught.value.hint
    assert watched.driver.trip().number == 102


def test_with_again_it_goes_on_after_that_trip(watched: Watched) -> None:
    assert watched.lose(watched.rejoining(), lambda driver: driver.trip(102, "Host lost"))
    assert watched.line.driver.output == "ON"


def test_another_trip_ends_it(watched: Watched) -> None:
    with pytest.raises(Tripped, match="Over-current"):
        watched.lose(watched.rejoining(), lambda driver: driver.trip(101, "Over-current"))
    assert watched.line.driver.output != "ON"


def test_a_driver_that_does_not_come_back_is_the_same_failure(watched: Watched) -> None:
    rejoin = watched.rejoining()
    watched.line.dies_after = 0
    with pytest.raises(LOST) as caught:
        watched.driver.measure()
    with pytest.raises(LOST) as again:
        rejoin(caught.value)
    assert again.value is caught.value
    assert "There is no port" in caught.value.__notes__[0]


def test_it_is_not_switched_on_for_ever(watched: Watched) -> None:
    rejoin = watched.rejoining()
    trouble = Restarted("The driver started anew.")
    for _ in range(3):
        watched.line.driver.power_on()
        assert rejoin(trouble)
    watched.line.driver.power_on()
    with pytest.raises(Restarted, match="again and again") as caught:
        rejoin(trouble)
    assert caught.value.exit_code == 17
    assert watched.line.driver.output == "OFF"


def test_another_program_s_driver_is_left_alone(watched: Watched) -> None:
    def taken(driver: FakeDriver) -> None:
        driver.values["*ESE"] = "5" if driver.values["*ESE"] != "5" else "6"

    with pytest.raises(LinkLost, match="Another program"):
        watched.lose(watched.rejoining(), taken)
