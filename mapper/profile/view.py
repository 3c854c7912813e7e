"""Looking things up in a profile that may have holes: what is missing or could not be read is None."""

from __future__ import annotations

from collections.abc import Mapping

from mapper.profile.layout import Data
from mapper.profile.messages import looks_misspelt
from mapper.profile.positions import Path
from mapper.profile.quantity import shown


class View:
    """The data as written and the values made of it, addressed by path."""

    def __init__(self, data: object, values: object) -> None:
        self._data = data
        self._values = values

    def value(self, *path: str | int) -> Data:
        """The converted value at `path`, None where there is none."""
        return _dig(self._values, path)

    def has(self, *path: str | int) -> bool:
        """True where the file has something at `path`, readable or not."""
        return _dig(self._data, path) is not None

    def lacks(self, *path: str | int) -> bool:
        """True where the table of `path` is there without its last key, and without a misspelt one of that sense."""
        table = _dig(self._data, path[:-1])
        if not isinstance(table, Mapping) or path[-1] in table:
            return False
        known = _dig(self._values, path[:-1]) or {}
        return not looks_misspelt(str(path[-1]), (key for key in table if key not in known))

    def text(self, *path: str | int) -> str:
        """What the file has at `path`, for a message."""
        data = _dig(self._data, path)
        return shown(data) if isinstance(data, str) else str(data)

    def names(self, *path: str | int) -> list[str]:
        """The keys of the table at `path`, in file order."""
        table = self.value(*path)
        return list(table) if isinstance(table, Mapping) else []

    def count(self, *path: str | int) -> int:
        """The length of the array at `path`, 0 where there is none."""
        array = self.value(*path)
        return len(array) if isinstance(array, list) else 0

    def column(self, path: Path, key: str) -> list[Data]:
        """`key` of every item of the array at `path`."""
        return [self.value(*path, index, key) for index in range(self.count(*path))]


def _dig(value: object, path: Path) -> Data:
    for part in path:
        if isinstance(value, Mapping):
            value = value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            value = value[part]
        else:
            return None
    return value
