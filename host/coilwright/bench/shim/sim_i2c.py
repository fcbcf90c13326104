"""`machine.I2C` of the simulated board; the sensors' registers are the plant's."""

import sim_machine as machine
import sim_time as clock


class I2C:
    def __init__(self, id=0, freq=400000, **_):
        self.bit = 1000000 / freq

    def go(self, address, out, word):
        clock.move(int((len(out) + len(word) + 2) * 9 * self.bit))
        machine.put(73, address, len(out), len(word))  # I
        if out:
            machine.link.write(out)
        answer = bytearray(1 + len(word))
        machine.get(answer)
        if answer[0]:
            raise OSError(answer[0])
        word[:] = answer[1:]

    def writeto_mem(self, address, reg, buf, **_):
        self.go(address, bytes((reg,)) + bytes(buf), bytearray(0))

    def readfrom_mem_into(self, address, reg, buf, **_):
        self.go(address, bytes((reg,)), buf)
