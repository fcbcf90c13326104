"""What a driver keeps: limits, duty caps, calibration, protected data, memories."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from coilwright.errors import Refused
from coilwright.link import duty_table, replies, sweeping
from coilwright.link.facts import Calibration, Limits
from coilwright.link.plans import hertz_of, percent_text, ppm_of
from coilwright.link.session import Register, Session
from coilwright.link.transport import Transport
from coilwright.point import Setpoint

_CALIBRATION_HEADERS = {
    "supply_offset_v": "CAL:CURR:OFFS",
    "supply_gain_a_per_v": "CAL:CURR:GAIN",
    "probe_offset_v": "CAL:PROB:OFFS",
    "probe_gain_v_per_v": "CAL:PROB:GAIN",
    "probe_level_v": "CAL:PROB:LEV",
    "light_offset_v": "CAL:LIGH:OFFS",
    "light_gain_v_per_v": "CAL:LIGH:GAIN",
    "light_level_v": "CAL:LIGH:LEV",
}
_LIMIT_QUERIES = (
    "FREQ:LIM:LOW?",
    "FREQ:LIM:HIGH?",
    "PULS:DCYC:LIM?",
    "CURR:PROT?",
    "SYST:HOST:TIM?",
)


class KeptSettings:
    """The part of a `Driver` that reads and writes what it keeps."""

    _transport: Transport
    _session: Session
    _averages: int
    _host_timeout_s: float
    _known_settings: int

    def limits(self) -> Limits:
        """The bounds the driver keeps."""
        return self._session.read(_LIMIT_QUERIES, replies.limits)

    def set_limits(
        self,
        *,
        low_hz: float | None = None,
        high_hz: float | None = None,
        duty_cap: float | None = None,
        trip_a: float | None = None,
        host_timeout_s: float | None = None,
    ) -> Limits:
        """Change some of the bounds, read them back, and return all of them.

        Takes effect at once; `store_settings` keeps it over power-off.
        """
        settings = []
        if low_hz is not None:
            settings.append(Register("FREQ:LIM:LOW", str(hertz_of(low_hz)), 0.5))
        if high_hz is not None:
            settings.append(Register("FREQ:LIM:HIGH", str(hertz_of(high_hz)), 0.5))
        if duty_cap is not None:
            text = percent_text(ppm_of(duty_cap))
            settings.append(Register("PULS:DCYC:LIM", text, sweeping.DUTY_TOLERANCE))
        if trip_a is not None:
            settings.append(Register("CURR:PROT", f"{trip_a:.6f}", 1e-5))
        if host_timeout_s is not None:
            settings.append(self._host_timeout_setting(host_timeout_s))
        self._session.apply(settings)
        self._know_settings()
        found = self.limits()
        self._host_timeout_s = found.host_timeout_s
        return found

    @staticmethod
    def _host_timeout_setting(host_timeout_s: float) -> Register:
        return Register("SYST:HOST:TIM", f"{host_timeout_s:.3f}", 1.01e-3)

    def _know_settings(self) -> None:
        """Remember what is in force, to notice what a driver that starts anew has lost."""
        self._known_settings = self.settings_checksum()

    def duty_table(self) -> list[Setpoint]:
        """Duty caps over frequency, each a frequency and the cap there; empty where there is none.

        Raises:
            Refused: The firmware has no such table.
        """
        return duty_table.read_table(self._session)

    def set_duty_table(self, points: Sequence[Setpoint]) -> None:
        """Replace the duty caps over frequency, read them back and compare their checksum.

        Takes effect at once; `store_settings` keeps it. No points: no caps but the overall one.

        Raises:
            OutOfRange, Refused: as `duty_table.write_table`.
        """
        duty_table.write_table(self._session, points)
        self._know_settings()

    @property
    def host_timeout_s(self) -> float:
        """Time without a line after which the output goes off."""
        return self._host_timeout_s

    def calibration(self) -> Calibration:
        """Offsets and gains of the sensors."""
        heads = [f"{header}?" for header in _CALIBRATION_HEADERS.values()]
        return Calibration(*self._session.numbers(heads))

    def set_calibration(self, calibration: Calibration) -> None:
        """Write offsets and gains and read them back; `store_settings` keeps them."""
        values = asdict(calibration)
        self._session.apply(
            [
                Register(header, f"{values[name]:.6f}", 2e-6)
                for name, header in _CALIBRATION_HEADERS.items()
            ]
        )
        self._know_settings()

    def zero(self) -> float:
        """Take the supply sensor's rest reading as its offset and return it in volts.

        Raises:
            Refused: The output is on.
        """
        wait_s = self._transport.timeouts.reply_s + 0.02 * self._averages
        offset_v = self._session.number("CAL:ZERO?", wait_s=wait_s)
        self._know_settings()
        return offset_v

    def store_settings(self) -> None:
        """Write calibration, limits and start-up choice to the driver's flash.

        Raises:
            Refused: The flash does not take it.
        """
        self._session.exchange(["SYST:SETT:STOR"], wait_s=self._transport.timeouts.flash_s)

    def protected_data(self) -> str:
        """The text that the driver keeps as its protected user data (`*PUD?`).

        Raises:
            Refused: Its firmware keeps none.
        """
        answer = self._session.look("*PUD?", str)
        if not answer:
            self._session.forget_errors()
            raise Refused(
                "The driver's firmware keeps no protected user data.",
                "Bring it up to date with `coilwright install`.",
            )
        return replies.text_block(answer)

    def protect_data(self, text: str) -> None:
        """Keep a text as protected user data; the driver stores its settings with it.

        Args:
            text: Printable ASCII without `;` and `~`.

        Raises:
            Refused: The driver holds another text afterwards.
        """
        held = self._session.look(
            f"*PUD #3{len(text):03d}{text};*PUD?",
            replies.text_block,
            wait_s=self._transport.timeouts.flash_s,
        )
        if held != text:
            self._session.forget_errors()
            raise Refused(f"The driver keeps {held!r} where {text!r} was sent.", "Try again.")
        self._know_settings()

    def settings_state(self) -> str:
        """`OK`, `DEFAULT` (never stored) or `DAMAGED` (safe defaults are in force)."""
        return self._session.ask("SYST:SETT:STAT?")

    def settings_checksum(self) -> int:
        """CRC-32 of the settings in force."""
        return round(self._session.number("SYST:SETT:CHEC?"))

    def store(self, memory: int = 0) -> None:
        """Keep frequency and duty in a memory, 0 to 3; 0 is the tuned setting."""
        self._session.exchange([f"*SAV {memory}"], wait_s=self._transport.timeouts.flash_s)
        self._know_settings()
