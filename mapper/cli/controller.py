"""`mapper controller`: a simulated controller and arm on a serial port, to practise on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mapper.cli._options import TARGET

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from mapper.link import SimulatedController
    from mapper.profile import Profile
    from mapper.replay import CompiledPlant, ReadyReplay, Recording

    Ints = NDArray[np.int32]

_AT_REST = "time_s,mode_full\n0,1\n1,1\n"
_SETTLED_S = 2.0
"""Of `stopped`, until the key is turned off and a recording is played."""


@click.command()
@click.argument("profile_file", metavar="PROFILE")
@click.option("--recording", "recording_file", metavar="FILE", help="What the operator does; at rest without it.")
@click.option("--key/--no-key", default=True, show_default=True, help="Service key input: on takes a table.")
@click.option(
    "--flash",
    "flash_file",
    metavar="FILE",
    help="File that is its flash: a new name, or that of an earlier run; else forgotten at the end.",
)
@click.option("--seconds", type=click.FloatRange(min=0.1), metavar="S", help="End by itself; else at Ctrl-C.")
@TARGET
def command(
    profile_file: str,
    recording_file: str | None,
    key: bool,
    flash_file: str | None,
    seconds: float | None,
    target: str,
) -> None:
    """Run the controller of PROFILE's machine and a model of its arm, in real time, on a serial port.

    The controller is the firmware's own code as a process on this PC or, with --target emulator, on an emulated
    Cortex-M4 board; the arm is simulated; the port takes `mapper upload` and `mapper readback` as a real one does.
    With --recording and the key on, the key is turned off and the recording played once, two seconds after a table
    was taken. Ctrl-C ends it (exit 0), and so do SIGTERM and SIGHUP (exit 143 and 129); nothing is left behind but the
    file given with --flash.
    """
    from pathlib import Path

    from mapper.cli._replaying import read_bytes, read_recording_file
    from mapper.cli._signals import tidy_on_signals
    from mapper.link import check_flash_file
    from mapper.profile import read_profile
    from mapper.replay import read_recording

    profile = read_profile(read_bytes(profile_file), profile_file)
    recording = read_recording_file(recording_file) if recording_file else read_recording(_AT_REST, "at rest")
    if flash_file is not None:
        check_flash_file(Path(flash_file))
    with tidy_on_signals():
        play = recording_file is not None
        _run(profile, recording, target, key=key, flash_file=flash_file, seconds=seconds, play=play)


def _run(
    profile: Profile,
    recording: Recording,
    target: str,
    *,
    key: bool,
    flash_file: str | None,
    seconds: float | None,
    play: bool,
) -> None:
    import tempfile
    from pathlib import Path

    from mapper.cli._replaying import CAUTION
    from mapper.link import start_controller

    with tempfile.TemporaryDirectory(prefix="mapper-") as folder:
        flash = Path(flash_file) if flash_file else Path(folder) / "flash"
        with start_controller(target, profile.machine_id, flash) as controller:
            how = " on an emulated Cortex-M4 board" if target == "emulator" else ""
            click.echo(f"simulated controller of machine {profile.machine_id}{how}; only a model of the arm moves")
            click.echo(f"port {controller.port}")
            click.echo(f"service key {'on: it takes a table at standstill' if key else 'off: it takes no table'}")
            click.echo(f"flash {_kept(flash_file)}\n{CAUTION}")
            click.echo(_next(profile.file_name, controller.port, key=key))
            try:
                _Practice(profile, recording, controller, key=key, play=play).run(seconds)
            except KeyboardInterrupt:
                click.echo("")
            click.echo("ended; the port is gone")


def _kept(flash_file: str | None) -> str:
    return f"in {flash_file}, kept" if flash_file else "forgotten at the end"


def _next(profile_name: str, port: str, *, key: bool) -> str:
    if key:
        return f"next, in another terminal: mapper upload {profile_name} --port {port}"
    return (
        f"next, in another terminal: mapper readback --port {port} (an upload would be refused: "
        "run this again without --no-key to practise it)"
    )


class _Practice:
    """Ticks controller and plant by the clock and tells what the controller's state becomes.

    Each tick is handed in, with the time that it should have taken, on an emulated board too. That board could tick by
    its own clock, but a PC is no real-time machine: with others at work on it ticks came up to 10 ms late where the
    kerb arm's law allows 2 ms, and the law would take each as the fault that it is (`EmulatedController.start`,
    own_ticks; counting the emulator's instructions instead of its time did not help).
    """

    def __init__(
        self, profile: Profile, recording: Recording, controller: SimulatedController, *, key: bool, play: bool
    ) -> None:
        from mapper.law import INPUT_BITS
        from mapper.replay import CompiledPlant, Plant, plant_parameters, ready_replay

        parameters = plant_parameters(profile)
        self._profile = profile
        self._controller = controller
        self._ready: ReadyReplay = ready_replay(profile, recording)
        self._plant: CompiledPlant = CompiledPlant(parameters, self._ready.prepared.start_rad)
        self._counts = Plant(parameters, self._ready.prepared.start_rad).counts()
        self._tick_s = float(profile.controller.tick_s)
        self._resting = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"] | INPUT_BITS["mode_full"]
        self._key_bit = INPUT_BITS["key"]
        self._key = self._key_bit if key else 0
        self._play = play
        self._at = 0  # tick of the recording; 0: not begun
        self._settled = 0  # ticks in `stopped`
        self._told = (-1, -1, -1, False)

    def run(self, seconds: float | None) -> None:
        """Until KeyboardInterrupt, or for so long. Raises LinkError when the process ends."""
        import time

        begun = due = time.monotonic()
        while seconds is None or time.monotonic() - begun < seconds:
            self._tick()
            due += self._tick_s
            behind = time.monotonic() - due
            if behind > 1.0:
                due += behind  # this PC was asleep; the law is told the tick that it expects
            elif behind < 0.0:
                time.sleep(-behind)

    def _tick(self) -> None:
        from mapper.law import STATES
        from mapper.law.core import OUT_HEAD, OUT_JOINT

        row = self._inputs()
        for index, count in self._counts.items():
            row[2 + index] = count
        out = self._controller.tick(int(row[1]), row[2:], round(self._tick_s * 1e6))
        drives = [int(out[OUT_HEAD + OUT_JOINT * joint + 5]) for joint in range(len(self._profile.joints))]
        self._counts, _ = self._plant.step(drives)
        self._settled = self._settled + 1 if STATES[int(out[0])] == "stopped" else 0
        self._tell(out, key=bool(row[1] & self._key_bit))

    def _inputs(self) -> Ints:
        """What the operator and the buttons do in this tick; position counts still missing."""
        inputs = self._ready.inputs
        ready = self._settled * self._tick_s >= _SETTLED_S or not self._key
        if self._play and (self._at or ready) and self._at < len(inputs):
            self._at += 1
            row: Ints = inputs[self._at - 1].copy()
            return row
        row = inputs[max(0, self._at - 1)].copy()
        row[1] = self._resting | (self._key if not self._at else 0)
        return row

    def _tell(self, out: Ints, *, key: bool) -> None:
        """One line whenever state, cause, what it waits for or the service key changes, and one for a table that was
        taken: only that brings a state back to `powering_up`, or to waiting where nothing was in use.
        """
        from mapper.cli._linking import journey
        from mapper.law import CAUSES, STATES

        now = (int(out[0]), int(out[1]), int(out[7]), key)
        if now == self._told:
            return
        before, self._told = self._told, now
        if self._is_new_table(before, now):
            click.echo("a table was taken and is in use now")
        cause = f" ({CAUSES[now[1]]})" if now[1] else ""
        joint = int(out[8])
        name = self._profile.joints[joint].name if joint < len(self._profile.joints) else None
        if STATES[now[0]] == "powering_up" and now[2] == 0:
            click.echo("powering_up: no table in use, every output is zero")
            return
        click.echo(f"{STATES[now[0]]}{cause}, waits for {journey(now[0], now[2], key=key, joint_name=name)}")

    @staticmethod
    def _is_new_table(before: tuple[int, int, int, bool], now: tuple[int, int, int, bool]) -> bool:
        from mapper.law import STATES

        powering_up = STATES.index("powering_up")
        none_in_use = before[0] == powering_up and before[2] == 0 and now[2] != 0
        return none_in_use or (now[0] == powering_up and before[0] not in (-1, powering_up))
