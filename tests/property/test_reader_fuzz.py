"""Whatever the bytes: a Profile or a ProfileError with well-formed messages, never another exception."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.profile import Profile, ProfileError, read_profile

PROFILES = Path(__file__).resolve().parents[2] / "profiles"
STAND = (PROFILES / "test-stand.toml").read_bytes()
LINES = STAND.split(b"\n")
NASTY = [
    b"nan", b"inf", b"-0", b"1e400",
    b"9" * 40, b"0x" + b"f" * 400, b"true", b"1979-05-27", b"07:32:00", b'""', b"''", b"[]",
    b"{}", b"[[1]]", b'"\\u0000"', b'"1e400 mm"',
    b'"5 mm"', b'"5 bar"', b'"-5 deg"', b'"lever"', b'"\xd9\xa5 mm"',
    b'"""\n50 mm\n"""', b'"50 mm\\n"', b"{lower = 1, upper = 2}", b"[{count = 1}]", b"\x00", b"\xff", b'"', b"'",
    b"]", b"}",
    b"=", b"#", b"\r", b"[a]", b"[[joints]]", b"a.b.c = 1", b"5,3", b"[" * 30, b"{a=" * 30, b"\xef\xbb\xbf",
]  # fmt: skip
QUOTED = re.compile(r'"(?:\\.|[^"\\])*"')
FORM = re.compile(r"file\.toml:(\d+):(\d+): (.+; .+; .+)", re.DOTALL)


def check(data: bytes) -> str:
    """Reads and holds the result to its form; returns the text of the error, empty for a profile."""
    refusal = None
    try:
        profile = read_profile(data, "file.toml")
    except ProfileError as error:
        refusal = error
    if refusal is None:
        assert isinstance(profile, Profile)
        return ""
    assert refusal.exit_code == 2
    assert refusal.messages
    for message in refusal.messages:
        text = str(message)
        match = FORM.fullmatch(text)
        assert match, text
        assert text.isprintable(), text
        assert QUOTED.sub("", text).count("; ") == 2, text
        assert 1 <= int(match[1]) <= data.count(b"\n") + 1
        assert int(match[2]) >= 1
    places = [(message.line, message.column) for message in refusal.messages]
    assert places == sorted(places)
    return str(refusal)


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """The test stand's profile with one to four changes of lines, values or bytes."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 4))):
        index = draw(st.integers(0, len(lines) - 1))
        change = draw(st.sampled_from(["drop", "twice", "move", "value", "key", "byte", "cut"]))
        line = lines[index]
        key, equals, value = line.partition(b" = ")
        if change == "drop":
            del lines[index]
        elif change == "twice":
            lines.insert(draw(st.integers(0, len(lines))), line)
        elif change == "move":
            lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(index))
        elif change == "value" and equals:
            lines[index] = key + equals + draw(st.sampled_from(NASTY))
        elif change == "key" and equals:
            lines[index] = (
                draw(st.sampled_from([key[:-1], key + b"s", b'"\\n"', b"x." + key, key.upper()])) + equals + value
            )
        elif change == "byte":
            at = draw(st.integers(0, len(line)))
            lines[index] = line[:at] + draw(st.one_of(st.binary(max_size=3), st.sampled_from(NASTY))) + line[at + 1 :]
        elif change == "cut":
            lines = lines[:index]
        if not lines:
            break
    return b"\n".join(lines)


@given(mutated())
@settings(max_examples=250, deadline=None)
def test_a_damaged_profile_is_read_or_refused_in_form(data: bytes) -> None:
    check(data)


def test_every_key_misspelt_is_refused_and_left_out_is_read_or_refused_in_form() -> None:
    """Each key of the stand by turns, those of inline tables too: none is taken silently, none upsets the reader."""
    keys = list(re.finditer(rb"(?<![\w\"#])([a-z][a-z_]*) = ", b"\n".join(LINES)))
    text = b"\n".join(LINES)

    assert len(keys) > 120
    for match in keys:
        line = text[text.rindex(b"\n", 0, match.start()) + 1 :].partition(b"\n")[0]
        if line.lstrip().startswith(b"#"):
            continue
        misspelt = text[: match.end(1) - 1] + text[match.end(1) :]
        assert check(misspelt), match[1]
        if line.startswith(match[1]):
            check(text.replace(line + b"\n", b"", 1))


@given(
    st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
)
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_refused_in_form(data: bytes) -> None:
    assert check(data)


_values = st.recursive(
    st.one_of(
        st.booleans().map(lambda flag: str(flag).lower()), st.integers(-(10**20), 10**20).map(str),
        st.sampled_from(["nan", "inf", "1e9", "0.5", '"5 mm"', '"x"', "1979-05-27"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[" + ", ".join(items) + "]"),
        st.dictionaries(st.sampled_from(["lower", "upper", "count", "kind", "x"]), inner, max_size=3).map(
            lambda items: "{" + ", ".join(f"{key} = {value}" for key, value in items.items()) + "}"
        ),
    ),
    max_leaves=8,
)  # fmt: skip


@given(st.integers(0, len(LINES) - 1), _values)
@settings(max_examples=200, deadline=None)
def test_any_kind_of_value_in_any_place_is_read_or_refused_in_form(index: int, value: str) -> None:
    lines = list(LINES)
    key, equals, _ = lines[index].partition(b" = ")
    lines[index] = key + equals + value.encode() if equals else lines[index]

    check(b"\n".join(lines))


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"a = [\n" * 1 + b"[\n" * 5000, "nested very deeply"),
        (b"a" + b".a" * 39 + b" = 1\n", "nested too deeply"),
        (b".".join([b"a"] * 400) + b" = 1\n", "a line with 399 points"),
        (b"# long\na = '" + b"x" * 5000 + b"'\n", "a line of 5006 characters"),
        (b"a = " + b"9" * 900 + b"\n", "not a key of this format"),
        (b"a = 0x" + b"f" * 990 + b"\n", "a number of 3960 bits"),
        (b"x = 1\n" * 3, "given a second time"),
        (b"".join(b"k%d = 1\n" % number for number in range(90_000)), "and "),
        (b"format = 1\n" + b"[joints.a%d]\n" * 0 + b"".join(b"[joints.a%d]\n" % n for n in range(500)), "500 items"),
        (b"\n" * (1024 * 1024 + 1), "1048577 bytes; a profile has at most 1048576"),
        (b"\n" * (1024 * 1024), 'key "format" is missing'),
    ],
    ids=lambda value: value[:12].decode() if isinstance(value, bytes) else value[:20],
)
@pytest.mark.timeout(20)
def test_a_file_made_to_be_slow_or_deep_is_refused_soon(data: bytes, says: str) -> None:
    assert says in check(data)
