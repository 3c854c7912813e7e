"""Makes the invented recordings: `python profiles/recordings/generate.py`. The same seed gives the same bytes.

Nobody wore these sensors. Every channel moves between poses on minimum-jerk paths (T. Flash, N. Hogan, J. Neurosci.
5(7), 1985,
1688-1703), each as long as written below, a little different in every cycle, with a hand tremor of 6 to 10 Hz on top
(band: common knowledge of physiological tremor, no source). Numbers are degrees of the operator's joint, levers in
share of full travel.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from pathlib import Path

RATE_HZ = 50
FOLDER = Path(__file__).resolve().parent


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Go to `to` (channel: value; others stay) within `seconds`, then stay there for `rest`."""

    seconds: float
    to: dict[str, float]
    rest: float = 0.5


KERB_REST = {
    "shoulder_yaw_deg": 0.0,
    "shoulder_elevation_deg": 20.0,
    "elbow_flexion_deg": 70.0,
    "wrist_flexion_deg": 0.0,
    "roll_lever_share": 0.0,
    "thumb_lever_share": 0.0,
}
KERB_CYCLE = (
    # out to the pallet of kerb stones
    Move(seconds=4.0, to={"shoulder_yaw_deg": 48.0, "shoulder_elevation_deg": 28.0}),
    # reach down to the stone
    Move(
        seconds=3.2, to={"shoulder_elevation_deg": 4.0, "elbow_flexion_deg": 38.0, "wrist_flexion_deg": 22.0}, rest=0.8
    ),
    # clamp it: lever over, hold, back
    Move(seconds=0.4, to={"thumb_lever_share": 0.75}, rest=1.3),
    Move(seconds=0.4, to={"thumb_lever_share": 0.0}, rest=0.4),
    # lift
    Move(
        seconds=3.2, to={"shoulder_elevation_deg": 32.0, "elbow_flexion_deg": 78.0, "wrist_flexion_deg": 5.0}, rest=0.3
    ),
    # back to the kerb line, quicker than the arm likes
    Move(seconds=3.6, to={"shoulder_yaw_deg": -46.0, "wrist_flexion_deg": -5.0}, rest=0.3),
    # turn the stone in line
    Move(seconds=0.5, to={"roll_lever_share": 0.6}, rest=0.9),
    Move(seconds=0.5, to={"roll_lever_share": 0.0}, rest=0.3),
    # lower, with a correction at the end
    Move(
        seconds=4.0, to={"shoulder_elevation_deg": 2.0, "elbow_flexion_deg": 52.0, "wrist_flexion_deg": -14.0}, rest=0.4
    ),
    Move(seconds=1.6, to={"shoulder_yaw_deg": -38.0, "shoulder_elevation_deg": 0.0}, rest=0.4),
    Move(seconds=0.4, to={"roll_lever_share": -0.35}, rest=0.5),
    Move(seconds=0.4, to={"roll_lever_share": 0.0}, rest=0.4),
    # let go
    Move(seconds=0.4, to={"thumb_lever_share": -0.75}, rest=1.3),
    Move(seconds=0.4, to={"thumb_lever_share": 0.0}, rest=0.5),
    # up and home, everything at once: more than the pump gives
    Move(
        seconds=2.4,
        to={
            "shoulder_yaw_deg": 0.0,
            "shoulder_elevation_deg": 44.0,
            "elbow_flexion_deg": 95.0,
            "wrist_flexion_deg": 30.0,
        },
        rest=0.2,
    ),
    Move(
        seconds=2.8, to={"shoulder_elevation_deg": 20.0, "elbow_flexion_deg": 70.0, "wrist_flexion_deg": 0.0}, rest=1.2
    ),
)

