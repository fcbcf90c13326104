"""Everything that can go wrong for a person at the bench, one class and one exit code a kind.

Exception tree::

    CoilwrightError
    ├── PortError
    │   ├── PortNotFound        10
    │   ├── PortBusy            11
    │   └── PortDenied          12
    ├── LinkError
    │   ├── NoAnswer            13
    │   ├── NotOurDriver        14
    │   ├── WrongFirmware       15
    │   └── LinkLost            16
    │       └── Restarted       17
    ├── DriverError
    │   ├── OutOfRange          20
    │   ├── Refused             21
    │   └── Tripped             22
    ├── FileError
    │   ├── BadRecord           30
    │   ├── WouldOverwrite      31
    │   ├── BadBuild            32
    │   ├── NotWritable         33
    │   ├── BadBoard            34
    │   └── CannotResume        35
    ├── NoResult                40
    ├── BadCalibration          41
    └── InstallError
        ├── WrongBoard          50
        ├── BadPins             51
        └── NotInstalled        52

A command line that cannot be understood exits with 2, Ctrl-C with 130.
"""

from __future__ import annotations

from coilwright.printable import printable_line


class CoilwrightError(Exception):
    """A failure that is told in one sentence, with a hint on what to do.

    Args:
        message: What is wrong, with the value that is wrong.
        hint: What the person can do about it; empty where there is nothing to say.

    What a device, a file or a name puts into either is made printable.
    """

    exit_code = 1

    def __init__(self, message: str, hint: str = "") -> None:
        self.message, self.hint = printable_line(message), printable_line(hint)
        super().__init__(self.message, self.hint)

    @property
    def kind(self) -> str:
        """Name of the kind of failure, for `--json`."""
        return type(self).__name__

    def __str__(self) -> str:
        return self.message


class PortError(CoilwrightError):
    """The serial port cannot be opened."""


class PortNotFound(PortError):
    """There is no such port."""

    exit_code = 10


class PortBusy(PortError):
    """Another program holds the port."""

    exit_code = 11


class PortDenied(PortError):
    """The system does not allow this user to open the port."""

    exit_code = 12


class LinkError(CoilwrightError):
    """The port is open, but the conversation fails."""


class NoAnswer(LinkError):
    """Nothing came back within the deadline."""

    exit_code = 13


class NotOurDriver(LinkError):
    """Something answers, but not a coilwright driver."""

    exit_code = 14


class WrongFirmware(LinkError):
    """A coilwright driver whose protocol this host does not speak."""

    exit_code = 15


class LinkLost(LinkError):
    """The port went away in the middle of the conversation."""

    exit_code = 16


class Restarted(LinkLost):
    """The driver was reset or lost its power, and with it what it was told."""

    exit_code = 17


class DriverError(CoilwrightError):
    """The driver answered, but not with what was wanted."""


class OutOfRange(DriverError):
    """A value lies outside what the driver or its limits allow."""

    exit_code = 20


class Refused(DriverError):
    """The driver reported an error for a command."""

    exit_code = 21


class Tripped(DriverError):
    """The driver switched its output off by itself and says why."""

    exit_code = 22


class HostLost(Tripped):
    """The driver heard nothing from its host for too long, and switched its output off."""


class FileError(CoilwrightError):
    """A file is not what it should be."""


class BadRecord(FileError):
    """A CSV file (a sweep record, a parts drawer) cannot be read, or is not ours."""

    exit_code = 30


class WouldOverwrite(FileError):
    """The file exists and `--force` was not given."""

    exit_code = 31


class BadBuild(FileError):
    """A build file has a wrong unit, a misspelt key or an impossible value."""

    exit_code = 32


class NotWritable(FileError):
    """A file or folder cannot be written."""

    exit_code = 33


class BadBoard(FileError):
    """A board file is missing or not as documented."""

    exit_code = 34


class CannotResume(FileError):
    """A record cannot be continued as it was begun."""

    exit_code = 35


class NoResult(CoilwrightError):
    """The measurement is sound, but there is no answer in it (no peak, never lit)."""

    exit_code = 40


class BadCalibration(CoilwrightError):
    """Readings and meter do not make a calibration; the driver keeps the one it has."""

    exit_code = 41


class InstallError(CoilwrightError):
    """The firmware cannot be put on the board."""


class WrongBoard(InstallError):
    """The chip, or its MicroPython, is not one the firmware runs on."""

    exit_code = 50


class BadPins(InstallError):
    """A pin must not be used for what it was chosen for."""

    exit_code = 51


class NotInstalled(InstallError):
    """The board did not take the files, or its driver does not start; it can be tried again."""

    exit_code = 52


class BadWish(ValueError):
    """A wish that cannot be meant.

    Attributes:
        field: Which one; empty where the reason is a whole sentence.
        reason: Why, as the end of a sentence.
    """

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}" if field else reason)
        self.field, self.reason = field, reason


class NobodyThere(ValueError):
    """Something has to be asked, and there is no person to ask."""
