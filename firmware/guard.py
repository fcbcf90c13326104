"""What switches the output off by itself, and the latch that keeps the reason.

The mean supply current is judged by the main loop. Where the sensor is a converter of the chip, a
timer also looks every millisecond, and takes the duty away where two conversions in a row are a
quarter above the limit, or at the end of the range: that part allocates nothing. An INA226 with its
alert pin wired looks by itself. The numbers of trips: status.py.
"""

from micropython import const
from output import NAMES, OFF, ON, QUIET, TRIPPED
from ring import TRIP
from scpi import Fault, fixed
from store import scaled

_LOOK_MS = const(20)  # between two short looks at the supply current
_LOOK_ALONE_MS = const(5)  # where nothing else looks
_LOOK_OFF_MS = const(100)


class Guard:
    # Watches the supply current and the host while the output is on.
    def __init__(self, board, output, measure, sweep, status, limits):
        self.board = board
        self.clock = board.clock
        self.output = output
        self.measure = measure
        self.sweep = sweep
        self.status = status
        self.limits = limits
        self.sensor = board.supply
        self.timer = board.timer
        self.alerting = hasattr(board.supply, "arm")
        self.timed = False  # the timer runs
        self.revision = None  # of the limits that the next ones were worked out from
        self.most = 0  # of the sensor's counts
        self.alone_ms = 0
        self.seen = 0
        self.timeout_us = 2000000
        self.cause = 0  # number of the latched trip, 0 for none
        self.tripped = 0
        self.record = (0, 0, 0, 0)  # value in uA or uV, time in ms, mHz and ppm of the latched trip
        self.host = False  # one was heard, within the host-lost time
        self.grace_ms = 0  # how long it may wait for what it has asked
        self.heard_at = self.alone_since = self.looked_at = self.clock.ticks_ms()
        self.check = None  # judges every reading; set once it is there
        self.alone = None  # what runs the driver without a host, where that is wanted
        self.dog = None  # the watchdog, from the first output on
        self.stepped = False
        self.turns = self.over = 0
        self.volts = self.celsius = "NONE"  # as text, where they are measured
        measure.watch = self.judge
        measure.glance = self.glance
        output.before_on = self.before_on
        if self.alerting:
            self.connect_alert()

    def connect_alert(self):
        sensor, board = self.sensor, self.board
        latch = board.latch
        acted = latch and latch.is_set()
        try:
            if not sensor.pin_follows():
                text = "alert pin %d does not follow its sensor" % sensor.pin_number
                board.fault = board.fault or text
        except OSError:
            pass  # a sensor that is silent is found by reading it
        if latch and not acted:
            latch.clear()  # the pin, tried, may lead there as well
        sensor.on_alert(self.take_duty)

    def expect(self, ms):
        # What the host has asked for takes so long: it need not speak meanwhile.
        self.grace_ms = ms

    def answered(self):
        # What it waited for is over: its time to speak again begins now.
        if self.host and self.grace_ms:
            self.grace_ms = 0
            self.heard_at = self.clock.ticks_ms()

    def heard(self):
        # A valid line came in.
        self.host = True
        self.grace_ms = 0
        self.heard_at = self.alone_since = self.clock.ticks_ms()

    def tick(self, _):
        # Called by the timer between any two steps of the main loop, on RP2 any two instructions.
        if self.measure.converting:
            self.measure.missed = True
        else:
            self.glance()

    def glance(self):
        if self.timed and self.sensor.read() > self.most:
            self.seen = self.sensor.read()
            if self.seen > self.most:
                self.take_duty(None)

    def take_duty(self, _):
        output = self.output
        if output.pwm and not output.cut:
            output.cut = True
            output.pwm.duty_u16(0)

    def limit_uv(self, ua):
        # Reading of the supply sensor at a current.
        s = self.limits
        return s.current_offset + ua * 1000000 // s.current_gain

    def unreachable(self):
        # Why the sensor cannot show the current at which the driver trips; empty where it can.
        sensor, s = self.sensor, self.limits
        if not sensor or self.limit_uv(s.trip_ua) < sensor.top_uv:
            return ""
        end = (sensor.top_uv - s.current_offset) * s.current_gain // 1000000
        return "the current limit is beyond the sensor's end of %s A" % fixed(end, 6)

    def allow(self):
        # Raises Fault where the output must not go on.
        text = self.unreachable()
        if text and not self.board.fault:
            raise Fault(-221, text)

    def refresh(self):
        # Work the fast limit out, where limits have changed: a quarter above the limit, or the end
        # of the range where that comes first.
        sensor, s = self.sensor, self.limits
        self.revision = s.revision
        self.alone_ms = s.alone_us // 1000
        if sensor:
            uv = min(self.limit_uv(s.trip_ua * 5 // 4), sensor.top_uv - 1)
            self.most = sensor.counts(max(uv, 0))

    def look_fast(self, wanted):
        # Let the timer run or the sensor's alert be armed while it is wanted.
        if self.timer and wanted and not self.timed:
            self.timed = True
            how = self.board.port.TIMER_OPTIONS
            self.timer.init(mode=self.timer.PERIODIC, period=1, callback=self.tick, **how)
        elif self.timed and not wanted:
            self.timed = False
            self.timer.deinit()
        if self.alerting:
            try:
                if self.sensor.watch(self.most if wanted else None):
                    self.take_duty(None)
                if self.output.cut:
                    last = self.sensor.last()
                    self.seen = last if self.most < last < 32768 else self.most + 1
            except OSError:
                pass  # a sensor that is silent is found by reading it

    def cut_trip(self):
        # The fast guard has taken the duty away: the main loop sees it, and latches.
        s = self.limits
        ua = scaled(self.sensor.uv(self.seen) - s.current_offset, s.current_gain)
        if ua > s.trip_ua:
            self.trip(101, fixed(ua, 6) + " A", ua)
        else:
            self.trip(103, "over range", ua)
        self.output.cut = False

    def step(self):
        # Look at the host's silence and, where no measurement runs, at the current and around.
        output, board = self.output, self.board
        if self.revision != self.limits.revision:
            self.refresh()
        self.look_fast(output.pwm is not None)
        if output.cut:
            self.cut_trip()
        if board.latch and board.latch.is_set() and not self.cause:
            self.trip(111, "")
        now = self.clock.ticks_ms()
        self.look_for_host(now)
        state = output.state
        if state in QUIET:
            self.alone_since = now
            number = self.cause or (100 if self.limits.state == "DAMAGED" else 0)
            board.blink(number, self.alone and self.alone.waiting, now)
            every = _LOOK_OFF_MS
        else:
            every = _LOOK_MS if self.timer else _LOOK_ALONE_MS
        if self.clock.ticks_diff(now, self.looked_at) >= every:
            if state == TRIPPED or self.measure.busy or not (self.sensor or state != OFF):
                self.looked_at = now  # else the ticks would wrap while nothing is looked at
            else:
                self.judge(self.measure.quick())
                self.look_around()
        self.check.ask()
        self.stepped = True

    def before_on(self):
        # Starting the watchdog writes to flash: not later, with a PWM.
        self.allow()
        if not self.dog and self.board.dog and self.limits.dog_us:
            self.dog = self.board.start_dog(max(self.limits.dog_us // 1000, 1000))

    def feed(self):
        # Called by the main loop once a turn: the watchdog is fed where the guard ran in it.
        if self.dog and self.stepped:
            self.dog.feed()
        self.stepped = False

    def look_for_host(self, now):
        # It has been silent for too long, or has not been there for too long.
        clock = self.clock
        running = self.output.running()
        silent_ms = clock.ticks_diff(now, self.heard_at) - self.grace_ms
        if self.host and silent_ms > self.timeout_us // 1000:
            self.host = False
            if running and self.alone and self.alone.on:
                self.alone.back()
            elif running:
                self.trip(102, fixed(silent_ms, 3) + " s", soft=True)
            else:
                self.sweep.stop()  # gives back what a base of sweeps stands in for
        alone_ms = clock.ticks_diff(now, self.alone_since)
        if running and 0 < self.alone_ms < alone_ms:
            self.trip(108, fixed(alone_ms, 3) + " s", soft=True)

    def look_around(self):
        # Every eighth time: judge supply voltage and chip temperature, where they are measured.
        board, s = self.board, self.limits
        self.turns = self.turns + 1 & 7
        if self.turns:
            return
        running = self.output.running()
        try:
            if board.volts:
                uv = board.volts()
                self.volts = fixed(uv, 6)
                if running and (uv < s.low_uv or 0 < s.high_uv < uv):
                    self.trip(106, self.volts + " V", uv)
            if board.celsius:
                value = self.measure.exclusive(board.celsius, 1)
                self.celsius = fixed(value, 6)
                if running and 0 < s.celsius * 1000000 < value:
                    self.trip(107, self.celsius + " C", value)
        except OSError:
            self.volts = "NONE"  # the next look at the current says so

    def judge(self, ua):
        # A mean supply current in microamperes; None: the sensor does not answer. The sums that it
        # comes from are judged too: a supply sensor at the end of its range or below zero is
        # broken, dead or the wrong way round, whatever the current may be.
        self.looked_at = self.clock.ticks_ms()
        state = self.output.state
        measure, limits = self.measure, self.limits
        if state in QUIET:
            # Off, and yet a current: the gate stuck high, or a sensor that is broken.
            self.over = self.over + 1 if state == OFF and ua and ua > limits.trip_ua else 0
            if self.over > 4:
                self.trip(101, fixed(ua, 6) + " A while off", ua)
        elif ua is None:
            self.trip(103, "no answer")
        elif ua > limits.trip_ua:
            self.trip(101, fixed(ua, 6) + " A", ua)
        elif not -100 < measure.below() < 2:
            self.trip(103, "below zero" if measure.below() > 0 else "over range", ua)
        elif 0 < limits.probe_uv < measure.probe_uv():
            self.trip(105, fixed(measure.probe_uv(), 6) + " V", measure.probe_uv())
        elif limits.check and self.sensor:
            text = self.check.doubt(measure.supply_uv, self.output)
            if text:
                self.trip(103, text, ua)

    def trip(self, number, info, value=0, soft=False):
        # Output off, sweep ended, reason latched; a reason that is latched already stays.
        mhz, ppm = self.output.now_mhz(), self.output.now_ppm()
        self.output.event("fade" if soft else "trip")
        self.sweep.stop(TRIP)
        if self.cause == 0:
            self.cause, self.tripped = number, 1
            self.record = (value, self.clock.ticks_ms() & 0x3FFFFFFF, mhz, ppm)
            self.status.error(number, info)

    def story(self):
        value, ms, mhz, ppm = self.record
        point = self.cause, fixed(value, 6), ms, fixed(mhz, 3), fixed(ppm, 4)
        return "%d,%s,%d,%s,%s" % point

    def reason(self):
        return '%d,"%s"' % (self.cause, self.status.text_of(self.cause) if self.cause else "None")

    def condition(self):
        # State of the output in a word; a running sweep is ON throughout.
        if self.cause:
            return "TRIPPED"
        return NAMES[ON if self.sweep.active() else self.output.state]

    def clear(self):
        # Forget the trip; the output is off. The latch in hardware as well: one that is set still
        # trips again.
        self.output.event("clear")
        if self.cause and self.board.latch:
            self.board.latch.clear()
        self.cause = self.tripped = self.over = 0
        self.check.clear()
        self.record = (0, 0, 0, 0)
