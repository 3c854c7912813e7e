"""What several commands take on the command line, declared once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

PORT_HELP = (
    "Serial port of the controller. Without it the ports are listed: on a terminal you are asked which one it is, "
    "otherwise (and with --yes or --json) nothing is done (exit 64)."
)

TARGET = click.option(
    "--target",
    type=click.Choice(["host", "emulator"]),
    default="host",
    show_default=True,
    help="What the controller's code runs on: a process of this PC, or its build for a Cortex-M4 board on an emulator "
    "(needs qemu-system-arm).",
)

_OPTIONS = (
    click.argument("profile_file", metavar="PROFILE"),
    click.argument("recording_file", metavar="RECORDING"),
    click.option(
        "--fault",
        "faults",
        multiple=True,
        metavar="TIME:KIND[:INPUT][:LENGTH]",
        help="Something that breaks, such as 12.5s:wire-cut:elbow_a, 8s:stop-press or 20s:release:0.5s. "
        "Kinds: wire-cut, short, stuck (an analog input), stop-press, stop-wire (stop_1 or stop_2), release, "
        "late-tick. May be given several times.",
    ),
    click.option(
        "--corner",
        type=click.Choice(["nominal", "fast", "slow"]),
        default="nominal",
        show_default=True,
        help="Tolerance corner of the model: lag, dead time and gain.",
    ),
    click.option(
        "--load",
        "load_name",
        metavar="NAME",
        help="What the arm carries all the time: a load of the profile, or empty. The heaviest when not given.",
    ),
    click.option(
        "--mode", type=click.Choice(["full", "reduced"]), help="Speed mode; the recording's own when not given."
    ),
    click.option(
        "--json",
        "json_wanted",
        is_flag=True,
        help="One JSON document on standard output and nothing else there. Errors stay "
        "text on standard error, with the same exit codes; standard output is then empty.",
    ),
)


def replay_options(out: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Decorator with all of them; `out` is the folder for report and trace when none is given."""

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        where = click.option(
            "--out", default=out, show_default=True, metavar="DIR", help="Where report and trace are written."
        )
        for option in reversed((*_OPTIONS, where)):
            function = option(function)
        return function

    return decorate
