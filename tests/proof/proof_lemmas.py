"""Shows by z3, as bit vectors, the lemmas that the core's contracts admit: shifts, masks and wraps in arithmetic.

WP takes them as true and cannot show them. Each is written here a second time in SMT-LIB, negated: `unsat` says that no
counterexample exists. A lemma that is admitted in the core and has no twin here is refused.
"""

from __future__ import annotations

import re
import subprocess

from proof_sources import CORE

_BYTE = "(bvult {0} #x0000000000000100)"
_HALF = "(bvult {0} #x0000000000010000)"
_WORD = "(bvult {0} #x0000000100000000)"
_SIGNED = "(bvsle #xffffffff80000000 {0}) (bvsle {0} #x000000007fffffff)"
_LOW_BYTE = "#x00000000000000ff"
_LOW_HALF = "#x000000000000ffff"


def _number(value: int) -> str:
    return f"#x{value % 2**64:016x}"


def _rest(value: str, by: int) -> str:
    return f"(bvurem {value} {_number(by)})"


def _times(value: str, by: int) -> str:
    return f"(bvmul {value} {_number(by)})"


def _shift(value: str, by: int) -> str:
    return f"(bvshl {value} {_number(by)})"


def _low_word(value: str) -> str:
    return f"((_ zero_extend 32) ((_ extract 31 0) {value}))"


_DIFFERENCE = f"(bvsub {_low_word('a')} {_low_word('b')})"

# Every number is held in 64 bits, so that nothing that the lemma speaks of wraps: (what is given, what follows).
LEMMAS: dict[str, tuple[str, str]] = {
    "shift_8": (_BYTE.format("b"), f"(= {_shift('b', 8)} {_times('b', 256)})"),
    "shift_16": (
        _HALF.format("b"),
        f"(and (= {_shift('b', 16)} {_times('b', 65536)}) (= {_rest(_shift('b', 16), 65536)} {_number(0)}))",
    ),
    "join_8": (
        f"{_BYTE.format('a')} {_HALF.format('b')} (= {_rest('b', 256)} {_number(0)})",
        "(= (bvor a b) (bvadd a b))",
    ),
    "join_16": (
        f"{_HALF.format('a')} {_WORD.format('b')} (= {_rest('b', 65536)} {_number(0)})",
        "(= (bvor a b) (bvadd a b))",
    ),
    "join_16_high": (
        f"{_WORD.format('a')} {_HALF.format('b')} (= {_rest('a', 65536)} {_number(0)})",
        "(= (bvor a b) (bvadd a b))",
    ),
    "low_8": (_HALF.format("a"), f"(= (bvand a {_LOW_BYTE}) {_rest('a', 256)})"),
    "low_16": (_WORD.format("a"), f"(= (bvand a {_LOW_HALF}) {_rest('a', 65536)})"),
    "high_8": (_HALF.format("a"), f"(= (bvlshr a {_number(8)}) (bvudiv a {_number(256)}))"),
    "high_16": (_WORD.format("a"), f"(= (bvlshr a {_number(16)}) (bvudiv a {_number(65536)}))"),
    "mask_15": (_WORD.format("a"), f"(bvule (bvand a {_number(15)}) {_number(15)})"),
    "one_shifted": (
        f"(bvule a {_number(32)})",
        f"(and (bvule {_number(1)} (bvshl {_number(1)} a)) (bvule (bvshl {_number(1)} a) {_number(2**32)})"
        f" (=> (bvule a {_number(30)}) (bvule (bvshl {_number(1)} a) {_number(2**30)})))",
    ),
    "difference": (
        f"{_SIGNED.format('a')} {_SIGNED.format('b')} (bvslt b a)",
        f"(= {_low_word(_DIFFERENCE)} (bvsub a b))",
    ),
    "same_sign": (
        f"{_SIGNED.format('b')} (or (and (= a {_number(1)}) (bvslt {_number(0)} b))"
        f" (and (= a {_number(-1)}) (bvslt b {_number(0)})))",
        f"(bvsle {_number(0)} (bvxor a b))",
    ),
}


def admitted() -> list[str]:
    """Names of the lemmas that the core's contracts admit."""
    return [name for path in sorted(CORE.glob("*.[ch]")) for name in re.findall(r"admit lemma (\w+)", path.read_text())]


def script(name: str) -> str:
    """SMT-LIB that is unsatisfiable exactly when the lemma holds."""
    given, follows = LEMMAS[name]
    return (
        "(set-logic QF_BV)(declare-const a (_ BitVec 64))(declare-const b (_ BitVec 64))\n"
        f"(assert (and {given}))\n(assert (not {follows}))\n(check-sat)\n"
    )


def holds(name: str) -> bool:
    """Whether z3 finds no counterexample."""
    done = subprocess.run(["z3", "-in", "-T:60"], input=script(name), capture_output=True, text=True, timeout=90)
    return done.stdout.strip() == "unsat"


def run() -> list[str]:
    """What is wrong with the admitted lemmas, in words."""
    names = admitted()
    wrong = [f"lemma {name} is admitted and not shown in proof_lemmas.py" for name in names if name not in LEMMAS]
    wrong += [f"lemma {name} is shown and nowhere admitted" for name in LEMMAS if name not in names]
    known = [name for name in names if name in LEMMAS]
    wrong += [f"lemma {name} does not hold, or z3 did not say so in 60 s" for name in known if not holds(name)]
    return wrong
