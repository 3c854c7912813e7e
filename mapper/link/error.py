"""What a person is told when the line or the controller does not do what was asked."""

from __future__ import annotations

from mapper.errors import MapperError


class LinkError(MapperError):
    """The link failed, or the controller refused.

    Attributes:
        happened: what happened, one sentence part.
        inside: what is in the controller now ("the old table ...", "not known").
        remedy: what to do next.
    """

    def __init__(self, happened: str, *, inside: str, remedy: str, exit_code: int = 3) -> None:
        super().__init__(f"{happened}; in the controller now: {inside}; what to do: {remedy}", exit_code=exit_code)
        self.happened = happened
        self.inside = inside
        self.remedy = remedy


STOPPED_EXIT = 130
"""As a shell has it for a program that Ctrl-C ended: 128 + 2."""


class StoppedError(LinkError):
    """Somebody stopped it: Ctrl-C or the end of the input (exit 130), or a signal (128 + its number)."""

    def __init__(self, why: BaseException, *, inside: str) -> None:
        code = why.code if isinstance(why, SystemExit) and isinstance(why.code, int) else None
        super().__init__(
            str(why) or "stopped by the user" if code is None else f"ended by signal {code - 128}",
            inside=inside,
            remedy="nothing is left half done; upload again when ready",
            exit_code=STOPPED_EXIT if code is None else code,
        )
