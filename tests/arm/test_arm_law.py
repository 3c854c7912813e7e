"""The law in the emulated Cortex-M4 is the PC's, bit for bit: outputs, state, tables, frames, digests.

The whole output of every step and the whole state after it are compared; the structures that are compared byte for byte
have the same layout on both, which is a test of its own. A difference prints the seed;
`play(seed, new_counter(), joint_count_of(seed))` makes that sequence again.
"""

from __future__ import annotations

import random
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from hashlib import sha256

import numpy as np
import pytest
from arm_build import arm_compilers, missing

if missing() is None:
    from arm_bytes import BYTES_MAX, ArmBytes, host_bytes
    from arm_compare import Swept, compare, joint_count_of, listing, sweep
    from arm_core import ArmCore, ArmError
    from arm_law import SAME_SIZES, ArmLaw, difference, fresh_state, host_law, inputs_of
    from differential import play
    from oracle_words import new_counter

    from mapper.law import CAUSES, STATES, load_core
    from mapper.table import encode_table

from arm_build import arm_program
from make_table import random_table as wide_table

pytestmark = pytest.mark.skipif(missing() is not None, reason=str(missing()))

FAST_STEPS, OTHER_STEPS = 20_000, 2_000
DEEP_STEPS = 500_000  # in each of two processes
FIRST_SEED = 60_000_000


@pytest.fixture(scope="module", params=arm_compilers() or ["none"])
def compiler(request):
    return request.param


@pytest.fixture(scope="module")
def arm(compiler):
    return ArmLaw(ArmCore(arm_program(compiler)))


def test_structures_lie_the_same_way_on_both(arm):
    """So that their bytes may be compared; what holds pointers or enumerations does differ, and is not compared so."""
    host = host_law()

    assert {name: arm.sizes[name] for name in SAME_SIZES} == {name: host.sizes[name] for name in SAME_SIZES}
    assert arm.places == host.places
    assert arm.sizes["frame_receiver_t"] < host.sizes["frame_receiver_t"]
    assert arm.sizes["law_state_t"] == load_core().state_byte_count
    assert bytes(fresh_state(arm)) == bytes(load_core().table(encode_table(play(77, new_counter()).table)).start())


def test_law_on_arm_gives_the_pc_s_bits(compiler):
    steps = FAST_STEPS if compiler == arm_compilers()[0] else OTHER_STEPS
    swept = sweep(compiler, FIRST_SEED, steps)

    assert not swept.differences, f"{len(swept.differences)} sequences differ; the first: {swept.differences[0]}"
    assert swept.steps >= steps
    if steps == FAST_STEPS:
        assert not unreached(swept, 1), listing(swept)
        assert max(swept.joints) == 16


def unreached(swept: Swept, least: int) -> list[str]:
    """States, causes and flags that came up less often; a failed assertion never does: it has a test of its own."""
    names = [f"state {name}" for name in STATES] + [f"cause {name}" for name in CAUSES if name != "assertion"]
    names += [f"flag {name}" for name in ("at_limit", "braked", "shared", "held", "flow", "matched", "tip")] + ["drive"]
    return [name for name in names if swept.reached[name] < least]


@pytest.mark.deep
@pytest.mark.timeout(1_800)
def test_law_on_arm_gives_the_pc_s_bits_over_a_million_steps():
    best = arm_compilers()[0]
    with ProcessPoolExecutor(max_workers=2) as pool:
        halves = list(pool.map(sweep, (best, best), (FIRST_SEED, FIRST_SEED + 5_000_000), (DEEP_STEPS, DEEP_STEPS)))
    swept = halves[0]
    swept.add(halves[1])
    print(listing(swept))

    assert not swept.differences, f"{len(swept.differences)} sequences differ; the first: {swept.differences[0]}"
    assert swept.steps >= 1_000_000
    assert not unreached(swept, 400), listing(swept)
    assert sorted(swept.joints) == list(range(1, 17))


