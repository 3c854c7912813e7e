"""The one base of every error that a user may see."""

from __future__ import annotations


class MapperError(Exception):
    """Something the user can act on: the message says what was found, what is allowed and what to do.

    Args:
        message: the whole text, printed as it is, no traceback.
        exit_code: 1 a limit does not hold, 2 a file cannot be read, 3 the link failed, 64 wrong command line.
    """

    def __init__(self, message: str, *, exit_code: int = 2) -> None:
        super().__init__(message)
        self.message = message
        self.exit_code = exit_code
