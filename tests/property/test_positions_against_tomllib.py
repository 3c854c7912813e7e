"""The scanner's positions on generated TOML, held against tomllib and against where the generator put things.

The generator writes a random document in every style that TOML has (dotted keys, headers before or after their parents,
arrays of tables, inline tables, arrays over several lines, all four kinds of text) and notes as it writes where each
key and value begins. tomllib must accept the text and have exactly the paths that were noted.
"""

from __future__ import annotations

import random
import tomllib
from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.profile.positions import DEPTH_MAX, Path, Positions, first_repeat, scan

_SCALARS = (
    "1", "-7", "0.5", "1e3", "true", "false", "nan", "1979-05-27", "07:32:00", "1979-05-27 07:32:00", "0xff",
    '"a"', '""', '"[x]"', '"a # b"',
    '"\\"= , ] }"', "'c:\\d'", "''", '"""\nline\n"two" ""\n"""', '"""a"b"""', '""""q""""',
    "'''\n[no]\nit's = 1'''", '"""\\\n  x"""', '"é ∑"',
)  # fmt: skip
_NAMES = ("a", "b2", "long_name", "x-y", "1234", '"with space"', "'q.r'", '"\\u0041"', '"é"')


@dataclass
class Writer:
    """A document as it grows, with the offsets that the scanner should find."""

    dice: random.Random
    text: str = ""
    keys: dict[Path, int] = field(default_factory=dict)
    values: dict[Path, int] = field(default_factory=dict)
    own_header: set[Path] = field(default_factory=set)
    counter: int = 0

    def put(self, text: str) -> int:
        start = len(self.text)
        self.text += text
        return start

    def blank(self) -> str:
        return self.dice.choice(["", "", " ", "\t", "  "])

    def filler(self) -> str:
        return self.dice.choice(["", "", "\n", ' # note ] } = "\n', "\n\n", " \t# x\n  "])

    def name(self) -> tuple[str, str]:
        """A new name: how it is written and what it is."""
        self.counter += 1
        written = self.dice.choice(_NAMES)
        end = len(written) - (written[0] in "\"'")
        written = f"{written[:end]}{self.counter}{written[end:]}"
        return written, next(iter(tomllib.loads(f"{written} = 1")))

    def note(self, path: Path, key: int, value: int) -> None:
        self.keys.setdefault(path, key)
        self.values.setdefault(path, value)

    def pair(self, base: Path, depth: int, *, inline: bool) -> None:
        path = base
        for _ in range(self.dice.choice([0, 0, 0, 1, 2])):
            written, name = self.name()
            path = (*path, name)
            start = self.put(written)
            self.note(path, start, start)
            self.put(f"{self.blank()}.{self.blank()}")
        written, name = self.name()
        path = (*path, name)
        start = self.put(written)
        self.put(f"{self.blank()}={self.blank()}")
        self.note(path, start, len(self.text))
        self.value(path, depth, inline=inline)

    def value(self, path: Path, depth: int, *, inline: bool) -> None:
        kind = self.dice.random()
        if depth <= 0 or kind < 0.6:
            scalars = [scalar for scalar in _SCALARS if not inline or "\n" not in scalar]
            self.put(self.dice.choice(scalars))
        elif kind < 0.8:
            self.array(path, depth - 1, inline=inline)
        else:
            self.put("{" + self.blank())
            for index in range(self.dice.randrange(4)):
                if index:
                    self.put(f"{self.blank()},{self.blank()}")
                self.pair(path, depth - 1, inline=True)
            self.put(self.blank() + "}")

    def array(self, path: Path, depth: int, *, inline: bool) -> None:
        gap = self.blank if inline else self.filler
        self.put("[" + gap())
        count = self.dice.randrange(4)
        for index in range(count):
            start = len(self.text)
            self.note((*path, index), start, start)
            self.value((*path, index), depth, inline=inline)
            self.put(gap() + ("," if index < count - 1 or self.dice.random() < 0.3 else "") + gap())
        self.put("]")

    def header(self, names: list[tuple[str, str]], bases: list[Path], *, array: bool) -> Path:
        """A header; bases[i] is the path of what names[:i + 1] stand for (with the index of an array of tables)."""
        start = self.put("[[" if array else "[")
        for index, (written, _) in enumerate(names):
            self.put(self.blank())
            at = self.put(written)
            self.put(self.blank() + ("." if index < len(names) - 1 else ""))
            last = index == len(names) - 1
            if not last or array:
                plain = bases[index][:-1] if isinstance(bases[index][-1], int) else bases[index]
                self.note(plain, at, at)
            else:
                self.keys[bases[index]] = self.values[bases[index]] = at
        if array:
            self.note(bases[-1], start, start)
        self.put(("]]" if array else "]") + self.blank() + "\n")
        return bases[-1]

    def body(self, path: Path) -> None:
        for _ in range(self.dice.randrange(4)):
            self.put(self.blank())
            self.pair(path, 3, inline=False)
            self.put(self.blank() + self.dice.choice(["", "# end"]) + "\n" + self.filler())

    def tables(self, names: list[tuple[str, str]], bases: list[Path], depth: int) -> None:
        for _ in range(self.dice.randrange(3 if depth else 1)):
            new = [*names, self.name()]
            parent: Path = bases[-1] if bases else ()
            path = (*parent, new[-1][1])
            if self.dice.random() < 0.35:
                for index in range(1 + self.dice.randrange(3)):
                    element = [*bases, (*path, index)]
                    self.body(self.header(new, element, array=True))
                    self.tables(new, element, depth - 1)
            elif self.dice.random() < 0.5:
                self.body(self.header(new, [*bases, path], array=False))
                self.tables(new, [*bases, path], depth - 1)
            else:  # children before their parent's own header
                before = len(self.text)
                self.tables(new, [*bases, path], depth - 1)
                if self.dice.random() < 0.7 or before == len(self.text):
                    self.body(self.header(new, [*bases, path], array=False))