def test_comparison_notices_one_wrong_byte_and_says_where(arm):
    """Goal: it cannot pass by looking away."""
    sequence = play(FIRST_SEED + 1, new_counter(), joint_count_of(FIRST_SEED + 1))
    ran, differs = compare(sequence, arm)
    host = host_law().run(fresh_state(arm), inputs_of(sequence.inputs))
    changed = {name: getattr(ran, name).copy() for name in ("outputs", "states", "last")}
    for array in changed.values():
        array[-1, 37] ^= 4
    other = replace(sequence, expected=sequence.expected + 1)

    assert differs is None
    assert difference(ran, host) is None
    assert "byte 37 of the output" in str(difference(replace(ran, outputs=changed["outputs"]), host))
    assert "byte 37 of the state" in str(difference(replace(ran, states=changed["states"]), host))
    assert "byte 37 of the last state" in str(difference(replace(ran, last=changed["last"]), host))
    assert "oracle" in str(compare(other, arm)[1])


def test_failed_assertion_ends_in_zero_drive_on_arm_too(arm):
    """A table that no table_parse lets through (joint_count 0) fails law_step's first assertion."""
    own = ArmLaw(ArmCore(arm.core.program))
    own.parse(encode_table(play(77, new_counter()).table))
    own.core.write(own.table_address + own.places[0], bytes(4))
    ran = own.run(fresh_state(own), np.zeros((1, own.sizes["law_in_t"]), dtype=np.uint8))

    assert own.assert_line() > 0
    assert not ran.outputs[0, 16:20].any()
    assert arm.assert_line() == 0


def test_emulator_says_where_it_stopped(arm):
    with pytest.raises(ArmError, match=r"entry_crc: .* at 0x8"):
        ArmBytes(arm.core).crc_at(0x9000_0000, 16)


def mutated(rng: random.Random, data: bytes) -> bytes:
    """Bytes changed or cut off; mostly with a CRC that is right again, so that it comes to the values."""
    changed = bytearray(data)
    for _ in range(rng.randint(0, 3)):
        at = rng.randrange(len(changed))
        changed[at] = rng.choice((0, 255, rng.randrange(256), changed[at] ^ (1 << rng.randrange(8))))
    if rng.random() < 0.1:
        changed = changed[: rng.randrange(len(changed))]
    if rng.random() < 0.7 and len(changed) > 8:
        changed[-4:] = zlib.crc32(changed[:-4]).to_bytes(4, "little")
    return bytes(changed)


def test_tables_are_read_or_refused_alike(arm):
    """Result, place of the fault and every byte of the live table."""
    rng, host, results = random.Random(5), host_law(), []
    for _ in range(150):
        data = encode_table(wide_table(rng))
        for part in (data, mutated(rng, data), mutated(rng, data)):
            found = arm.parse(part)
            results.append(found[0])

            assert found == host.parse(part)
    assert results.count(0) > 150
    assert len(set(results)) >= 4


def test_frames_are_received_and_encoded_alike(arm):
    rng, on_arm, on_pc = random.Random(6), ArmBytes(arm.core), host_bytes()
    ready = 0
    for _ in range(40):
        stream = bytearray()
        for _ in range(8):
            content = rng.randbytes(rng.randint(0, 300))
            encoded = on_arm.encode(content, rng.randrange(2**23))

            stream += encoded if rng.random() < 0.7 else mutated(rng, encoded or b"\0") + bytes(rng.randint(0, 2))
        frames = on_arm.frames(bytes(stream))
        ready += sum(word >> 24 == 1 for word in frames)

        assert frames == on_pc.frames(bytes(stream))
    assert ready > 100
    for length in (0, 1, 253, 254, 255, 288, 289):
        content = rng.randbytes(length)

        assert on_arm.encode(content, 0x12_3456) == on_pc.encode(content, 0x12_3456)


def test_digest_and_crc_are_python_s(arm):
    """FIPS 180-4 and zlib's CRC-32, as hashlib and zlib have them."""
    rng, on_arm = random.Random(7), ArmBytes(arm.core)
    for length in (0, 1, 55, 56, 63, 64, 65, 119, 120, 1_000, BYTES_MAX):
        data = rng.randbytes(length)

        assert on_arm.digest(data) == sha256(data).digest()
        assert on_arm.crc(data) == zlib.crc32(data)
