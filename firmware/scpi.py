"""Program messages in the manner of SCPI-99: headers, parameters, deferred replies.

A row of the table is a pattern, what it acts on, and how:

``PATTern[:OPTional] handler nm``  the handler's method with at most n parameters (9: any number),
                                   for a query its method with `_q` with at most m; further
                                   columns are passed on
``PATTern part.name !``            an action;  ``?`` a value that is only asked for
``PATTern part.name ONE,OTHer``    a choice;  ``OFF|ON`` a switch
``PATTern part.name UNIT [low high default [mask]]``  a number

Numbers are integers all the way, in units of 10^-places; the boards' floats have 32 bits.
"""

import gc
from binascii import crc32

from micropython import const

PLACES = {"HZ": 0, "PCT": 4, "S": 6, "S9": 9, "A": 6, "V": 6, "N": 0, "X": 6}
# Decimal places kept of a unit; N is a plain whole number, X a plain ratio.
_PREFIXES = {"": 0, "N": -9, "U": -6, "M": -3, "K": 3, "MA": 6, "G": 9}
_BASES = {"#H": 16, "#Q": 8, "#B": 2}  # IEEE 488.2 7.7.4
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_NAMED = ("MINimum", "MAXimum", "DEFault")
_SLICE_US = const(3000)  # of the main loop's time at most, between two commands
MOST = const(80)  # commas in a command: the heap is not endless


class Fault(Exception):
    # A command that cannot be carried out: SCPI error number and what it is about.
    def __init__(self, number, info=""):
        super().__init__(number)
        self.number = number
        self.info = info[:60]


def fixed(value, places):
    # ``fixed(-1500, 3)`` gives ``-1.500``.
    digits = "%0*d" % (places + 1, abs(value))
    if places:
        digits = digits[:-places] + "." + digits[-places:]
    return "-" + digits if value < 0 else digits


