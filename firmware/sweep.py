"""The sweep: runs by itself from the main loop and records into the ring."""

import struct
from binascii import crc32

from micropython import const
from output import ON
from ring import ABORT, DONE, HELD, PAUSE, RUN
from scpi import Fault

LISTED = const(256)  # setpoints in a list at most


class Sweep:
    def __init__(self, clock, output, measure, ring, limits):
        self.clock = clock
        self.output = output
        self.measure = measure
        self.limits = limits
        self.ring = ring
        self.list = bytearray(LISTED * 8)  # pairs of u32 Hz and u32 ppm
        self.settled_at = None  # ticks_us when the output had reached this point
        self.course = None  # None: the list is the course
        self.before = (0, 0)
        self.given = None  # the setting that a base of sweeps stands in for
        self.barred = 0  # 1 while tracking has the output
        self.reset()

    def reset(self):
        self.hz_mode = 0  # CW, SWEep, LIST
        self.ppm_mode = 0  # FIXed, SWEep
        self.hz_start, self.hz_stop = 100000, 400000
        self.ppm_start, self.ppm_stop = 0, 400000
        self.points = 101
        self.dwell_us = 8000
        self.listed = 0

    def active(self):
        return self.ring.state in (RUN, PAUSE)

    def still(self):
        if self.active():
            raise Fault(-221, "a sweep is running")

    def clear_list(self):
        self.still()
        self.listed = 0

    def append(self, points):
        # All of them or none.
        self.still()
        if self.listed + len(points) > LISTED:
            raise Fault(-225, "list of %d points" % LISTED)
        for point in points:
            struct.pack_into("<II", self.list, self.listed * 8, *point)
            self.listed += 1

    def checksum(self):
        return crc32(memoryview(self.list)[: self.listed * 8]) & 0xFFFFFFFF

    def base(self, hz, ppm):
        # Set what sweeps keep fixed or begin at, until the output goes off.
        self.still()
        self.given = self.given or (self.output.hz, self.output.ppm)
        self.output.set(hz, ppm)

    def start(self):
        # Raises Fault when it cannot: running, output off, outside the limits.
        if self.active():
            raise Fault(-213)
        if not self.output.running():
            raise Fault(-221, "output is off")
        if self.barred:
            raise Fault(-221, "tracking is on")
        hz, ppm = self.before = (self.output.hz, self.output.ppm)
        self.course = None
        total = self.listed
        if self.hz_mode != 2:
            total = self.points
            self.course = (
                (self.hz_start, self.hz_stop) if self.hz_mode else (hz, hz),
                (self.ppm_start, self.ppm_stop) if self.ppm_mode else (ppm, ppm),
            )
        self.check(total)
        self.ring.open(total)
        self.ring.state = RUN
        self.place(0)

    def stop(self, state=ABORT):
        # The output returns to what it was before; with the output going off, the setting from
        # before a base comes back.
        if self.active():
            self.end(state)
        if self.given and not self.output.running():
            given, self.given = self.given, None
            self.output.set(*given)

    def step(self):
        output, measure, state = self.output, self.measure, self.ring.state
        if state == PAUSE and not self.ring.full():
            output.rest(False)
            self.ring.state = RUN
        elif state != RUN:
            return
        elif not output.running():
            self.end(ABORT)
        elif output.state != ON:
            self.settled_at = None
        elif measure.busy:
            if measure.step() and self.ring.state == RUN:  # it may have tripped
                self.record()
        elif self.settled_at is None:
            self.settled_at = self.clock.ticks_us()
        elif self.pause_us() == 0:
            measure.begin()

    def expected_ms(self):
        # Until it ends, or pauses since the ring is full.
        ring = self.ring
        left = min(ring.total, ring.first + HELD) - ring.next
        return left * self.point_ms() if ring.state == RUN else 0

    def point_ms(self):
        ramp_us = max(self.output.ramp_us, self.limits.slow_us)
        return (self.dwell_us + ramp_us) // 1000 + self.measure.count + 10

    def pause_us(self):
        # Time until the settling of this point ends, or None while it does not settle.
        if self.ring.state != RUN or self.settled_at is None or self.measure.busy:
            return None
        elapsed = self.clock.ticks_diff(self.clock.ticks_us(), self.settled_at)
        return max(self.dwell_us - elapsed, 0)

    def place(self, index):
        # Go on to a point; where the output reaches it at once, its settling begins now.
        output = self.output
        output.set(*self.setpoint(index))
        output.step()
        self.settled_at = self.clock.ticks_us() if output.state == ON else None

    def record(self):
        # Take the point just measured into the ring. The next one is placed before it is worked
        # out, which takes a good part of the settling.
        ring, measure, index = self.ring, self.measure, self.ring.next
        measure.stamp(index)
        if index + 1 < ring.total:
            self.place(index + 1)
        measure.fill()
        ring.put(measure.point)
        if ring.next >= ring.total:
            self.end(DONE)
        elif ring.full():
            ring.state = PAUSE
            self.output.rest(True)

    def end(self, state):
        self.ring.state = state
        self.measure.busy = False
        self.settled_at = None
        self.output.rest(False)
        self.output.set(*self.before)

    def setpoint(self, i):
        # Frequency and duty that point i asks for.
        if not self.course:
            return struct.unpack_from("<II", self.list, i * 8)
        last = max(self.ring.total - 1, 1)
        (hz, hz_stop), (ppm, ppm_stop) = self.course
        return hz + (hz_stop - hz) * i // last, ppm + (ppm_stop - ppm) * i // last

    def check(self, total):
        # Raises Fault where the sweep would leave the limits.
        limits = self.limits
        if not total:
            raise Fault(-221, "list is empty")
        ends = list(zip(*self.course))[: 1 if total == 1 else 2] if self.course else None
        for hz, ppm in ends or map(self.setpoint, range(total)):
            if not limits.low_hz <= hz <= limits.high_hz:
                raise Fault(-221, "%d Hz is outside the limits" % hz)
            if ppm > limits.cap_ppm:
                raise Fault(-221, "duty above the limit")
