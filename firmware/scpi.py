"""Program messages in the manner of SCPI-99: headers, branches, parameters, deferred replies.

A table row is a pattern, what it acts on, and how. A pattern alone is a branch, for the rows below
it that begin with a colon:

``PATTern[:OPTional] handler nm``  the handler's method with at most n parameters (9: any number),
                                  for a query its method with `_q` with at most m; further
                                  columns are passed on
``PATTern part.name !``            an action;  ``?`` a value that is only asked for
``PATTern part.name ONE,OTHer``    a choice;  ``OFF|ON`` a switch
``PATTern part.name UNIT [low high default [mask]]``  a number
"""

from binascii import crc32

from decimals import Fault

MOST = 80
"""Parameters of a command at most: the heap has no room for the 128 a line could hold."""


def mnemonic(pattern, i, text, j):
    """Where `text` goes on behind the short or long form of the mnemonic at pattern[i], or -1."""
    end = len(text)
    c = pattern[i]
    while c == 42 or 48 <= c <= 57 or 65 <= c <= 90:  # * 0-9 A-Z
        if j >= end or text[j] != c:
            return -1
        i += 1
        j += 1
        c = pattern[i]
    short = j
    while 97 <= c <= 122:
        if j >= end or text[j] != c - 32:
            j = short
            break
        i += 1
        j += 1
        c = pattern[i]
    return j if j >= end or text[j] == 58 else -1


def follow(pattern, i, header, j):
    """Where the header goes on behind what the pattern at table position i stands for, or -1."""
    while pattern[i] > 32:
        optional = pattern[i] == 91
        i += optional
        i += pattern[i] == 58
        k = mnemonic(pattern, i, header, j)
        if k >= 0:
            j = min(k + 1, len(header))
        elif not optional:
            return -1
        while pattern[i] not in b" [:]\n":
            i += 1
        if optional:
            i += 1 + (pattern[i] == 58)  # the colon stands before the bracket
    return j


def choose(text, words):
    """Index of the word (short or long form) that the character data `text` is."""
    for i, word in enumerate(words):
        if mnemonic((word + " ").encode(), 0, text.encode(), 0) == len(text):
            return i
    raise Fault(-224 if text[:1].isalpha() else -104, text[:30])


def split(command):
    """Header in capitals and the list of parameters of one command."""
    header, _, rest = command.strip().partition(" ")
    header = header.upper()
    rest = rest.strip()
    if header == "*PUD":
        return header, [rest]  # a block, as it is
    rest = rest.upper()
    if rest.count(",") > MOST:
        raise Fault(-108, command[:30])
    parameters = rest.split(",") if rest else []
    for i, text in enumerate(parameters):
        parameters[i] = text.strip()
    if "" in parameters:
        raise Fault(-102, command[:30])
    if "," in header:
        raise Fault(-103, header[:30])
    return header, parameters