def scan(text, unit):
    # ``1.5 E3 KHZ`` as an integer; rounded (IEEE 488.2 7.7.2.4), halves away from zero.
    base = _BASES.get(text[:2])
    if base:
        try:
            return int(text[2:], base) * 10 ** PLACES[unit]
        except ValueError:
            raise Fault(-121, text)
    number = text[1:] if text[:1] in ("+", "-") else text
    suffix = number[len(number.rstrip(_LETTERS)) :]
    mantissa, mark, exponent = number[: len(number) - len(suffix)].partition("E")
    whole, _, fraction = mantissa.rstrip().partition(".")
    digits = whole + fraction
    if not digits.isdigit():
        raise Fault(-121 if text[:1] in "+-.0123456789" else -104, text)
    try:
        power = int(exponent) if mark else 0
    except ValueError:
        raise Fault(-131, text)
    power += PLACES[unit] - len(fraction) + _suffix(suffix, unit.rstrip("9"))
    # Beyond these powers every range is exceeded, or nothing is left: no need for the exact figure.
    value = int(digits)
    if power >= 0:
        value *= 10 ** min(power, 40)
    else:
        value = (2 * value // 10 ** min(-power, 300) + 1) // 2
    return -value if text[0] == "-" else value


def _suffix(suffix, unit):
    # Power of ten of a suffix such as KHZ; IEEE 488.2 7.7.3: M is milli, but MHZ is mega.
    if not suffix:
        return 0
    if unit in ("N", "X"):
        raise Fault(-138, suffix)
    if suffix == "MHZ" and unit == "HZ":
        return 6
    prefix = suffix[: -len(unit)]
    if not suffix.endswith(unit) or prefix not in _PREFIXES or unit == "PCT" and prefix:
        raise Fault(-131, suffix)
    return _PREFIXES[prefix]


def short(word):
    # SCPI-99 volume 1, 6.2.1: four letters, or three where the fourth is a vowel.
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


def choose(text, words):
    # Index of the word that the character data `text` is, in short or long form.
    for i, word in enumerate(words):
        word = word.upper()
        if text == word or text == short(word):
            return i
    raise Fault(-224 if text[:1].isalpha() else -104, text)


def one(parameters):
    if not parameters:
        raise Fault(-109)
    if len(parameters) > 1:
        raise Fault(-108, parameters[1])
    return parameters[0]


def extreme(parameters, bounds):
    return bounds[choose(one(parameters), _NAMED)]


def within(parameters, unit, bounds):
    # The one parameter as an integer in its range.
    text = one(parameters)
    value = extreme(parameters, bounds) if text[:3] in ("MIN", "MAX", "DEF") else scan(text, unit)
    if not bounds[0] <= value <= bounds[1]:
        raise Fault(-222, text)
    return value


def switch(parameters):
    # ON, OFF, or a number, which is rounded: 0 is OFF (SCPI-99 7.3).
    text = one(parameters)
    if text[:1].isalpha():
        return choose(text, ("OFF", "ON"))
    return 1 if scan(text, "N") else 0


def _block_end(text, start):
    # Where the block that begins here ends (IEEE 488.2 7.7.6): the line's end where it is malformed
    # or of indefinite length; `start` where none begins here.
    if not text[start + 1 : start + 2].isdigit():
        return start
    count = start + 2 + int(text[start + 1])
    size = text[start + 2 : count]
    if len(size) != count - start - 2 or not size.isdigit() or count + int(size) > len(text):
        return len(text)
    return count + int(size)


def split_line(line):
    # The commands of a line. Within a block or a string a semicolon is data.
    if not ("#" in line or '"' in line or "'" in line):
        return line.split(";")
    found, start, i = [], 0, 0
    while i < len(line):
        c = line[i]
        if c == ";":
            found.append(line[start:i])
            start = i + 1
        elif c == "#":
            i = max(i, _block_end(line, i) - 1)
        elif c in ('"', "'"):
            i = line.find(c, i + 1)
            if i < 0:
                break
        i += 1
    found.append(line[start:])
    return found


def block_data(text):
    # What a block holds.
    end = _block_end(text, 0)
    count = 2 + int(text[1]) if text[1:2].isdigit() else 0
    size = text[2:count]
    whole = count and (count == 2 or size.isdigit() and count + int(size) == end)
    if not whole or text[end:].strip():
        raise Fault(-161)
    return text[count:end]


def split_command(command):
    # Header in capitals and the list of parameters.
    header, rest = (command.split(None, 1) + [""])[:2]
    header = header.upper()
    if "," in header:
        raise Fault(-103, header)
    if rest[:1] == "#" and rest[1:2].isdigit() or '"' in rest or "'" in rest:
        return header, [rest]  # as it is
    if rest.count(",") > MOST:
        raise Fault(-108, command)
    rest = rest.strip().upper()
    parameters = [text.strip() for text in rest.split(",")] if rest else []
    if "" in parameters:
        raise Fault(-102, command)
    return header, parameters


class Headers:
    # Finds a header's row in the table by the short forms of its words.
    def __init__(self, table):
        self.table = table
        self.places = {}
        at = 0
        while at < len(table):
            row = self._row(at)
            keys = [""]
            for node in row.split(" ")[0].replace("[:", ":[").replace(":]", "]:").split(":"):
                name = ":" + short(node.strip("[]").upper())
                longer = [key + name for key in keys]
                keys = keys + longer if node[0] == "[" else longer
            for key in keys:
                self.places[key] = at
            at += len(row) + 1
            if not len(self.places) & 15:
                gc.collect()  # else no room is left in one piece

    def _row(self, at):
        return self.table[at : self.table.find("\n", at)]

    def find(self, header):
        # (part, name, kind, further columns), or None; `header` in capitals.
        words = header.split(":")
        if words[0] == "TRACK":  # its name in the first edition
            words[0] = "FOLL"
        names = [short(word) for word in words]
        at = self.places.get(":" + ":".join(names))
        if at is None:
            return None
        pattern, action, *columns = self._row(at).split()
        whole = pattern.upper().replace("[", "").replace("]", "").split(":")
        for word, name in zip(words, names):
            if word != name and word not in whole:
                return None  # a long form of something else
        part, _, name = action.rpartition(".")
        kind = columns.pop(0) if columns else "00"
        return part, name, kind, [int(x) for x in columns] if part else columns


class Interpreter:
    # Carries out lines; a command may defer its reply, then the rest of its line waits.
    def __init__(self, headers, commands, status, line, clock):
        self.headers = headers
        self.commands = commands
        self.status = status
        self.line = line
        self.clock = clock
        self.queue = []
        self.replies = []
        self.branch = ""
        self.check = None  # CRC-32 of a checked line and of what of its answer is sent
        self.pending = None  # a deferred reply: function that answers None until it is ready
        self.known = self.indefinite = False

    def busy(self):
        return self.pending or self.queue or self.line.pieces

    def start(self, line):
        # Begin a line. Returns whether any of its commands so far is known.
        self.check = None
        if line[:1] == "~":
            self.check = int(line[-8:], 16)
            line = line[2:-9]
        self.queue = split_line(line)
        self.branch = ""
        self.known = self.indefinite = False
        self.go()
        return self.known

    def go(self):
        # Carry on until the line is done, a reply is deferred or not sent yet, or time is up.
        clock, begun = self.clock, self.clock.ticks_us()
        if self.pending:
            self.guarded(self.resume)
        while self.queue and not self.pending and not self.line.pieces:
            command = self.queue.pop(0)
            if command.strip():
                self.guarded(self.one, command)
            if clock.ticks_diff(clock.ticks_us(), begun) > _SLICE_US:
                break
        if not (self.pending or self.queue) and (self.replies or self.check is not None):
            self.flush()

    def urgent(self, line):
        # While another line is carried out: one that only stops. Returns whether it was that.
        branch, self.branch = self.branch, ""
        try:
            found = [self.locate(*split_command(c)) for c in split_line(line) if c.strip()]
        except Fault:
            return False
        finally:
            self.branch = branch
        for row, query, parameters in found:
            allowed = (["OFF"], ["0"]) if row[1] == "on" else ([],)
            stops = row[:2] in (("sweep", "stop"), ("", "reset"), ("", "on"))
            if query or not stops or parameters not in allowed:
                return False
        for row, _, parameters in found:
            self.run(row, False, parameters)
        return bool(found)

    def understands(self, line):
        # Whether the line's first command is one of ours, without carrying it out.
        words = line.replace(";", " ").split(None, 1)
        return bool(words) and self.headers.find(words[0].strip(":?").upper()) is not None

    def drop(self):
        # Forget the line that is being carried out and its replies.
        self.queue = []
        self.replies = []
        self.pending = self.check = None

    def guarded(self, step, *arguments):
        try:
            step(*arguments)
        except Fault as fault:
            self.pending = None
            self.status.error(fault.number, fault.info)
        except MemoryError:  # a long line in a full heap is no reason to trip
            self.pending = None
            self.replies.clear()
            self.status.error(-225)

    def resume(self):
        answer = self.pending()
        if answer is not None:
            self.pending = None
            self.reply(answer)

    def reply(self, answer):
        # A handler's answer: text, a block's pieces, a deferred reply, or nothing.
        if callable(answer):
            self.pending = answer
            self.resume()
        elif answer:
            self.replies.append(answer)
            if not isinstance(answer, str):
                self.flush()

    def locate(self, header, parameters):
        # Row, whether it is a query, and parameters of a command on the present branch.
        query = header.endswith("?")
        name = header[:-1] if query else header
        full = name if name[:1] == "*" else name[1:] if name[:1] == ":" else self.branch + name
        row = self.headers.find(full)
        if row is None:
            odd = [c for c in full.encode() if not (65 <= c <= 90 or 48 <= c <= 58 or c in b"*_")]
            raise Fault(-102 if odd or not full or full[-1] == ":" else -113, header)
        if name[0] != "*":
            self.branch = full[: full.rfind(":") + 1]
        return row, query, parameters

    def one(self, command):
        self.status.reply_waiting = bool(self.replies)
        row, query, parameters = self.locate(*split_command(command))
        # Nobody could tell where the answer before it ends, but by the frame of a checked line.
        if query and self.indefinite and self.check is None:
            raise Fault(-440, command)
        self.reply(self.run(row, query, parameters))
        self.indefinite = self.indefinite or row[1] == "identity"

    def run(self, row, query, parameters):
        part, name, kind, more = row
        if part:
            self.known = True
            return self.commands.act(row, query, parameters)
        handler = getattr(self.commands, name + ("_q" if query else ""), None)
        if handler is None:
            raise Fault(-113, name)
        self.known = True
        most = int(kind[1 if query else 0])
        if len(parameters) > most and most < 9:
            raise Fault(-108, parameters[most])
        return handler(parameters, *more)

    def flush(self):
        # Hand over what is there; a block in pieces.
        last = self.replies.pop() if self.replies else ""
        if not isinstance(last, str):
            self._send(";".join(self.replies + [""]))
            for piece in last:
                self._send(piece)
            self.replies.clear()
            if "".join(self.queue).strip():
                self.replies.append("")  # the rest of the line is joined to the block
                return
            last = ""
        self.replies.append(last)
        self._send(";".join(self.replies))
        self.replies.clear()
        if self.check is not None:
            self.line.send(b"~%08x" % (self.check & 0xFFFFFFFF))
            self.check = None
        self.line.send(b"\n")

    def _send(self, data):
        if isinstance(data, str):
            data = data.encode()
        if self.check is not None:
            self.check = crc32(data, self.check)
        if len(data):
            self.line.send(data)
