"""`micropython` for a bench that has to run the firmware on CPython."""


def const(value):
    return value


def kbd_intr(char):
    pass


def mem_info(verbose=False):
    pass


def alloc_emergency_exception_buf(size):
    pass


def schedule(function, argument):
    function(argument)


def opt_level(level=0):
    return 0


def native(function):
    return function


viper = native


def heap_lock():
    pass


def heap_unlock():
    return 0