class Interpreter:
    """Carries out lines; a command may defer its reply, then the rest of its line waits."""

    def __init__(self, table, commands, status, write):
        self.table = table
        self.commands = commands
        self.status = status
        self.write = write
        self.queue = []
        self.replies = []
        self.branch = ""
        self.check = None
        """CRC-32 of a checked line and what of its answer is sent; None for another line."""
        self.pending = None
        """While a reply is deferred: function that answers None until it is ready."""

    def find(self, header):
        """Row of a header (bytes, in capitals), headed by the header itself, or None."""
        table, i, branch = self.table, 1, -1
        while i < len(table) and header:
            end = table.find(b"\n", i)
            if table.find(b" ", i, end) < 0:
                branch = follow(table, i, header, 0)
            else:
                below = table[i] == 58 or table[i : i + 2] == b"[:"
                start = branch if below else 0
                if start >= 0 and follow(table, i, header, start) == len(header):
                    return [header.decode()] + table[i:end].decode().split()[1:]
            i = end + 1
        return None

    def start(self, line):
        """Begin a line. Returns whether any of its commands is known."""
        self.check = None
        if line[:1] == "~":
            self.check = int(line[-8:], 16)
            line = line[2:-9]
        self.queue = line.split(";")
        self.branch = ""
        self.known = False
        self.go()
        return self.known

    def go(self):
        """Carry on until the line is done or a reply is deferred."""
        if self.pending:
            self.guarded(self.resume)
        while self.queue and not self.pending:
            command = self.queue.pop(0)
            if command.strip():
                self.guarded(self.one, command)
        if not self.pending and (self.replies or self.check is not None):
            self.flush()

    def urgent(self, line):
        """While a reply is deferred: carry out a line that only stops. Returns whether it did."""
        branch, self.branch = self.branch, ""
        try:
            rows = [self.locate(*split(c)) for c in line.split(";") if c.strip()]
        except Fault:
            return False
        finally:
            self.branch = branch
        for row, query, parameters in rows:
            allowed = (["OFF"], ["0"]) if row[1] == "output" else ([],)
            stops = row[1] in ("sweep.stop", "reset", "output")
            if query or not stops or parameters not in allowed:
                return False
        for row, _, parameters in rows:
            self.run(row, False, parameters)
        return bool(rows)

    def understands(self, line):
        """Whether the line's first command is one of ours, without carrying it out."""
        try:
            header, _ = split(line.split(";")[0])
            return bool(header) and self.find(header.strip(":?").encode()) is not None
        except Fault:
            return False

    def drop(self):
        """Forget the line that is being carried out and its replies."""
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
        """Take a handler's answer: text, a block's pieces, a deferred reply, or nothing."""
        if callable(answer):
            self.pending = answer
            self.resume()
        elif answer:
            self.replies.append(answer)
            if not isinstance(answer, str):
                self.flush()

    def locate(self, header, parameters):
        """Row, whether it is a query, and parameters of a command on the present branch."""
        query = header.endswith("?")
        name = header[:-1] if query else header
        for c in name.encode():  # letters of a text would be kept as names
            if not (65 <= c <= 90 or 48 <= c <= 58 or c in b"*_"):
                raise Fault(-102, header[:30])
        if name.startswith("*"):
            full = name
        else:
            full = name[1:] if name.startswith(":") else self.branch + name
        if not full or full[-1] == ":" or "::" in full:
            raise Fault(-102, header[:30])
        row = self.find(full.encode())
        if row is None:
            raise Fault(-113, header[:30])
        if name[0] != "*":
            self.branch = full[: full.rfind(":") + 1]
        return row, query, parameters

    def one(self, command):
        self.status.reply_waiting = bool(self.replies)
        self.reply(self.run(*self.locate(*split(command))))

    def run(self, row, query, parameters):
        if "." in row[1]:
            self.known = True
            return self.commands.attribute(row, query, parameters)
        handler = getattr(self.commands, row[1] + ("_q" if query else ""), None)
        if handler is None:
            raise Fault(-113, row[0])
        self.known = True
        most = int(row[2][1 if query else 0]) if len(row) > 2 else 0
        if len(parameters) > most and most < 9:
            raise Fault(-108, parameters[most][:30])
        return handler(parameters, *row[3:])

    def flush(self):
        """Send what is there: text with one write, a block piece by piece."""
        last = self.replies.pop() if self.replies else ""
        if not isinstance(last, str):
            if self.replies:
                self.write(self.checked(";".join(self.replies) + ";"))
            for piece in last:
                if len(piece):
                    self.write(self.checked(piece))
            self.replies.clear()
            if "".join(self.queue).strip():
                self.replies.append("")  # the rest of the line is joined to the block
                return
            last = ""
        self.replies.append(last)
        text = self.checked(";".join(self.replies))
        self.replies.clear()
        if self.check is not None:
            text += "~%08x" % (self.check & 0xFFFFFFFF)
            self.check = None
        self.write(text + "\n")

    def checked(self, data):
        """The piece of an answer, taken into the check."""
        if self.check is not None:
            self.check = crc32(data.encode() if isinstance(data, str) else data, self.check)
        return data
