"""The binding: whole arrays a call, states that can be copied, refusals with a place, assertions that end in zero."""

from __future__ import annotations

import random

import numpy as np
import pytest
from make_table import random_table

from mapper.law import CAUSES, INPUT_BITS, STATES, LawState, TableRefused, load_core
from mapper.law.core import IN_INTS, OUT_INTS
from mapper.table import encode_table


@pytest.fixture
def live():
    return load_core().table(encode_table(random_table(random.Random(5))))


def ticks(count: int, digital: int = 3) -> np.ndarray:
    rows = np.zeros((count, IN_INTS), dtype=np.int32)
    rows[:, 0] = 1_000
    rows[:, 1] = digital
    return rows


def test_refused_table_names_result_and_place():
    data = bytearray(encode_table(random_table(random.Random(5))))
    data[-1] ^= 0xFF

    with pytest.raises(TableRefused) as refused:
        load_core().table(bytes(data))

    assert refused.value.result == "bad_crc"
    assert "firmware_stub/README.md" in str(refused.value)


def test_no_counts_no_motion(live):
    """All channels at zero counts: whatever the buttons do, no drive and no enable output ever."""
    rows = ticks(400)
    rows[:, 1] = np.random.default_rng(1).integers(0, 64, 400)

    out = live.run(live.start(), rows)

    assert out.shape == (400, OUT_INTS)
    assert not out[:, 4].any()
    assert not out[:, 9 + 5 :: 7].any()


def test_copied_state_goes_on_the_same(live):
    rows = ticks(200)
    rows[:, 2:] = np.random.default_rng(2).integers(0, 65_536, (200, 64))
    state = live.start()
    live.run(state, rows[:100])
    copy = live.start()
    copy.load(bytes(state))

    assert np.array_equal(live.run(state, rows[100:]), live.run(copy, rows[100:]))


def test_state_of_another_size_is_refused(live):
    with pytest.raises(ValueError, match="bytes, not 3"):
        live.start().load(b"abc")


def test_one_call_and_many_calls_give_the_same(live):
    rows = ticks(50)
    rows[:, 2:] = np.random.default_rng(3).integers(0, 4096, (50, 64))
    one, many = live.start(), live.start()

    together = live.run(one, rows)
    apart = np.concatenate([live.run(many, rows[i : i + 1]) for i in range(50)])

    assert np.array_equal(together, apart)
    assert bytes(one) == bytes(many)


def test_wrong_shapes_are_refused(live):
    with pytest.raises(ValueError, match="shape"):
        live.run(live.start(), np.zeros((4, 5), dtype=np.int32))
    with pytest.raises(ValueError, match="equally long"):
        live.limit(0, 0, [1, 2], [1])
    with pytest.raises(ValueError, match="not one of"):
        live.curve(0, 11, [1])


def test_words_have_the_law_s_counts(root):
    """As many names as law.h has enumerators, in its order."""
    header = (root / "firmware_stub" / "core" / "law.h").read_text(encoding="utf-8")

    def enumerators(last: str) -> list[str]:
        block = header[: header.index(last)].rsplit("typedef enum {", 1)[1]
        return [
            line.split(",")[0].split("=")[0].strip() for line in block.splitlines() if line.strip().startswith("LAW_")
        ]

    assert [name.removeprefix("LAW_").lower() for name in enumerators("LAW_STATES\n")] == list(STATES)
    assert len(enumerators("LAW_CAUSES\n")) == len(CAUSES)
    assert len(enumerators("} law_digital_t")) == len(INPUT_BITS)


def test_failed_assertion_is_a_fault_and_zero_drive():
    """A table that breaks an invariant behind the parser's back: the assertion latches, the law ends in zero drive."""
    core = load_core()
    live = core.table(encode_table(random_table(random.Random(5))))
    state = LawState(core.state_byte_count)
    core.library.bench_start(state.buffer)
    try:
        np.frombuffer(live.buffer, dtype=np.uint8)[:] = 0xA5
        out = live.run(state, ticks(1))
        line = core.assert_line()
    finally:
        core.assert_clear()

    assert line != 0
    assert not out[:, 9 + 5 :: 7].any()
