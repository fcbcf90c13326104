"""Whether the sensors can be believed: a check before the output goes on, and doubt while it is on.

The check reads at rest, then in a short burst at a small duty that the readings must show. Numbers
of its result: docs/commands.md. A reading that stands still is only suspected: the duty is taken
away for some milliseconds, which a sound sensor shows.
"""

from micropython import const
from output import OFF, ON, RISING, RUNNING
from scpi import Fault, fixed
from store import scaled

_DECAY_MS = const(10)  # what was on before has decayed; the burst has settled
_BURST_PPM = const(50000)
_TELLING_PPM = const(20000)  # a burst that a sound sensor must show
_GAP_MS = const(8)
_READINGS = const(32)
_NONE_DONE = const(11)
_NOWHERE = const(-100000000)  # uV: no reading that could stand still


class SelfCheck:
    # One check at a time; `step` carries it on. `doubt` is asked about every reading.
    def __init__(self, clock, output, measure, guard, limits):
        self.clock = clock
        self.output = output
        self.measure = measure
        self.guard = guard
        self.limits = limits
        self.busy = False
        self.seen = False  # a burst since power-on
        self.rest_uv = None  # of the supply sensor with the output off
        self.begun_at = 0
        self.gap_uv = None  # reading before the duty was taken away, while it is
        self.forget()
        self.clear()

    def forget(self):
        # The result so far.
        self.number = _NONE_DONE
        self.rest_ua = self.rest_noise_ua = self.rise_ua = 0
        self.probe_uv = self.probe_noise_uv = self.burst_probe_uv = 0
        self.supply_uv = 0  # -1 where it is not measured
        self.burst_mhz = self.burst_ppm = 0
        self.burst_at = None

    def clear(self):
        # Forget the readings so far.
        self.suspected = False
        self.unmoved = 0  # gaps in a row that the sensor did not show
        self.below = 0  # in a row, below the reading at rest
        self.last_uv, self.equal = 0, 0
        self.place_uv, self.place_at, self.averaged = _NOWHERE, 0, 0
        self.long = False  # it stands still
        self.settings_seen = 0
        self.mhz = self.ppm = 0  # of the last reading
        self.low_mhz = self.high_mhz = self.low_ppm = self.high_ppm = 0

    def doubt(self, uv, output):
        # What is wrong with a reading of the supply sensor in its range: below the reading at rest
        # by 0.2 % of the range, or equal to the last bit for too long. Suspected is the same within
        # 0.05 % for a quarter of a second, though the setting has changed five times, by a factor
        # of two in duty or a fifth in frequency: a sound driver can do that, too. Currents below
        # 0.8 % of the range are too small for it.
        adc, now = self.measure.supply.adc, self.clock.ticks_ms()
        mhz, ppm = output.now_mhz(), output.now_ppm()
        top_uv, rest_uv = adc.top_uv, self.rest_uv
        fallen = rest_uv is not None and rest_uv - uv > top_uv >> 9
        self.below = self.below + 1 if fallen else 0
        if self.below > 1:
            return "reading below rest"
        if not ppm:
            return ""
        self.equal = self.equal + 1 if uv == self.last_uv else 0
        self.last_uv = uv
        if 0 < adc.frozen <= self.equal:
            return "reading frozen"
        if abs(uv - self.place_uv) > top_uv >> 11:
            self.place_uv, self.place_at, self.averaged, self.settings_seen = uv, now, 1, 0
            self.long = False
            self.mhz = self.low_mhz = self.high_mhz = mhz
            self.ppm = self.low_ppm = self.high_ppm = ppm
        elif self.averaged < 8:  # noise of the first readings does not become the place
            self.averaged += 1
            self.place_uv += (uv - self.place_uv) // self.averaged
        if mhz != self.mhz or ppm != self.ppm:
            self.settings_seen += 1
            self.mhz, self.ppm = mhz, ppm
            self.low_mhz, self.high_mhz = min(self.low_mhz, mhz), max(self.high_mhz, mhz)
            self.low_ppm, self.high_ppm = min(self.low_ppm, ppm), max(self.high_ppm, ppm)
        self.long = self.long or self.clock.ticks_diff(now, self.place_at) > 250
        small = abs(uv - self.limits.current_offset) < top_uv >> 7
        wide = self.high_ppm >= 2 * self.low_ppm
        wide = wide or self.high_mhz - self.low_mhz >= self.low_mhz // 5
        self.suspected = self.settings_seen >= 5 and self.long and wide and not small
        return ""

    def ask(self):
        # Where a reading is suspected, as soon as no other one is under way.
        output = self.output
        if self.suspected and output.state in RUNNING and not (self.busy or self.measure.busy):
            self.unmoved = 1  # it has stood still once
            self.begin_gap()

    def begin_gap(self):
        # Take the duty away.
        output = self.output
        self.gap_uv = self.measure.supply_uv
        self.begun_at = self.clock.ticks_ms()
        self.busy = True
        output.level_ppm = 0
        output.rest(True)
        output.step()

    def end_gap(self):
        # Give it back softly, and trip at the second reading in a row that has not fallen to half.
        ua, before_uv, self.gap_uv, self.busy = self.measure.quick(), self.gap_uv, None, False
        fallen_uv = before_uv - self.measure.supply_uv
        if 2 * fallen_uv >= before_uv - self.limits.current_offset:
            self.clear()
        else:
            self.unmoved += 1
        self.output.rest(False)
        if self.unmoved > 1:
            self.guard.trip(103, "reading stands still", ua or 0)

    def wanted(self):
        # Whether the output must not go on before a check.
        return self.limits.check and not self.seen and self.output.state == OFF

    def go(self):
        # Begin now, with the output off; the result when it is there.
        if self.output.state != OFF:
            raise Fault(-221, "output is on or tripped")
        if self.output.board.fault:
            raise Fault(-241, self.output.board.fault)
        self.begin(1000000, True)
        return lambda: None if self.busy else self.story()

    def begin(self, ppm, leaving=False):
        # Begin with the output off, at a duty of 5 % or `ppm`. Unless it is `leaving`, the output
        # goes on after, and a failure is a trip.
        output = self.output
        self.guard.allow()
        self.gap_uv = None
        self.before = output.hz, output.ppm, output.hz_limited, output.ppm_limited
        self.duty_ppm = min(ppm, _BURST_PPM)
        self.leaving = leaving
        self.forget()
        self.begun_at = self.clock.ticks_ms()
        self.busy = True
        self.measure.busy = False

    def stop(self):
        # End it early; the output stays off or goes off.
        if self.busy and self.gap_uv is None:
            self.end(_NONE_DONE)
        self.busy = False

    def step(self):
        # Called often while it is busy. Whatever stops the output ends the check.
        output, measure = self.output, self.measure
        now = self.clock.ticks_ms()
        bursting = self.burst_at is not None
        since = self.clock.ticks_diff(now, self.burst_at if bursting else self.begun_at)
        if self.gap_uv is not None:
            if output.state not in RUNNING:
                self.busy = False
            elif since >= _GAP_MS:
                self.end_gap()
        elif not bursting and output.state != OFF:
            self.end(_NONE_DONE)  # tripped meanwhile
        elif bursting and output.state not in RUNNING:
            self.end({101: 4, 103: 5}.get(self.guard.cause, _NONE_DONE))
        elif measure.busy:
            if measure.step():
                if not bursting:
                    self.judge_rest()
                elif output.state == ON:  # it may have tripped in the last conversion
                    self.end(self.judge_burst())
        elif output.state == RISING:
            self.burst_at = now
        elif since >= _DECAY_MS:
            measure.begin(self, _READINGS)

    def judge_rest(self):
        # The readings at rest are there: judge them, and go on to the burst.
        measure, limits, volts = self.measure, self.limits, self.output.board.volts
        supply, probe = measure.supply, measure.probe
        number = 0
        self.supply_uv = -1
        if supply.adc:
            self.rest_ua = ua = measure.supply_ua or 0
            self.rest_noise_ua = abs(scaled(supply.spread_uv(), limits.current_gain))
            if supply.fault:
                number = 1
            elif measure.below() <= -100 or ua > limits.trip_ua:
                number = 3
            elif measure.below() >= 2:
                number = 2
            elif ua > limits.trip_ua // 4:
                number = 9
            else:
                self.rest_uv = measure.supply_uv
                if volts:
                    self.supply_uv = volts()
                    number = 8 if self.supply_uv < 1000000 else 0
        if probe.adc:
            self.probe_uv = measure.probe_uv()
            self.probe_noise_uv = abs(scaled(probe.spread_uv(), limits.probe_gain))
            if not number and probe.spread_uv() > probe.adc.top_uv // 50:
                number = 10
        if number or not self.duty_ppm:
            self.end(number)
        else:
            self.output.set(self.output.hz, self.duty_ppm)
            self.burst_at = self.clock.ticks_ms()
            self.output.start()

    def judge_burst(self):
        # The number of what the burst shows.
        measure, supply = self.measure, self.measure.supply
        self.burst_mhz, self.burst_ppm = self.output.now_mhz(), self.output.now_ppm()
        self.burst_probe_uv = measure.probe_uv() if measure.probe.adc else 0
        if supply.fault or not supply.adc:
            return 1 if supply.fault else 0
        self.rise_ua = measure.supply_ua - self.rest_ua
        least_ua = scaled(supply.adc.top_uv >> 12, self.limits.current_gain)
        if self.rise_ua < -least_ua:
            return 5
        if self.rise_ua >= least_ua or self.burst_ppm < _TELLING_PPM:
            return 0
        probe_rise_uv = self.burst_probe_uv - self.probe_uv
        return 6 if probe_rise_uv > max(4 * self.probe_noise_uv, 20000) else 7

    def end(self, number):
        # The check is over: the output as it was set, on where it was asked for.
        output = self.output
        self.busy = self.measure.busy = False
        self.number = number
        self.seen = self.seen or number == 0 and self.burst_ppm >= _TELLING_PPM
        output.set(*self.before[:2])
        output.hz_limited, output.ppm_limited = self.before[2:]
        if self.leaving or number == _NONE_DONE:
            output.event("stop")
        elif not number:
            output.start()
        elif not self.guard.cause:
            self.guard.trip(109, "check %d" % number, number * 1000000)

    def story(self):
        current = self.rest_ua, self.rest_noise_ua, self.rise_ua
        probe = self.probe_uv, self.probe_noise_uv, self.burst_probe_uv
        fields = [fixed(x, 6) for x in current + probe + (self.supply_uv,)]
        fields += [fixed(self.burst_mhz, 3), fixed(self.burst_ppm, 4)]
        return ",".join([str(self.number)] + fields)
