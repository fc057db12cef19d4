"""The exceptions a caller may have to name. Imports nothing.

Expected trouble (a probe that does not answer) is data, not an exception. An
exception means that a promise cannot be kept; whoever catches one at the top
has already switched the relay off.
"""


class HygroholdError(Exception):
    """Anything this package raises on purpose; its text says what, where and what to do."""


class SettingsError(HygroholdError, ValueError):
    """The settings file, or an environment variable, cannot be used."""


class DataFileError(HygroholdError, ValueError):
    """A weather, replay or other input file is not what it should be (file and line are named)."""


class ProbeError(HygroholdError):
    """A probe cannot be found or told apart at start. A failed reading is no exception."""


class RelayError(HygroholdError):
    """The relay's line cannot be claimed or driven."""


class KeptStateError(HygroholdError):
    """Kept state is not readable as such, or cannot be written."""


class HistoryError(HygroholdError):
    """The record cannot be opened or read."""


class RefusedError(HygroholdError):
    """Asked for what this program will not do as things stand; asking again changes nothing."""


class RequestError(HygroholdError, ValueError):
    """A keeper's request makes no sense, or could not be left for the loop."""
