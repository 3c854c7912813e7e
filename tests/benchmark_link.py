"""Prints how well an upload uses the line: `python tests/benchmark_link.py`, as Markdown rows.

Simulated time, so the figures are the same on every machine: the unmodified PC machine and the unmodified C controller
over a line of that speed and latency (each way). Flash and processor take no time here.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "support"))
from link_library import Controller
from link_tables import kerb_table, longest_table
from paced_line import PacedLine

from mapper.link.message import table_machine_id
from mapper.link.transfer import upload_machine


def main() -> None:
    print("| table | baud | latency | sending | reading back | reading in use | whole upload | of the line's time |")
    print("|---|---|---|---|---|---|---|---|")
    for name, data in (("worked arm", kerb_table()), ("longest", longest_table())):
        for baud in (115_200, 921_600):
            for latency_ms in (1, 16):
                controller = Controller(table_machine_id(data), sectors=4)
                machine = upload_machine(data, 7, 3, baud)
                use = PacedLine(controller, baud, latency_ms).upload(machine, len(data))
                phases = (use.sending, use.reading_back, use.reading_in_use)
                shares = " | ".join(f"{100 * phase.use(baud):.1f} %" for phase in phases)
                print(
                    f"| {name}, {len(data)} bytes | {baud} | {latency_ms} ms | {shares} | {use.seconds:.2f} s "
                    f"| {100 * use.whole:.1f} % |"
                )
    print(
        "\nSending and reading: bytes of the table x 10 bits over the time from the phase's first bit to its last one, "
        "in that direction.\nWhole upload: from the first question to the last answer, with every round trip, without "
        "the person; the table goes over three times."
    )


if __name__ == "__main__":
    main()
