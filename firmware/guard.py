"""What switches the output off by itself, and the latch that keeps the reason.

The mean supply current is judged by the main loop. Where the sensor is a converter of the chip, a
timer also looks every millisecond, and takes the duty away where two conversions in a row are a
quarter above the limit: that part allocates nothing. An INA226 has its own way: alert.py. The
numbers of trips: status.py.
"""

from decimals import fixed
from ring import TRIP
from states import NAMES, OFF, ON, TRIPPED

_LOOK_MS = 20  # between two short looks at the supply current; 5 where no timer helps


class Guard:
    """Watches the supply current and the host while the output is on."""

    def __init__(self, clock, drive, sense, sweep, status, limits):
        self.clock = clock
        self.drive = drive
        self.sense = sense
        self.sweep = sweep
        self.status = status
        self.limits = limits
        self.timeout_us = 2000000
        self.cause = 0
        """Number of the latched trip, 0 for none."""
        self.tripped = 0
        """1 while a trip is latched."""
        self.record = None
        """Value in uA or uV, time in ms, mHz and ppm of the latched trip."""
        self.supply = sense.supply.adc
        self.timer = drive.board.timer
        self.timed = False
        self.most = 0  # of the converter's counts
        self.seen = 0
        self.host = False
        """A host was heard, within the host-lost time."""
        self._heard = self.since = self._looked = clock.ticks_ms()
        self.board = drive.board
        self.check = None
        """Judges every reading; set once it is there."""
        self.alone = None
        """What runs the driver without a host, where that is wanted."""
        self.dog = None
        """The watchdog, from the first output on."""
        self.taken = False
        self.count = self.over = 0
        self.volts = self.celsius = "NONE"
        """Supply voltage and chip temperature as text, where they are measured."""
        sense.watch = self.current

    def heard(self):
        """A valid line came in."""
        self.host = True
        self._heard = self.since = self.clock.ticks_ms()

    def tick(self, _):
        """Called by the timer, between any two steps of the main loop."""
        drive = self.drive
        if self.supply.glance() > self.most and not drive.cut:
            self.seen = self.supply.glance()
            if self.seen > self.most:
                drive.cut = True
                if drive.pwm:
                    drive.pwm.duty_u16(0)

    def watch(self, wanted):
        """Let the timer run while it is wanted, with the limits of now."""
        timer, s = self.timer, self.limits
        uv = s.current_offset + s.trip_ua * 1250000 // max(s.current_gain, 1)
        self.most = max(uv, 0) * 1000000 // self.supply.unit_uv
        if wanted and not self.timed:
            timer.init(mode=timer.PERIODIC, period=1, callback=self.tick)
        elif self.timed and not wanted:
            timer.deinit()
        self.timed = wanted

    def step(self):
        """Look at the host's silence and, where no measurement runs, at the current and around."""
        idle = self.drive.state in (OFF, TRIPPED)
        if self.timer:
            self.watch(not idle)
        if self.drive.cut and not idle:
            s = self.limits
            uv = self.seen * self.supply.unit_uv // 1000000
            ua = (uv - s.current_offset) * s.current_gain // 1000000
            self.trip(101, fixed(ua, 6) + " A", ua)
        now = self.clock.ticks_ms()
        self.silent(now)
        if self.drive.state in (OFF, TRIPPED):
            number = self.cause or (100 if self.limits.state == "DAMAGED" else 0)
            self.board.blink(number, self.alone and self.alone.waiting, now)
        span = self.clock.ticks_diff(now, self._looked)
        if self.drive.state == OFF:
            self.since = now
            if span >= 100 and not self.sense.busy and self.supply:
                self.current(self.sense.quick())
                self.around()
        elif self.drive.state != TRIPPED:
            if not self.dog and self.board.dog and self.limits.dog_us:
                self.dog = self.board.watch(max(self.limits.dog_us // 1000, 1000))
            if not self.sense.busy and span >= (_LOOK_MS if self.timer else 5):
                self.current(self.sense.quick())
                self.around()
        self.taken = True

    def feed(self):
        """Called by the main loop once a turn: the watchdog is fed where the guard ran in it."""
        if self.dog and self.taken:
            self.dog.feed()
        self.taken = False

    def silent(self, now):
        """The host has been silent for too long, or has not been there for too long."""
        t = self.clock.ticks_diff(now, self._heard)
        running = self.drive.running()
        if self.host and t * 1000 > self.timeout_us:
            self.host = False
            if running and self.alone and self.alone.on:
                self.alone.back()
            elif running:
                self.trip(102, fixed(t, 3) + " s", soft=True)
            else:
                self.sweep.stop()  # gives back what a base of sweeps stands in for
        t = self.clock.ticks_diff(now, self.since)
        if running and 0 < self.limits.alone_us < t * 1000:
            self.trip(108, fixed(t, 3) + " s", soft=True)

    def around(self):
        """Every eighth time: judge supply voltage and chip temperature, where they are measured."""
        board, s = self.board, self.limits
        self.count += 1
        if self.count % 8:
            return
        try:
            if board.volts:
                value = board.volts()
                self.volts = fixed(value, 6)
                if self.drive.running() and (value < s.low_uv or 0 < s.high_uv < value):
                    self.trip(106, self.volts + " V", value)
            if board.celsius:
                value = board.celsius()
                self.celsius = fixed(value, 6)
                if self.drive.running() and 0 < s.celsius * 1000000 < value:
                    self.trip(107, self.celsius + " C", value)
        except OSError:
            self.volts = "NONE"  # the next look at the current says so

    def current(self, ua):
        """Judge a mean supply current in microamperes; None: the sensor does not answer.

        The sums it comes from are judged too: a supply sensor at the end of its range or below zero
        is broken, dead or the wrong way round, whatever the current may be.
        """
        self._looked = self.clock.ticks_ms()
        state = self.drive.state
        sense, limits = self.sense, self.limits
        if state in (OFF, TRIPPED):
            # Off, and yet a current: the gate stuck high, or a sensor that is broken.
            self.over = self.over + 1 if state == OFF and ua and ua > limits.trip_ua else 0
            if self.over > 4:
                self.trip(101, fixed(ua, 6) + " A while off", ua)
            return
        if ua is None:
            self.trip(103, "no answer")
        elif ua > limits.trip_ua:
            self.trip(101, fixed(ua, 6) + " A", ua)
        elif sense.below() <= -100:
            self.trip(103, "over range", ua)
        elif sense.below() >= 2:
            self.trip(103, "below zero", ua)
        elif 0 < limits.probe_uv < sense.volts():
            self.trip(105, fixed(sense.volts(), 6) + " V", sense.volts())
        elif limits.check and self.supply:
            text = self.check.judge(sense.supply.mean(), self.drive.output())
            if text:
                self.trip(103, text, ua)

    def trip(self, number, info, value=0, soft=False):
        """Output off, sweep ended, reason latched; a reason that is latched already stays."""
        mhz, ppm = self.drive.output()
        self.drive.event("fade" if soft else "trip")
        self.sweep.stop(TRIP)
        if self.cause == 0:
            self.cause, self.tripped = number, 1
            self.record = (value, self.clock.ticks_ms() & 0x3FFFFFFF, mhz, ppm)
            self.status.error(number, info)

    def story(self):
        """Number, value, time and operating point of the latched trip."""
        value, ms, mhz, ppm = self.record or (0, 0, 0, 0)
        point = fixed(value, 6), ms, fixed(mhz, 3), fixed(ppm, 4)
        return "%d,%s,%d,%s,%s" % ((self.cause,) + point)

    def reason(self):
        """Number and text of the latched trip."""
        return '%d,"%s"' % (self.cause, self.status.text_of(self.cause) if self.cause else "None")

    def condition(self):
        """State of the output in a word; a running sweep is ON throughout."""
        if self.cause:
            return "TRIPPED"
        return NAMES[ON if self.sweep.active() else self.drive.state]

    def clear(self):
        """Forget the trip; the output is off."""
        self.drive.event("clear")
        self.cause = self.tripped = self.over = 0
        self.check.clear()
        self.record = None
