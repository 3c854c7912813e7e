"""What one step of the law costs on a Cortex-M4, in instructions: `python tests/arm/main.py`, about two minutes.

    python tests/arm/main.py            the figures of the README, the kerb arm first
    python tests/arm/main.py --drives 50 --tables 10     quicker

Exit 0: below the gate. 1: above it. 2: the emulator or a compiler is missing.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS / name) for name in ("arm", "oracle", "support")]

from arm_build import arm_compilers, missing


def main() -> int:
    parser = argparse.ArgumentParser(description="instructions of a control step on an emulated Cortex-M4")
    parser.add_argument("--drives", type=int, default=200, help="random drives of the kerb arm (200)")
    parser.add_argument("--tables", type=int, default=40, help="random tables of six and of sixteen joints (40)")
    asked = parser.parse_args()
    lacking = missing()
    if lacking is not None:
        print(lacking, file=sys.stderr)
        return 2
    from arm_cost import MOST_INSTRUCTIONS, RECORDED, counting_law, kerb_costs, random_costs, rows

    compiler = arm_compilers()[0]
    arm = counting_law(compiler)
    print(f"Instructions of one control step, Cortex-M4, {compiler} -O2, linked as one program\n", flush=True)
    print(
        f"kerb arm, six joints: worked recordings, all joints in motion at once, {asked.drives} random drives",
        flush=True,
    )
    kerb = kerb_costs(arm, asked.drives, RECORDED)
    print(rows(kerb), flush=True)
    for joint_count in (6, 16):
        print(f"\n{asked.tables} random tables of {joint_count} joints, every curve as long as it may be", flush=True)
        print(rows(random_costs(arm, joint_count, asked.tables)), flush=True)
    print(f"\nstack of one step: {kerb.stack_bytes} bytes")
    print("gates for the kerb arm: " + ", ".join(f"{kind} below {gate:,}" for kind, gate in MOST_INSTRUCTIONS.items()))
    above = kerb.above(MOST_INSTRUCTIONS)
    print("\n".join(above) or "all hold")
    return 1 if above else 0


if __name__ == "__main__":
    sys.exit(main())
