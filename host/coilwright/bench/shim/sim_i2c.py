"""`machine.I2C` of the simulated board; the sensors' registers are the plant's."""

import sim_machine as machine
import sim_time as clock


class I2C:
    def __init__(self, id=0, freq=400000, **_):
        self.bit = 1000000 / freq

    def transfer(self, addr, out, into):
        clock.advance(int((len(out) + len(into) + 2) * 9 * self.bit))
        machine.put(73, addr, len(out), len(into))  # I
        if out:
            machine.link.write(out)
        answer = bytearray(1 + len(into))
        machine.get(answer)
        if answer[0]:
            raise OSError(answer[0])
        into[:] = answer[1:]

    def writeto_mem(self, addr, reg, buf, **_):
        self.transfer(addr, bytes((reg,)) + bytes(buf), bytearray(0))

    def readfrom_mem_into(self, addr, reg, buf, **_):
        self.transfer(addr, bytes((reg,)), buf)
