"""INA219 and INA226 as register files: what they answer for a shunt and a bus voltage.

Sources: TI SBOS448F (INA219), SBOS547 (INA226): register maps, LSBs, conversion times.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable

Sense = Callable[[int, int], tuple[float, float]]
"""Shunt voltage and bus voltage in V at a virtual time in us, averaged over so many samples."""

_CONFIG, _SHUNT, _BUS, _POWER, _CURRENT, _CALIBRATION, _MASK, _LIMIT = range(8)
_INA226_TIMES_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
_INA226_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)


def _signed(value: int) -> int:
    return value - 0x10000 if value & 0x8000 else value


def _word(value: int) -> int:
    return max(-0x8000, min(value, 0x7FFF)) & 0xFFFF


class Ina(ABC):
    """Common part: the pointer, the conversion schedule, current and power from the calibration."""

    reset_config = 0
    current_divisor = 1
    power_factor = 1

    def __init__(self, sense: Sense) -> None:
        self._sense = sense
        self._pointer = 0
        self._reset()

    def _reset(self) -> None:
        self.registers = dict.fromkeys(range(8), 0)
        self.registers[_CONFIG] = self.reset_config
        self.ready = self.overflow = False
        self._begun_us = self._done = 0

    def transfer(self, out: bytes, count: int, now_us: int) -> bytes:
        """One I2C message: write `out` (pointer, then a value of two bytes), read `count` bytes."""
        if out:
            self._pointer = out[0]
        if len(out) >= 3:
            self._write(self._pointer, out[1] << 8 | out[2], now_us)
        if not count:
            return b""
        self._convert(now_us)
        return (self._read(self._pointer).to_bytes(2, "big") * (count // 2 + 1))[:count]

    def _write(self, pointer: int, value: int, now_us: int) -> None:
        if pointer == _CONFIG:
            if value & 0x8000:
                self._reset()
                value = self.reset_config
            self.registers[_CONFIG] = value & 0x7FFF
            self._begun_us, self._done, self.ready = now_us, 0, False
        elif pointer == _CALIBRATION:
            self.registers[_CALIBRATION] = self._calibration(value)

    def _calibration(self, value: int) -> int:
        return value & 0xFFFE

    def alert_low(self, now_us: int) -> bool:
        """Whether the alert pin is pulled low; a sensor without one leaves it alone."""
        return False

    @abstractmethod
    def _schedule(self) -> tuple[int, int]:
        """Time of one result in us and the number of samples averaged in it."""

    def _convert(self, now_us: int) -> None:
        mode = self.registers[_CONFIG] & 7
        period, samples = self._schedule()
        done = (now_us - self._begun_us) // period
        if mode in (0, 4) or done <= self._done or (mode < 4 and self._done):
            return
        self._done = done if mode > 4 else 1
        shunt_v, bus_v = self._sense(self._begun_us + self._done * period, samples)
        if mode & 1:
            self.registers[_SHUNT] = self._shunt_word(shunt_v)
        if mode & 2:
            self.registers[_BUS] = self._bus_word(bus_v)
        self.derive()
        self.ready = True

    def derive(self) -> None:
        """Current and power from shunt, bus and calibration, as the data sheets' equations."""
        shunt, calibration = _signed(self.registers[_SHUNT]), self.registers[_CALIBRATION]
        current = abs(shunt) * calibration // self.current_divisor
        self.overflow = current > 0x7FFF
        self.registers[_CURRENT] = _word(current if shunt >= 0 else -current)
        self.registers[_POWER] = min(current * self._bus_count() // self.power_factor, 0xFFFF)

    @abstractmethod
    def _shunt_word(self, shunt_v: float) -> int:
        """Shunt register for a voltage."""

    @abstractmethod
    def _bus_word(self, bus_v: float) -> int:
        """Bus register for a voltage."""

    def _bus_count(self) -> int:
        return self.registers[_BUS]

    def _read(self, pointer: int) -> int:
        return self.registers.get(pointer, 0)


class Ina219(Ina):
    """INA219: 10 uV a count in a range of 40 to 320 mV, 4 mV a count of the bus."""

    reset_config = 0x399F
    current_divisor = 4096
    power_factor = 5000

    def _schedule(self) -> tuple[int, int]:
        config = self.registers[_CONFIG]
        shunt_us, samples = self._one(config >> 3 & 15)
        bus_us, _ = self._one(config >> 7 & 15)
        return max(1, shunt_us * (config & 1) + bus_us * (config >> 1 & 1)), samples

    @staticmethod
    def _one(code: int) -> tuple[int, int]:
        samples = 1 << (code & 7) if code & 8 else 1
        return (532 * samples if code & 8 else (84, 148, 276, 532)[code & 3]), samples

    def _shunt_word(self, shunt_v: float) -> int:
        limit = 4000 << (self.registers[_CONFIG] >> 11 & 3)
        return max(-limit, min(round(shunt_v / 10e-6), limit)) & 0xFFFF

    def _bus_word(self, bus_v: float) -> int:
        top = 8000 if self.registers[_CONFIG] & 0x2000 else 4000
        return max(0, min(round(bus_v / 4e-3), top)) << 3

    def _bus_count(self) -> int:
        return self.registers[_BUS] >> 3

    def _read(self, pointer: int) -> int:
        if pointer == _POWER:
            self.ready = False
        if pointer == _BUS:
            return self.registers[_BUS] | self.ready << 1 | self.overflow
        return super()._read(pointer)


_OVER_SHUNT, _UNDER_SHUNT, _OVER_BUS, _UNDER_BUS, _OVER_POWER = (1 << n for n in range(15, 10, -1))
_ON_READY, _ACTIVE_HIGH, _LATCH = 1 << 10, 1 << 1, 1


class Ina226(Ina):
    """INA226: 2.5 uV a count, 1.25 mV a count of the bus; flags and alert functions in 06h."""

    reset_config = 0x4127
    current_divisor = 2048
    power_factor = 20000

    def _calibration(self, value: int) -> int:
        return value & 0x7FFF

    def _schedule(self) -> tuple[int, int]:
        config = self.registers[_CONFIG]
        bus = _INA226_TIMES_US[config >> 6 & 7] if config & 2 else 0
        shunt = _INA226_TIMES_US[config >> 3 & 7] if config & 1 else 0
        samples = _INA226_AVERAGES[config >> 9 & 7]
        return max(1, (bus + shunt) * samples), samples

    def _shunt_word(self, shunt_v: float) -> int:
        return _word(round(shunt_v / 2.5e-6))

    def _bus_word(self, bus_v: float) -> int:
        return max(0, min(round(bus_v / 1.25e-3), 0x7FFF))

    def _reset(self) -> None:
        super()._reset()
        self._alert = False

    def _write(self, pointer: int, value: int, now_us: int) -> None:
        if pointer == _MASK:
            self._convert(now_us)  # what was complete by now was judged by the old function
            self.registers[_MASK] = value & 0xFC03
        elif pointer == _LIMIT:
            self._convert(now_us)
            self.registers[_LIMIT] = value
        else:
            super()._write(pointer, value, now_us)

    def derive(self) -> None:
        """As every sensor, and the alert function, of which the highest bit set counts."""
        super().derive()
        limit, mask = self.registers[_LIMIT], self.registers[_MASK]
        shunt, bus = _signed(self.registers[_SHUNT]), self.registers[_BUS]
        beyond = {
            _OVER_SHUNT: shunt > _signed(limit),
            _UNDER_SHUNT: shunt < _signed(limit),
            _OVER_BUS: bus > limit,
            _UNDER_BUS: bus < limit,
            _OVER_POWER: self.registers[_POWER] > limit,
        }
        now = next((found for bit, found in beyond.items() if mask & bit), False)
        self._alert = now or (self._alert and bool(mask & _LATCH))

    def alert_low(self, now_us: int) -> bool:
        """Whether the open-drain alert pin is pulled low."""
        self._convert(now_us)
        mask = self.registers[_MASK]
        asserted = self._alert or bool(mask & _ON_READY and self.ready)
        return asserted != bool(mask & _ACTIVE_HIGH)

    def _read(self, pointer: int) -> int:
        if pointer == _MASK:
            flags = self._alert << 4 | self.ready << 3 | self.overflow << 2
            self.ready = False
            if self.registers[_MASK] & _LATCH:
                self._alert = False
            return self.registers[_MASK] | flags
        return {0xFE: 0x5449, 0xFF: 0x2260}.get(pointer, super()._read(pointer))


MODELS: dict[str, type[Ina]] = {"ina219": Ina219, "ina226": Ina226}