STAND_REST = {"hand_angle_deg": 0.0}
STAND_CYCLE = (
    # slow, over the whole travel
    Move(seconds=4.0, to={"hand_angle_deg": 40.0}, rest=1.0),
    Move(seconds=7.0, to={"hand_angle_deg": -40.0}, rest=1.0),
    # quick, short
    Move(seconds=1.0, to={"hand_angle_deg": -15.0}, rest=0.5),
    Move(seconds=0.8, to={"hand_angle_deg": -30.0}, rest=0.5),
    Move(seconds=0.8, to={"hand_angle_deg": -12.0}, rest=0.7),
    # a quick one against the upper soft stop, and past it
    Move(seconds=1.8, to={"hand_angle_deg": 66.0}, rest=1.5),
    Move(seconds=3.0, to={"hand_angle_deg": 20.0}, rest=0.5),
    # hardly moving: the deadband's realm
    Move(seconds=2.0, to={"hand_angle_deg": 23.0}, rest=1.0),
    Move(seconds=2.0, to={"hand_angle_deg": 19.0}, rest=1.0),
    # and against the lower
    Move(seconds=2.4, to={"hand_angle_deg": -64.0}, rest=1.2),
    Move(seconds=2.4, to={"hand_angle_deg": 0.0}, rest=1.5),
)


def path(share: float) -> float:
    """Minimum jerk: way done at a share of the time, both 0..1."""
    return share**3 * (10.0 - 15.0 * share + 6.0 * share**2)


class Tremor:
    """Five sines between 6 and 10 Hz with slowly swelling strength, standard deviation about `size`."""

    def __init__(self, source: random.Random, size: float) -> None:
        self.size = size
        self.parts = [
            (6.0 + 4.0 * source.random(), 2.0 * math.pi * source.random(), 0.05 + 0.1 * source.random())
            for _ in range(5)
        ]

    def at(self, time_s: float) -> float:
        """Displacement at a time."""
        total = 0.0
        for frequency, phase, swell in self.parts:
            strength = 1.0 + 0.5 * math.sin(2.0 * math.pi * swell * time_s + phase)
            total += strength * math.sin(2.0 * math.pi * frequency * time_s + phase)
        return self.size * total / 1.7


def motion(
    rest: dict[str, float], cycle: tuple[Move, ...], cycles: int, source: random.Random
) -> list[dict[str, float]]:
    """Samples of the wanted motion, without tremor."""
    now = dict(rest)
    samples = [dict(now)] * RATE_HZ
    for _ in range(cycles):
        for move in cycle:
            aim = dict(now)
            for name, value in move.to.items():
                # A lever that is let go returns to its middle exactly; a pose is never quite the same.
                aim[name] = (
                    value if value == 0.0 and name.endswith("_share") else value * (0.95 + 0.1 * source.random())
                )
            steps = max(2, round(move.seconds * (0.9 + 0.25 * source.random()) * RATE_HZ))
            for step in range(1, steps + 1):
                done = path(step / steps)
                samples.append({name: now[name] + (aim[name] - now[name]) * done for name in now})
            now = aim
            samples += [dict(now)] * round(move.rest * (0.8 + 0.5 * source.random()) * RATE_HZ)
    return samples


def recording(title: str, rest: dict[str, float], cycle: tuple[Move, ...], cycles: int, seed: int) -> str:
    """The whole file."""
    source = random.Random(seed)
    samples = motion(rest, cycle, cycles, source)
    tremors = {name: Tremor(source, 0.004 if name.endswith("_share") else 0.08) for name in rest}
    lines = [
        f"# {title}: invented, nobody wore these sensors.",
        f"# Made by profiles/recordings/generate.py, seed {seed}; minimum-jerk moves with a tremor of 6 to 10 Hz.",
        ",".join(["time_s", *rest]),
    ]
    for row, sample in enumerate(samples):
        time_s = row / RATE_HZ
        cells = [f"{time_s:.2f}"]
        for name, value in sample.items():
            shaken = value + tremors[name].at(time_s)
            cells.append(f"{shaken:.3f}" if name.endswith("_share") else f"{shaken:.2f}")
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def recordings() -> dict[str, str]:
    """File name to content."""
    return {
        "kerb-setting.csv": recording("Setting kerb stones with the kerb arm", KERB_REST, KERB_CYCLE, 5, 41),
        "test-stand-practice.csv": recording("A first try on the test stand", STAND_REST, STAND_CYCLE, 5, 42),
    }


def main() -> None:
    """Write them beside this file."""
    for name, text in recordings().items():
        (FOLDER / name).write_text(text, encoding="ascii", newline="\n")
        print(f"{FOLDER / name}: {len(text)} bytes")


if __name__ == "__main__":
    main()
