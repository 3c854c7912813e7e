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

    def __init__(self, happened: str, *, inside: str, remedy: str) -> None:
        super().__init__(f"{happened}; in the controller now: {inside}; what to do: {remedy}", exit_code=3)
        self.happened = happened
        self.inside = inside
        self.remedy = remedy
