"""Decimal text to integers and back. No floats: those of the boards have 32 bits."""

UNITS = {"HZ": 0, "PCT": 4, "S": 6, "S9": 9, "A": 6, "V": 6, "N": 0, "X": 6}
"""Decimal count kept for a unit; N is a plain whole number, X a plain ratio."""

_PREFIXES = {"": 0, "N": -9, "U": -6, "M": -3, "K": 3, "MA": 6, "G": 9}


class Fault(Exception):
    """A command that cannot be carried out: SCPI error number and what it is about."""

    def __init__(self, number, info=""):
        super().__init__(number)
        self.number = number
        self.info = info


def fixed(value, count):
    """Integer in units of 10^-count as decimal text: ``fixed(-1500, 3)`` gives ``-1.500``."""
    data = "%0*d" % (count + 1, abs(value))
    if count:
        data = data[:-count] + "." + data[-count:]
    return "-" + data if value < 0 else data


def scan(text, unit):
    """Read ``1.5E3 KHZ`` as an integer in units of 10^-count of `unit`; further count are cut."""
    end = len(text)
    start = i = 1 if text[:1] in ("+", "-") else 0
    point = -1
    c = text.encode()  # letters of a text would be kept as names
    while i < end and (48 <= c[i] <= 57 or c[i] == 46):
        if c[i] == 46:
            if point >= 0:
                raise Fault(-121, text)
            point = i
        i += 1
    data = text[start:i].replace(".", "")
    if not data:
        raise Fault(-121 if start or point >= 0 else -104, text)
    power, i = _exponent(text, i)
    power += UNITS[unit] + _suffix(text[i:].strip(), unit.rstrip("9"))
    if point >= 0:
        power -= len(data) - (point - start)
    value = int(data)
    # Beyond these powers every range is exceeded, or nothing is left: no need for the exact figure.
    value = value * 10 ** min(power, 40) if power >= 0 else value // 10 ** min(-power, 300)
    return -value if c[0] == 45 else value


def _exponent(text, i):
    """Exponent at position i, and the position behind it; an E that belongs to a suffix stays."""
    j = i + 1
    if text[i : i + 1] != "E" or not text[j : j + 1]:
        return 0, i
    if text[j : j + 1] in ("+", "-"):
        j += 1
    k = j
    while text[k : k + 1].isdigit():
        k += 1
    if k == j:
        return 0, i
    power = min(int(text[j:k]), 999)
    return (-power if text[i + 1 : i + 2] == "-" else power), k


def _suffix(suffix, unit):
    """Power of ten of a suffix such as KHZ; IEEE 488.2 7.7.3: M is milli, but MHZ is mega."""
    if not suffix:
        return 0
    if unit in ("N", "X"):
        raise Fault(-138, suffix)
    if suffix == "MHZ" and unit == "HZ":
        return 6
    prefix = suffix[: -len(unit)]
    if not suffix.endswith(unit) or prefix not in _PREFIXES or (unit == "PCT" and prefix):
        raise Fault(-131, suffix)
    return _PREFIXES[prefix]
