"""Whether the sensors can be believed: a check before the output goes on, and doubt while it is on.

The check reads at rest, then in a short burst at a small duty that the readings must show. Numbers
of its result: docs/commands.md.
"""

from decimals import Fault, fixed
from states import OFF, ON, RISING


class Check:
    """One check at a time; `step` carries it on. `judge` is asked about every reading."""

    def __init__(self, clock, drive, sense, guard, limits):
        self.clock = clock
        self.drive = drive
        self.sense = sense
        self.guard = guard
        self.limits = limits
        self.busy = False
        self.taken = False
        """A burst was seen since power-on."""
        self.rest = None
        """Reading of the supply sensor in uV with the output off."""
        self.number = 11
        self.values = [0] * 9
        """Rest uA and its spread, rise uA; rest uV, spread and burst of the probe; supply uV or -1;
        mHz and ppm of the burst."""
        self.since = None
        self.clear()

    def clear(self):
        """Forget the readings so far."""
        self.below = self.count = self.total = self.last = self.left = self.over = 0
        self.at = -1000000000  # no reading that could stand still
        self.near = self.low = self.high = (0, 0)

    def judge(self, uv, now):
        """What is wrong with a reading of the supply sensor in its range; `now` is mHz and ppm.

        Below the reading at rest by 0.2 % of the range; equal to the last bit for too long; or the
        same within 0.05 % for a quarter of a second, though the setting has changed five times, by
        a factor of 2.5 in duty or a fifth in frequency: near the valley a sound driver draws the
        same over a factor of two. Currents below 0.8 % of the range are too small for the last.
        """
        adc, ms = self.sense.supply.adc, self.clock.ticks_ms()
        rest = self.rest
        self.below = self.below + 1 if rest is not None and rest - uv > adc.top_uv >> 9 else 0
        if self.below > 1:
            return "reading below rest"
        if not now[1]:
            return ""
        self.left = self.left + 1 if uv == self.last else 0
        self.last = uv
        if 0 < adc.still <= self.left:
            return "reading frozen"
        if abs(uv - self.at) > adc.top_uv >> 11:
            self.at, self.count, self.over, self.total = uv, 0, ms, 1
            self.near = self.low = self.high = now
        elif self.total < 8:  # noise of the first readings does not become the place
            self.total += 1
            self.at += (uv - self.at) // self.total
        if now != self.near:
            self.count += 1
            self.near = now
            low, high = self.low, self.high
            self.low = min(low[0], now[0]), min(low[1], now[1])
            self.high = max(high[0], now[0]), max(high[1], now[1])
        if self.count < 5 or abs(uv - self.limits.current_offset) < adc.top_uv >> 7:
            return ""
        low, high = self.low, self.high
        wide = 2 * high[1] >= 5 * low[1] or (high[0] - low[0]) * 5 >= low[0]
        return "reading stands still" if wide and self.clock.ticks_diff(ms, self.over) > 250 else ""

    def wanted(self):
        """Whether the output must not go on before a check."""
        return self.limits.check and not self.taken and self.drive.state == OFF

    def go(self):
        """Begin now, with the output off; the result when it is there."""
        if self.drive.state != OFF:
            raise Fault(-221, "output is on or tripped")
        if self.drive.board.fault:
            raise Fault(-241, self.drive.board.fault)
        self.begin(1000000, True)
        return lambda: None if self.busy else self.story()

    def begin(self, ppm, leaving=False):
        """Begin with the output off, at a duty of 5 % or `ppm`. Unless it is `leaving`, the output
        goes on after, and a failure is a trip.
        """
        drive = self.drive
        self._before = drive.hz, drive.ppm, drive.hz_limited, drive.ppm_limited
        self.ppm = min(ppm, 50000)
        self.leaving = leaving
        self.number = 11
        self.values = [0] * 9
        self.since = None
        self.over = self.clock.ticks_ms()
        self.busy = True
        self.sense.busy = False

    def stop(self):
        """End it early; the output stays off."""
        if self.busy:
            self.end(11)

    def look(self):
        """Begin a reading of 32 conversions."""
        self.sense.begin(self)
        self.sense.left = 32

    def step(self):
        """One step; called often while it is busy. Whatever stops the output ends the check."""
        drive, sense = self.drive, self.sense
        now = self.clock.ticks_ms()
        if self.since is None and drive.state != OFF:
            self.end(11)  # tripped meanwhile
        elif self.since is None:
            if sense.busy:
                if sense.step():
                    self.quick()
            elif self.clock.ticks_diff(now, self.over) >= 10:  # what was on before has decayed
                self.look()
        elif drive.state not in (RISING, ON):
            self.end({101: 4, 103: 5}.get(self.guard.cause, 11))
        elif sense.busy:
            if sense.step() and drive.state == ON:  # it may have tripped in the last conversion
                self.end(self.found())
        elif drive.state == RISING:
            self.since = now
        elif self.clock.ticks_diff(now, self.since) >= 10:
            self.look()

    def quick(self):
        """The readings at rest are there: judge them, and go on to the burst."""
        sense, v, limit = self.sense, self.values, self.limits.trip_ua
        supply, probe = sense.supply, sense.probe
        number = 0
        v[6] = -1
        if supply.adc:
            v[0] = sense.current()
            v[1] = abs(supply.spread() * self.limits.current_gain // 1000000)
            if supply.fault:
                number = 1
            elif sense.below() <= -100 or v[0] > limit:
                number = 3
            elif sense.below() >= 2:
                number = 2
            elif v[0] > limit // 4:
                number = 9
            else:
                self.rest = supply.mean()
                if self.drive.board.volts:
                    v[6] = self.drive.board.volts()
                    if v[6] < 1000000:
                        number = 8
        if probe.adc:
            v[3] = sense.volts()
            v[4] = abs(probe.spread() * self.limits.probe_gain // 1000000)
            if not number and probe.spread() > probe.adc.top_uv // 50:
                number = 10
        if number or not self.ppm:
            self.end(number)
        else:
            self.drive.set(self.drive.hz, self.ppm)
            self.since = self.clock.ticks_ms()
            self.drive.start()

    def found(self):
        """The number of what the burst shows."""
        sense, v = self.sense, self.values
        v[7], v[8] = self.drive.output()
        v[5] = sense.volts() if sense.probe.adc else 0
        if sense.supply.fault:
            return 1
        if not sense.supply.adc:
            return 0
        v[2] = sense.current() - v[0]
        least = (sense.supply.adc.top_uv >> 12) * abs(self.limits.current_gain) // 1000000
        if v[2] < -least:
            return 5
        if v[2] >= least or v[8] < 20000:
            return 0
        return 6 if v[5] - v[3] > max(4 * v[4], 20000) else 7

    def end(self, number):
        """The check is over: the output as it was set, on where it was asked for."""
        drive = self.drive
        self.busy = self.sense.busy = False
        self.number = number
        self.taken = self.taken or (number == 0 and self.values[8] >= 20000)
        drive.set(*self._before[:2])
        drive.hz_limited, drive.ppm_limited = self._before[2:]
        if self.leaving or number == 11:
            drive.event("stop")
        elif not number:
            drive.start()
        elif not self.guard.cause:
            self.guard.trip(109, "check %d" % number, number * 1000000)

    def story(self):
        """The result as text."""
        v = self.values
        text = [str(self.number)]
        text += [fixed(x, 6) for x in v[:7]] + [fixed(v[7], 3), fixed(v[8], 4)]
        return ",".join(text)
