"""Puts the driver together."""

import gc


def modules(names):
    # Imported one after the other: what stays lies together, where source is compiled on the board.
    for name in names.split():
        yield __import__(name)
        gc.collect()


scpi, commands, guard, serve, selfcheck = modules("scpi commands guard serve selfcheck")
output, measure, sweep, track, status = modules("output measure sweep track status")
board, store, ring, table = modules("board store ring table")


def build():
    points = ring.Ring()  # while there is room in one piece
    found = board.load()
    settings = store.load(found.defaults, found.check)
    if settings.startup:
        list(modules("alone"))  # likewise, to compile it
    line = serve.Line(found.clock, found.chip.stdout_bytes_ms)
    return assemble(found, settings, line, points)


def assemble(found, settings, line, points):
    # The whole driver for a board.
    headers = scpi.Headers(table.TABLE)
    clock = found.clock
    state = status.Status()
    out = output.Output(found, settings)
    meter = measure.Measure(found, out, settings)
    run = sweep.Sweep(clock, out, meter, points, settings)
    follow = track.Track(clock, out, meter, run, settings)
    watch = guard.Guard(found, out, meter, run, state, settings)
    check = watch.check = selfcheck.SelfCheck(clock, out, meter, watch, settings)
    parts = (found, state, settings, out, meter, run, watch, follow, check)
    actions = commands.Commands(*parts)
    interpreter = scpi.Interpreter(headers, actions, state, line, clock)
    server = serve.Server(interpreter, line, *parts)
    gc.collect()
    if not (found.found or found.damaged) and settings.state != "DEFAULT":
        found.damaged = "board.json is missing"
    faults = (found.damaged, found.fault, watch.unreachable())
    for number, text in zip((-240, -240, -221), faults):
        if text:
            state.error(number, text)
    found.fault = found.damaged or found.fault
    settings.foreign = settings.foreign and not found.damaged
    if settings.foreign:
        state.error(-221, "settings are for another board.json")
    if found.cause:
        watch.trip(found.cause, "")
    elif settings.startup and settings.memories[0] and not (any(faults) or settings.foreign):
        from alone import Alone

        watch.alone = Alone(clock, check, watch, run, follow, settings)
        watch.alone.begin()
    return server
