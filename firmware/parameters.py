"""Parameters of commands, and the rows of the table that only name an attribute of a part."""

from decimals import UNITS, Fault, fixed, scan
from scpi import choose


def act(parts, row, query, parameters):
    """Carry out a row that names an attribute of a part: action, value, choice or number."""
    owner, name = row[1].split(".")
    part = getattr(parts, owner)
    kind = row[2]
    if kind in "!?":
        if query != (kind == "?"):
            raise Fault(-113, row[0])
        if parameters:
            raise Fault(-108, parameters[0])
        value = getattr(part, name)
        value = value() if callable(value) else value
        return str(value) if isinstance(value, int) else value
    if "," in kind or "|" in kind:
        return _choice(part, name, kind, query, parameters)
    bounds = [int(x) for x in row[3:]] or part.bounds(name)
    if query:
        value = extreme(parameters, bounds) if parameters else getattr(part, name)
        return fixed(value, UNITS[kind])
    value = within(parameters, kind, bounds)
    if len(bounds) > 3:
        value &= bounds[3]
    s = parts.set
    if (name == "low_hz" and value > s.high_hz) or (name == "high_hz" and value < s.low_hz):
        raise Fault(-221, "low limit above high limit")
    setattr(part, name, value)
    if part is s:
        parts.drive.enforce()
    return None


def _choice(part, name, kind, query, parameters):
    onoff = "|" in kind
    words = kind.split(",")
    if query:
        if parameters:
            raise Fault(-108, parameters[0])
        value = getattr(part, name)
        return str(value) if onoff else "".join([c for c in words[value] if not c.islower()])
    value = switch(parameters) if onoff else choose(one(parameters), words)
    setattr(part, name, value)
    return None


def one(parameters):
    if not parameters:
        raise Fault(-109)
    if len(parameters) > 1:
        raise Fault(-108, parameters[1][:30])
    return parameters[0]


def extreme(parameters, bounds):
    """Value of MIN, MAX or DEF."""
    return bounds[choose(one(parameters), ("MINimum", "MAXimum", "DEFault"))]


def within(parameters, unit, bounds):
    """The one parameter as an integer in its range."""
    text = one(parameters)
    value = extreme(parameters, bounds) if text[:3] in ("MIN", "MAX", "DEF") else scan(text, unit)
    if not bounds[0] <= value <= bounds[1]:
        raise Fault(-222, text[:30])
    return value


def switch(parameters):
    text = one(parameters)
    if text in ("ON", "1"):
        return 1
    if text in ("OFF", "0"):
        return 0
    raise Fault(-224, text[:30])
