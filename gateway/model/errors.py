"""Errors named by what the one who catches them must do."""


class CamdriftError(Exception):
    """Base of all errors that this program raises on purpose; its text is fit to show to a user."""


class Refused(CamdriftError):
    """What was asked for cannot be done as asked: give the reason, change nothing (exit status 1 or 2)."""


class SettingsError(CamdriftError):
    """The configuration is refused (exit status 78). `faults`: a line per mistake, `file: key: what is wrong`."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults

    def __reduce__(self) -> tuple[type["SettingsError"], tuple[list[str]]]:
        return SettingsError, (self.faults,)


class PortError(CamdriftError):
    """A serial port or a socket failed: close it, log it, try again (exit status 74 where nothing else is left)."""


class StorageError(CamdriftError):
    """The disk did not take it: keep the data, raise `storage-fault`, try again later (exit status 74 at start)."""
