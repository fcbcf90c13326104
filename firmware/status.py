"""Error queue and status registers in the manner of IEEE 488.2 section 11 and SCPI-99 volume 1."""

TEXTS = """
0 No error
-101 Invalid character
-102 Syntax error
-103 Invalid separator
-104 Data type error
-108 Parameter not allowed
-109 Missing parameter
-113 Undefined header
-121 Invalid character in number
-131 Invalid suffix
-138 Suffix not allowed
-161 Invalid block data
-200 Execution error
-213 Init ignored
-221 Settings conflict
-222 Data out of range
-224 Illegal parameter value
-225 Out of memory
-240 Hardware error
-241 Hardware missing
-330 Self-test failed
-350 Queue overflow
-363 Input buffer overrun
-410 Query INTERRUPTED
-440 Query UNTERMINATED after indefinite response
101 Over-current
102 Host lost
103 Sensor fault
104 Internal error
105 Probe over range
106 Supply voltage
107 Chip temperature
108 Time alone is up
109 Self-check failed
110 Watchdog reset
111 Hardware latch
"""
HELD = 16


class Register:
    def __init__(self):
        self.condition = 0
        self.event = 0
        self.enable = 0

    def update(self, condition):
        # Bits that have risen are latched as events.
        self.event |= condition & ~self.condition
        self.condition = condition

    def take(self):
        event, self.event = self.event, 0
        return event


class Status:
    # Everything that `*STB?` summarises.
    def __init__(self):
        self.queue = []
        self.esr = 128  # power on
        self.ese = 0
        self.sre = 0
        self.oper = Register()
        self.ques = Register()
        self.opc_wanted = False  # `*OPC` waits for the pending operations
        self.reply_waiting = False  # replies of the present line are not sent yet

    def text_of(self, number):
        start = TEXTS.find("\n%d " % number)
        if start < 0:
            return "Device error"
        start = TEXTS.find(" ", start) + 1
        return TEXTS[start : TEXTS.find("\n", start)]

    def error(self, number, info=""):
        # SCPI-99 21.8.2, 21.8.9 to 21.8.16: CME of -1xx, EXE of -2xx, DDE of -3xx and trips, QYE
        # of -4xx. When the queue is full the newest becomes -350 (21.8.1).
        self.esr |= 8 if number > 0 else 64 >> -number // 100
        if len(self.queue) < HELD:
            self.queue.append((number, info))
        else:
            self.queue[-1] = (-350, "")
            self.esr |= 8

    def next_error(self):
        number, info = self.queue.pop(0) if self.queue else (0, "")
        text = self.text_of(number) + (";" + info if info else "")
        return '%d,"%s"' % (number, text.replace('"', "'"))

    def errors(self):
        return len(self.queue)

    def all_errors(self):
        found = [self.next_error()]
        while self.queue:
            found.append(self.next_error())
        return ",".join(found)

    def take_esr(self):
        value, self.esr = self.esr, 0
        return value

    def preset(self):
        # SCPI-99 20.2: enables only; events and queue stay.
        self.oper.enable = self.ques.enable = 0

    def clear(self):
        self.opc_wanted = False
        self.queue.clear()
        self.esr = self.oper.event = self.ques.event = 0

    def byte(self):
        # The master summary is bit 6.
        value = 4 if self.queue else 0
        value |= 8 if self.ques.event & self.ques.enable else 0
        value |= 16 if self.reply_waiting else 0
        value |= 32 if self.esr & self.ese else 0
        value |= 128 if self.oper.event & self.oper.enable else 0
        return value | (64 if value & self.sre & 191 else 0)
