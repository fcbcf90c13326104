"""The sweep: runs by itself from the main loop and records into the ring."""

import struct
from binascii import crc32

from decimals import Fault
from ring import ABORT, DONE, LISTED, PART, PAUSE, RUN
from states import ON


class Sweep:
    """Set-up of a sweep and its course."""

    def __init__(self, clock, drive, sense, ring, limits):
        self.clock = clock
        self.drive = drive
        self.sense = sense
        self.limits = limits
        self.ring = ring
        self._settled = None  # ticks_us when the output had settled at this point
        self._placed = False
        self._course = None  # None: the list is the course
        self._before = (0, 0)
        self.given = None  # the setting that a base of sweeps stands in for
        self.total = 0
        self.barred = 0
        """1 while tracking has the output."""
        self.reset()

    def reset(self):
        """Set-up back to its defaults."""
        self.hz_mode = 0  # CW, SWEep, LIST
        self.ppm_mode = 0  # FIXed, SWEep
        self.hz_start, self.hz_stop = 100000, 400000
        self.ppm_start, self.ppm_stop = 0, 400000
        self.points = 101
        self.dwell_us = 8000
        self.listed = 0

    def active(self):
        """Whether a sweep runs or is paused."""
        return self.ring.state in (RUN, PAUSE)

    def still(self):
        """Raises Fault while a sweep runs."""
        if self.active():
            raise Fault(-221, "a sweep is running")

    def clear_list(self):
        """Empty the list."""
        self.still()
        self.listed = 0

    def append(self, points):
        """Add points to the list, all of them or none."""
        self.still()
        if self.listed + len(points) > LISTED:
            raise Fault(-225, "list of %d points" % LISTED)
        for point in points:
            i = self.listed
            struct.pack_into("<II", self.ring.wanted[i // PART], i % PART * 8, *point)
            self.listed += 1

    def checksum(self):
        """CRC-32 of the list."""
        check = 0
        left = self.listed
        for part in self.ring.wanted:
            check = crc32(memoryview(part)[: max(left, 0) * 8], check)
            left -= PART
        return check & 0xFFFFFFFF

    def base(self, hz, ppm):
        """Set what sweeps keep fixed or begin at, until the output goes off."""
        self.still()
        drive = self.drive
        self.given = self.given or (drive.hz, drive.ppm)
        drive.set(hz, ppm)

    def start(self):
        """Begin. Raises Fault when it cannot: running, output off, outside the limits."""
        if self.active():
            raise Fault(-213)
        if not self.drive.running():
            raise Fault(-221, "output is off")
        if self.barred:
            raise Fault(-221, "tracking is on")
        self._before = (self.drive.hz, self.drive.ppm)
        hz, ppm = self._before
        self._course = None
        if self.hz_mode != 2:
            self._course = (
                (self.hz_start, self.hz_stop) if self.hz_mode else (hz, hz),
                (self.ppm_start, self.ppm_stop) if self.ppm_mode else (ppm, ppm),
            )
        self.total = self.listed if self.hz_mode == 2 else self.points
        self.check(self.total)
        self.ring.open(self.total)
        self.ring.state = RUN
        self._placed = False

    def stop(self, state=ABORT):
        """End the sweep early; the output returns to what it was before. With the output going
        off, the setting from before a base comes back.
        """
        if self.active():
            self.end(state)
        if self.given and not self.drive.running():
            given, self.given = self.given, None
            self.drive.set(*given)

    def step(self):
        """One step of the sweep; called often."""
        state = self.ring.state
        if state == PAUSE and not self.ring.full():
            self.drive.rest(False)
            self.ring.state = RUN
        elif state == RUN:
            self.advance()

    def pause_us(self):
        """Time until the settling of this point ends, or None while it does not settle."""
        if self.ring.state != RUN or self._settled is None or self.sense.busy:
            return None
        elapsed = self.clock.ticks_diff(self.clock.ticks_us(), self._settled)
        return max(self.dwell_us - elapsed, 0)

    def advance(self):
        drive = self.drive
        if not drive.running():
            return self.end(ABORT)
        if not self._placed:
            drive.set(*self.setpoint(self.ring.next))
            drive.step()
            self._placed = True
            self._settled = None
        if drive.state != ON:
            self._settled = None
        elif self._settled is None:
            self._settled = self.clock.ticks_us()
        elif self.sense.busy:
            if self.sense.step() and self.ring.state == RUN:
                self.record()
        elif self.pause_us() == 0:
            self.sense.begin()
        return None

    def record(self):
        """Take the point just measured into the ring, and see what comes next."""
        ring = self.ring
        self.sense.finish(ring.next)
        ring.put(self.sense.point)
        self._placed = False
        if ring.next >= ring.total:
            self.end(DONE)
        elif ring.full():
            ring.state = PAUSE
            self.drive.rest(True)

    def end(self, state):
        """Leave the sweep in a final state, with the output as it was before."""
        self.ring.state = state
        self.sense.busy = False
        self._settled = None
        self.drive.rest(False)
        self.drive.set(*self._before)

    def setpoint(self, i):
        """Frequency and duty that point i asks for."""
        if not self._course:
            return struct.unpack_from("<II", self.ring.wanted[i // PART], i % PART * 8)
        last = max(self.total - 1, 1)
        (hz, hz_stop), (ppm, ppm_stop) = self._course
        return hz + (hz_stop - hz) * i // last, ppm + (ppm_stop - ppm) * i // last

    def check(self, total):
        """Raises Fault where the sweep would leave the limits."""
        limits = self.limits
        if not total:
            raise Fault(-221, "list is empty")
        for i in (0, total - 1) if self._course else range(total):
            hz, ppm = self.setpoint(i)
            if not limits.low_hz <= hz <= limits.high_hz:
                raise Fault(-221, "%d Hz is outside the limits" % hz)
            if ppm > limits.cap_ppm:
                raise Fault(-221, "duty above the limit")
