"""Maps recordings of a person's arm onto the kerb arm's operator channels: `python profiles/recordings/map_person.py`.

The rule, the same for every file; x is what the original says, mid(x) the middle between its least and greatest value:

    shoulder_elevation = 20 deg + ELEVATION_SCALE * (inclination - mid(inclination))
    elbow_flexion      = 70 deg + TURN_SCALE * (a - mid(a)),  a: turn rate about the sensor's y axis, integrated
    shoulder_yaw       =  0 deg + TURN_SCALE * (b - mid(b)),  b: turn rate about the sensor's z axis, integrated

The integral leaks with a time constant of LEAK_S, so that a gyro's drift does not grow: an angle that stays is
forgotten, a movement is kept. 20, 70 and 0 deg are the pose in which the arm stands in the middle of its travel.
Everything is played SLOWER times slower: the exercise swings about once a second, and no operator leads steel that
turns at 20 degrees a second at that pace. With SLOWER = 1 the arm hardly follows at all, which is worth a look.
Unevenness, pauses and path stay the person's own.
"""

from __future__ import annotations

import math
from pathlib import Path

ELEVATION_SCALE = 0.35
TURN_SCALE = 0.25
SLOWER = 5
LEAK_S = 2.0
FOLDER = Path(__file__).resolve().parent / "person"


def read(path: Path) -> dict[str, list[float]]:
    """Columns of an original by name."""
    lines = [line for line in path.read_text(encoding="ascii").splitlines() if not line.startswith("#")]
    names = lines[0].split(",")
    rows = [[float(cell) for cell in line.split(",")] for line in lines[1:]]
    return {name: [row[index] for row in rows] for index, name in enumerate(names)}


def leaky_angle(time_s: list[float], rate_rad_s: list[float]) -> list[float]:
    """Turn rate integrated with a leak, in deg; exact for a rate that stands still between two samples."""
    angle, angles = 0.0, [0.0]
    for index in range(1, len(time_s)):
        keep = math.exp(-(time_s[index] - time_s[index - 1]) / LEAK_S)
        angle = keep * angle + LEAK_S * (1.0 - keep) * math.degrees(rate_rad_s[index - 1])
        angles.append(angle)
    return angles


def scaled(values: list[float], centre: float, scale: float) -> list[float]:
    """Around `centre`, by `scale`."""
    middle = 0.5 * (min(values) + max(values))
    return [centre + scale * (value - middle) for value in values]


def mapped(path: Path) -> str:
    """The mapped recording of one original."""
    original = read(path)
    time_s = original["time_s"]
    columns = {
        "shoulder_yaw_deg": scaled(leaky_angle(time_s, original["wz_rad_s"]), 0.0, TURN_SCALE),
        "shoulder_elevation_deg": scaled(original["inclination_deg"], 20.0, ELEVATION_SCALE),
        "elbow_flexion_deg": scaled(leaky_angle(time_s, original["wy_rad_s"]), 70.0, TURN_SCALE),
    }
    lines = [
        f"# Derived from a person's arm in an exercise ({path.stem}): mapped onto the kerb arm's operator channels, "
        f"{SLOWER} times slower than recorded.",
        "# Source, licence and notice: README.md in this folder. Made by profiles/recordings/map_person.py.",
        f"# shoulder_elevation = 20 deg + {ELEVATION_SCALE} x (inclination - middle of its range)",
        f"# elbow_flexion = 70 deg + {TURN_SCALE} x (turn rate about y, integrated with a leak of {LEAK_S} s, "
        "- middle)",
        f"# shoulder_yaw = {TURN_SCALE} x (turn rate about z, integrated with a leak of {LEAK_S} s, - middle)",
        "# Slower, so that steel can follow. Wrist and levers are not in the data.",
        ",".join(["time_s", *columns]),
    ]
    for row, time in enumerate(time_s):
        lines.append(",".join([f"{time * SLOWER:.2f}", *(f"{column[row]:.2f}" for column in columns.values())]))
    return "\n".join(lines) + "\n"


def recordings() -> dict[str, str]:
    """File name to content."""
    return {path.name: mapped(path) for path in sorted((FOLDER / "original").glob("*.csv"))}


def main() -> None:
    """Write them into person/."""
    for name, text in recordings().items():
        (FOLDER / name).write_text(text, encoding="ascii", newline="\n")
        print(f"{FOLDER / name}: {len(text)} bytes")


if __name__ == "__main__":
    main()