def document(seed: int) -> Writer:
    writer = Writer(random.Random(seed))
    writer.put(writer.filler())
    writer.body(())
    writer.tables([], [], 3)
    return writer


def paths_of(data: object, path: Path = ()) -> set[Path]:
    found = {path} if path else set()
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        found |= paths_of(value, (*path, key))
    return found


def line_column(text: str, offset: int) -> tuple[int, int]:
    before = text[:offset]
    return before.count("\n") + 1, offset - before.rfind("\n")


@given(st.integers(0, 2**32))
@settings(max_examples=500, deadline=None)
def test_every_path_of_tomllib_is_where_it_was_written(seed: int) -> None:
    writer = document(seed)
    expected = paths_of(tomllib.loads(writer.text))
    positions = scan(writer.text)

    assert positions.paths() == expected
    assert set(writer.keys) == expected
    for path in expected:
        assert positions.of_key(path) == line_column(writer.text, writer.keys[path]), path
        assert positions.of_value(path) == line_column(writer.text, writer.values[path]), path


def test_the_generator_writes_every_style_often_enough() -> None:
    """The check above is worth what its documents contain."""
    texts = [document(seed).text for seed in range(400)]

    for mark in ("[[", '"""', "'''", "{", "# note", ".", "\n[", "= [\n"):
        assert sum(mark in text for text in texts) >= 30, mark


@given(st.integers(0, 2**32), st.integers(0, 2**16))
@settings(max_examples=200, deadline=None)
def test_a_missing_path_is_answered_with_its_nearest_parent(seed: int, extra: int) -> None:
    writer = document(seed)
    positions: Positions = scan(writer.text)
    for path in list(writer.keys)[:5]:
        assert positions.of_key((*path, f"no such key {extra}")) == positions.of_key(path)

    assert positions.of_key(("nowhere",)) == (1, 1)


@given(st.integers(0, 2**32), st.sampled_from(["again = 2", "[again]", "again.x = 1", 'z = 1\n"again" = [\n]']))
@settings(max_examples=300, deadline=None)
def test_a_repetition_is_found_with_both_places(seed: int, second: str) -> None:
    """Between the two any lines of the root may stand; where tomllib complains, the scanner names the place."""
    writer = Writer(random.Random(seed))
    writer.put("\nagain = 1\n")
    writer.body(())
    writer.put("\n" + second)
    repeat = first_repeat(writer.text)

    assert not accepts(writer.text)
    if second == "again.x = 1":  # a value used as a table: tomllib's complaint stands without the scanner's help
        assert repeat is None
    else:
        assert repeat is not None
        assert repeat.path == ("again",)
        assert repeat.first_line == 2
        at = writer.text.rindex('"again"' if '"again"' in second else "again")
        assert (repeat.line, repeat.column) == line_column(writer.text, at)


def accepts(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


@given(st.text(alphabet="ab.=[]{}\"'#,\\ \n1", max_size=60))
@settings(max_examples=500, deadline=None)
def test_any_text_is_scanned_to_an_end(text: str) -> None:
    """On text that is not TOML the scanner may only refuse with ValueError; where tomllib accepts, so does it."""
    try:
        accepted = tomllib.loads(text)
    except ValueError:
        accepted = None
    try:
        positions = scan(text)
    except ValueError:
        positions = None

    if accepted is not None:
        assert positions is not None
        assert positions.paths() == paths_of(accepted)


def test_paths_deeper_than_the_limit_cost_nothing_and_answer_with_a_parent() -> None:
    text = ".".join(["a"] * 5000) + " = 1\n"
    positions = scan(text)

    assert len(positions.paths()) == DEPTH_MAX
    assert positions.of_key(("a",) * 5000) == (1, 2 * DEPTH_MAX - 1)
