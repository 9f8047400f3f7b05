"""The one error family: every user mistake ends in one of these, as one clear sentence.

The message names what is wrong, where, and what to do. Doors (command line, page) print
``str(error)`` and nothing else; library code never prints and never exits.
"""

__all__ = ["RecordingError", "SpeedError", "UnitError", "VehicleError", "VibeorderError"]


class VibeorderError(Exception):
    """Something the user can mend; ``str(error)`` is the sentence to show."""


class RecordingError(VibeorderError):
    """A recording that cannot be read, or not without an option that the message names."""


class VehicleError(VibeorderError):
    """A vehicle profile that cannot be used as it stands."""


class SpeedError(VibeorderError):
    """A road or rotation speed that cannot be used as it stands."""


class UnitError(VibeorderError):
    """A quantity whose number or unit cannot be understood."""
