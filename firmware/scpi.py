"""Program messages in the manner of SCPI-99: headers, branches, parameters, deferred replies.

A table row is a pattern, what it acts on, and how:

``PATTern[:OPTional] handler nm``  the handler's method with at most n parameters (9: any number),
                                  for a query its method with `_q` with at most m; further
                                  columns are passed on
``PATTern part.name !``            an action;  ``?`` a value that is only asked for
``PATTern part.name ONE,OTHer``    a choice;  ``OFF|ON`` a switch
``PATTern part.name UNIT [low high default [mask]]``  a number
"""

from decimals import Fault


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


def matches(pattern, i, header):
    """Whether the header is one of those the pattern at table position i stands for."""
    j = 0
    while pattern[i] != 32:
        optional = pattern[i] == 91
        i += optional
        i += pattern[i] == 58
        k = mnemonic(pattern, i, header, j)
        if k >= 0:
            j = min(k + 1, len(header))
        elif not optional:
            return False
        while pattern[i] not in b" [:]":
            i += 1
        if optional:
            i += 1 + (pattern[i] == 58)  # the colon stands before the bracket
    return j == len(header)


def choose(text, words):
    """Index of the word (short or long form) that the character data `text` is."""
    for i, word in enumerate(words):
        if mnemonic((word + " ").encode(), 0, text.encode(), 0) == len(text):
            return i
    raise Fault(-224 if text[:1].isalpha() else -104, text[:30])


def _split(command):
    """Header in capitals and the list of parameters of one command."""
    header, _, rest = command.strip().upper().partition(" ")
    rest = rest.strip()
    parameters = [p.strip() for p in rest.split(",")] if rest else []
    if "" in parameters:
        raise Fault(-102, command[:30])
    if "," in header:
        raise Fault(-103, header[:30])
    return header, parameters


class Interpreter:
    """Carries out lines; a command may defer its reply, then the rest of its line waits."""

    def __init__(self, table, handlers, status, write):
        self.table = table
        self.handlers = handlers
        self.status = status
        self.write = write
        self._todo = []
        self.replies = []
        self.branch = ""
        self.pending = None
        """While a reply is deferred: function that answers None until it is ready."""

    def find(self, header):
        """Row of a header (bytes, in capitals), or None."""
        if not header:
            return None
        table, i = self.table, 1
        while i < len(table):
            if (table[i] == header[0] or table[i] == 91) and matches(table, i, header):
                return table[i : table.find(b"\n", i)].decode().split()
            i = table.find(b"\n", i) + 1
        return None

    def start(self, line):
        """Begin a line. Returns whether any of its commands is known."""
        self._todo = line.split(";")
        self.branch = ""
        self.known = False
        self.go()
        return self.known

    def go(self):
        """Carry on until the line is done or a reply is deferred."""
        if self.pending:
            self._guarded(self._resume)
        while self._todo and not self.pending:
            command = self._todo.pop(0)
            if command.strip():
                self._guarded(self._one, command)
        if not self.pending and self.replies:
            self._flush()

    def urgent(self, line):
        """While a reply is deferred: carry out a line that only stops. Returns whether it did."""
        branch, self.branch = self.branch, ""
        try:
            rows = [self._locate(*_split(c)) for c in line.split(";") if c.strip()]
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
            self._perform(row, False, parameters)
        return bool(rows)

    def understands(self, line):
        """Whether the line's first command is one of ours, without carrying it out."""
        try:
            header, _ = _split(line.split(";")[0])
            return bool(header) and self.find(header.strip(":?").encode()) is not None
        except Fault:
            return False

    def drop(self):
        """Forget the line that is being carried out and its replies."""
        self._todo = []
        self.replies = []
        self.pending = None

    def _guarded(self, step, *arguments):
        try:
            step(*arguments)
        except Fault as fault:
            self.pending = None
            self.status.error(fault.number, fault.info)

    def _resume(self):
        answer = self.pending()
        if answer is not None:
            self.pending = None
            self.reply(answer)

    def reply(self, answer):
        """Take a handler's answer: text, a block's pieces, a deferred reply, or nothing."""
        if callable(answer):
            self.pending = answer
            self._resume()
        elif answer:
            self.replies.append(answer)
            if not isinstance(answer, str):
                self._flush()

    def _locate(self, header, parameters):
        """Row, whether it is a query, and parameters of a command on the present branch."""
        query = header.endswith("?")
        name = header[:-1] if query else header
        for c in name:
            if not (c.isalpha() or c.isdigit() or c in ":*_"):
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

    def _one(self, command):
        self.status.reply_waiting = bool(self.replies)
        self.reply(self._perform(*self._locate(*_split(command))))

    def _perform(self, row, query, parameters):
        if "." in row[1]:
            self.known = True
            return self.handlers.attribute(row, query, parameters)
        handler = getattr(self.handlers, row[1] + ("_q" if query else ""), None)
        if handler is None:
            raise Fault(-113, row[0])
        self.known = True
        most = int(row[2][1 if query else 0]) if len(row) > 2 else 0
        if len(parameters) > most and most < 9:
            raise Fault(-108, parameters[most][:30])
        return handler(parameters, *row[3:])

    def _flush(self):
        """Send what is there: text with one write, a block piece by piece."""
        last = self.replies[-1]
        if isinstance(last, str):
            self.write(";".join(self.replies) + "\n")
            self.replies.clear()
            return
        self.replies[-1] = ""
        if len(self.replies) > 1:
            self.write(";".join(self.replies))
        for piece in last:
            if len(piece):
                self.write(piece)
        self.replies.clear()
        if "".join(self._todo).strip():
            self.replies.append("")  # the rest of the line is joined to the block
        else:
            self.write("\n")
