"""Commands that measure now, and the block of recorded points."""

from commands import Commands
from decimals import Fault, fixed
from parameters import switch, within
from scpi import choose
from states import OFF, TRIPPED


class Readings(Commands):
    """All handlers: to those of commands.py come these."""

    def measure_q(self, p, what):
        """Measure now and answer the point or a field of it."""
        answer = self._answer(p, what)
        return self._measured(answer)

    def fetch_q(self, p, what):
        """The last measured point again, or a field of it."""
        if not self.sense.taken:
            raise Fault(-200, "nothing measured yet")
        return self._answer(p, what)()

    def zero_q(self, _):
        """Take the supply sensor's rest reading as its offset and answer it."""
        if self.drive.state not in (OFF, TRIPPED):
            raise Fault(-221, "output is on")
        return self._measured(self._zeroed)

    def _measured(self, answer):
        """Deferred reply: measure, then `answer`."""
        self.sweep.still()
        sense = self.sense
        sense.begin()

        def reply():
            if sense.busy:
                if not sense.step():
                    return None
                sense.finish(0)
            return answer()

        return reply

    def _answer(self, p, what):
        """Function that writes the point, or the field of it that is wanted."""
        index = int(what)
        if p:
            index += choose(p[0], ("PROBe", "LIGHt"))
        point = self.sense.point
        if index:
            return lambda: fixed(point[index], 6)
        return self.sense.text

    def _zeroed(self):
        if self.sense.supply.fault:
            raise Fault(-240, "supply sensor does not answer")
        self.settings.current_offset = self.sense.supply.mean()
        return fixed(self.settings.current_offset, 6)

    def trace_data_q(self, p):
        """Block of points from an index on; the points before it are released.

        The third parameter guards them: a line with a turned bit must not release unread points.
        """
        ring = self.ring
        first = within(p[:1], "N", (ring.first, ring.next, ring.first))
        count = within(p[1:2], "N", (0, 0xFFFFFFFF, 64))
        if p[2:]:
            within(p[2:], "N", (first + count, first + count, 0))
        ring.release(first)
        return ring.block(first, count)

    def follow(self, p):
        """Tracking on or off."""
        if switch(p):
            self.track.start()
        else:
            self.track.stop()

    def follow_q(self, _):
        """1 while tracking is on."""
        return str(self.track.on)
