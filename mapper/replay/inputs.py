"""From a recording to what the control law reads, tick by tick: names, units, both tracks, buttons, beginning and end.

What the recording lacks is added by these rules, and every addition is a note that the report shows:

- a channel in degrees or share is turned into counts of every track through the profile's calibration points, rounded
  to the nearest count and held at the calibration's ends; a track missing beside a recorded one is made from it;
- an operator channel that is missing is held at rest: where the arm's joint stands at the start, a lever in the middle;
- stop channels that are missing are closed, the service key off, the mode as asked;
- without `enabling` and `reset` a beginning is generated: sensors good, reset pressed and let go, enabling device
  pressed, the operator held at the arm's pose until pump, matching and authority are through, then moved over one
  second (minimum jerk) to the recording's first sample; and an end: one second more, then the device let go;
- the arm stands at first in the middle between its soft stops (a joint that turns for ever at 0); in a recording with
  its own `enabling` and `reset` a following joint stands where the operator's first sample puts it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.law import INPUT_BITS
from mapper.profile.profile import Joint, Profile, Track
from mapper.replay.recording import (
    DIGITAL_NAMES,
    ELAPSED,
    GAP_S,
    POWER_UP,
    Column,
    Gap,
    Recording,
    RecordingError,
    resample,
)

BLEND_S = 1.0
PAUSE_S = 0.2
HOLD_LAST_S = 1.0
AFTER_S = 0.5
GAPS_SHOWN = 3
IN_INTS = 66

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something that the recording did not say or that was changed. kind: held, generated, clamped, gap, ignored,
    rule; of the plant: load, holding, stalled, ahead."""

    kind: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """What the law is to read. Position counts are zero here: the plant fills them in."""

    inputs: Ints  # (n, 66): elapsed_us, digital, counts
    zero_tick: int  # tick of the recording's first sample
    end_tick: int  # tick after its last
    start_rad: tuple[float, ...]
    notes: tuple[Note, ...]


@dataclass(slots=True)
class _Channel:
    """What one joint's operator does, on the recording's ticks: values in deg or share a track; exact counts where
    recorded."""

    values: list[Floats]
    counts: list[Ints | None]


def operator_names(joint: Joint) -> tuple[str, ...]:
    """Names under which a recording may call this joint's operator channel: input stem, joint, each track's input."""
    tracks = [track.input_name for track in joint.operator.sensor.tracks]
    stem = tracks[0]
    if len(tracks) > 1:
        length = next((i for i, pair in enumerate(zip(*tracks, strict=False)) if pair[0] != pair[1]), len(stem))
        stem = stem[:length].rstrip("_")
    return tuple(dict.fromkeys(name for name in (stem, joint.name, *tracks) if name))


def prepare_inputs(profile: Profile, recording: Recording, mode: str | None = None) -> Prepared:
    """Build the law's inputs for a whole recording.

    Args:
        mode: "full" or "reduced" for the whole replay; None: the recording's mode_full column, full without one.
    Raises:
        RecordingError: a column that names no input, or two columns for the same input.
    """
    _must_be_of_operator(recording)
    tick_s = float(profile.controller.tick_s)
    count = int(recording.length_s / tick_s + 1e-6) + 1
    ticks = (np.arange(count) * tick_s).astype(np.float64)
    notes: list[Note] = []
    own_buttons = _has_buttons(recording)
    columns = _assign(profile, recording, notes)
    gaps: dict[str, tuple[Gap, ...]] = {}
    channels = [
        _channel(joint, columns.get(joint.name, {}), (recording, ticks), notes, gaps) for joint in profile.joints
    ]
    notes += _gap_notes(gaps)
    start_deg = [
        _start_deg(joint, channel if own_buttons else None)
        for joint, channel in zip(profile.joints, channels, strict=True)
    ]
    digital = _digital(recording, ticks, mode, notes)
    before, after = (0, 0) if own_buttons else _frame_ticks(profile, tick_s)
    inputs = np.zeros((before + count + after, IN_INTS), dtype=np.int32)
    inputs[:, 0] = round(tick_s * 1e6)
    inputs[before : before + count, 1] = digital
    if not own_buttons:
        _frame_digital(profile, inputs[:, 1], before, count, tick_s)
        notes.append(_frame_note(before * tick_s, after * tick_s))
    for joint, channel, start in zip(profile.joints, channels, start_deg, strict=True):
        rest = _rest_value(joint, start)
        if channel is None:
            notes.append(_held_note(joint, rest))
        for index, track in enumerate(joint.operator.sensor.tracks):
            whole = _whole(channel, index, rest, (before, count, after), tick_s)
            counts = _counts(track, whole)
            exact = None if channel is None else channel.counts[index]
            if exact is not None:
                counts[before : before + count] = exact
                counts[before + count :] = counts[before + count - 1]
            inputs[:, 2 + track.input_index] = counts
    notes.append(_start_note(profile, start_deg, own_buttons))
    return Prepared(
        inputs=inputs,
        zero_tick=before,
        end_tick=before + count,
        start_rad=tuple(math.radians(value) for value in start_deg),
        notes=tuple(notes),
    )


def _fail(recording: Recording, column: Column, found: str, remedy: str) -> RecordingError:
    return RecordingError(f"{recording.file_name}:{recording.header_line}:{column.column}: {found}; {remedy}")


def _must_be_of_operator(recording: Recording) -> None:
    for column in recording.columns:
        if column.unit == "read":
            raise _fail(
                recording,
                column,
                f"{column.header!r} is what a controller read, position sensors included",
                "such a recording runs with `mapper replay` alone, without a model of the arm",
            )
        if column.name in (ELAPSED, POWER_UP):
            raise _fail(
                recording,
                column,
                f"column {column.header!r} belongs to a recording of what the controller read (NAME_read)",
                "delete the column",
            )


def _has_buttons(recording: Recording) -> bool:
    enabling, reset = recording.digital("enabling"), recording.digital("reset")
    if (enabling is None) != (reset is None):
        there = enabling or reset
        assert there is not None
        missing = "reset" if reset is None else "enabling"
        raise _fail(
            recording,
            there,
            f"column {there.name!r} without {missing!r}",
            "give both, or neither: then a beginning with both is generated",
        )
    return enabling is not None


def _assign(profile: Profile, recording: Recording, notes: list[Note]) -> dict[str, dict[int | None, Column]]:
    """Joint name to {track index, or None for the operator's own unit: column}."""
    tracks = {
        track.input_name: (joint, index)
        for joint in profile.joints
        for index, track in enumerate(joint.operator.sensor.tracks)
    }
    channels = {name: joint for joint in profile.joints for name in reversed(operator_names(joint))}
    positions = {track.input_name for joint in profile.joints for track in joint.position.tracks}
    found: dict[str, dict[int | None, Column]] = {}
    for column in recording.columns:
        if column.unit == "digital":
            continue
        if column.unit == "counts":
            if column.name in positions:
                notes.append(
                    Note(
                        kind="ignored",
                        text=f"{column.header}: a position sensor; the model of the arm supplies its counts",
                    )
                )
                continue
            if column.name not in tracks:
                raise _fail(
                    recording,
                    column,
                    f"{column.header!r} names no operator input of {profile.file_name}",
                    f"allowed are {', '.join(f'{name}_counts' for name in tracks)}; rename the column or delete it",
                )
            joint, index = tracks[column.name]
            _put(found, joint, index, column, recording)
            _check_counts(profile, column, recording)
            continue
        known = channels.get(column.name)
        unit = "deg" if known is not None and known.control == "follow" else "share"
        if known is None or unit != column.unit:
            allowed = [
                f"{operator_names(one)[0]}_{'deg' if one.control == 'follow' else 'share'}" for one in profile.joints
            ]
            raise _fail(
                recording,
                column,
                f"{column.header!r} names no operator channel of {profile.file_name}",
                f"allowed are {', '.join(allowed)}; rename the column or delete it",
            )
        _put(found, known, None, column, recording)
    return found


def _put(
    found: dict[str, dict[int | None, Column]], joint: Joint, key: int | None, column: Column, recording: Recording
) -> None:
    own = found.setdefault(joint.name, {})
    other = own.get(key) or (own.get(None) if key is not None else next(iter(own.values()), None))
    if other is not None:
        raise _fail(
            recording,
            column,
            f"{column.header!r} and {other.header!r} are the same operator channel (joint {joint.name})",
            "keep one of them",
        )
    own[key] = column


def _check_counts(profile: Profile, column: Column, recording: Recording) -> None:
    above = np.flatnonzero(np.nan_to_num(column.values) > profile.controller.count_max)
    if above.size:
        row = int(above[0])
        raise RecordingError(
            f"{recording.file_name}:{int(recording.lines[row])}:1: {column.header} is {column.values[row]:g}; "
            f"the controller's inputs give 0 to {profile.controller.count_max}; "
            "is this recording from another controller?"
        )


def _channel(
    joint: Joint,
    columns: dict[int | None, Column],
    source: tuple[Recording, Floats],
    notes: list[Note],
    gaps: dict[str, tuple[Gap, ...]],
) -> _Channel | None:
    """`source`: the recording and the ticks onto which it is brought; `notes` and `gaps` are added to."""
    if not columns:
        return None
    tracks = joint.operator.sensor.tracks
    channel = _Channel(values=[], counts=[None] * len(tracks))
    sampled: dict[int | None, Floats] = {}
    for key, column in columns.items():
        values, found = resample(source[0], column, source[1])
        sampled[key] = values
        if found:
            gaps[column.header] = found
        if key is None:
            _note_clamp(joint, column, values, notes)
    for index, track in enumerate(tracks):
        if None in sampled:
            channel.values.append(sampled[None])
        elif index in sampled:
            exact = np.floor(sampled[index] + 0.5).astype(np.int32)
            channel.counts[index] = exact
            channel.values.append(_values(track, exact))
        else:
            other = next(key for key in sampled if key is not None)
            channel.values.append(_values(tracks[other], np.floor(sampled[other] + 0.5)))
            notes.append(
                Note(
                    kind="generated",
                    text=f"{track.input_name}: not in the recording; made from {tracks[other].input_name} "
                    "through both calibrations",
                )
            )
    return channel


def _gap_notes(gaps: dict[str, tuple[Gap, ...]]) -> list[Note]:
    """One note for all columns that have the same gaps: how many, how long, the first few."""
    columns: dict[tuple[Gap, ...], list[str]] = {}
    for header, found in gaps.items():
        columns.setdefault(found, []).append(header)
    notes = []
    for found, headers in columns.items():
        spans = [f"{gap.start_s:.2f} to {gap.end_s:.2f} s" for gap in found[:GAPS_SHOWN]]
        longest = max(found, key=lambda gap: gap.end_s - gap.start_s)
        many = len(found) > GAPS_SHOWN
        count = f"{len(found)} gaps" if len(found) > 1 else "a gap"
        text = f"{', '.join(headers)}: {count} of more than {GAP_S:g} s without a sample"
        if len(found) > 1:
            text += f", the longest {longest.end_s - longest.start_s:.2f} s"
        text += f", {'the first ' if many else ''}at {', '.join(spans)}"
        text += "; the value before is held, and the step after it may be taken for a broken wire"
        if many:
            text += "; record at 10 samples a second or more"
        notes.append(Note(kind="gap", text=text))
    return notes


def _note_clamp(joint: Joint, column: Column, values: Floats, notes: list[Note]) -> None:
    lower, upper = _reach(joint)
    outside = int(np.count_nonzero((values < lower - 1e-9) | (values > upper + 1e-9)))
    if outside:
        unit = "deg" if joint.control == "follow" else "share"
        notes.append(
            Note(
                kind="clamped",
                text=f"{column.header}: {outside} of {len(values)} ticks lie outside the calibration "
                f"({lower:g} to {upper:g} {unit}) and are held at its end",
            )
        )


def _reach(joint: Joint) -> tuple[float, float]:
    """Operator values that every track can express."""
    spans = [[float(value) for _, value in track.points] for track in joint.operator.sensor.tracks]
    return max(min(span) for span in spans), min(max(span) for span in spans)


def _counts(track: Track, values: Floats) -> Ints:
    points = sorted((float(value), float(count)) for count, value in track.points)
    counts = np.interp(values, [value for value, _ in points], [count for _, count in points])
    return np.floor(counts + 0.5).astype(np.int32)


def _values(track: Track, counts: Ints | Floats) -> Floats:
    points = sorted((float(count), float(value)) for count, value in track.points)
    return np.interp(counts, [count for count, _ in points], [value for _, value in points])


def _response(joint: Joint) -> tuple[list[float], list[float]]:
    return [float(x) for x, _ in joint.operator.response], [float(y) for _, y in joint.operator.response]


def _start_deg(joint: Joint, channel: _Channel | None) -> float:
    """Where the joint stands at the start; `channel` only where the operator's first sample decides."""
    soft = joint.limits.soft_stops_deg
    lower, upper = (-180.0, 180.0) if soft is None else (float(soft.lower), float(soft.upper))
    if joint.control != "follow":
        return 0.0 if soft is None else 0.5 * (lower + upper)
    operator, pose = _response(joint)
    if channel is not None:
        first = float(np.interp(channel.values[0][0], operator, pose))
        return min(max(first, lower), upper)
    lower, upper = max(lower, min(pose)), min(upper, max(pose))
    return 0.0 if joint.continuous else 0.5 * (lower + upper)


def _rest_value(joint: Joint, start_deg: float) -> float:
    """Operator value that rests at this pose: the response read backwards; a lever in the middle."""
    if joint.control != "follow":
        return 0.0
    operator, pose = _response(joint)
    pairs = sorted(zip(pose, operator, strict=True))
    return float(np.interp(start_deg, [at for at, _ in pairs], [value for _, value in pairs]))


def _whole(channel: _Channel | None, index: int, rest: float, spans: tuple[int, int, int], tick_s: float) -> Floats:
    """Operator value over beginning, recording and end."""
    before, count, after = spans
    if channel is None:
        return np.full(before + count + after, rest)
    values = channel.values[index]
    whole = np.concatenate([np.full(before, rest), values, np.full(after, values[-1])])
    blend = round(BLEND_S / tick_s)
    if before >= blend:
        share = (np.arange(blend) + 1.0) / blend
        whole[before - blend : before] = rest + (values[0] - rest) * minimum_jerk(share)
    return whole


def minimum_jerk(share: Floats) -> Floats:
    """Way done (0..1) at a share of the time (0..1) of a minimum-jerk movement: 10 s^3 - 15 s^4 + 6 s^5.

    Source: T. Flash, N. Hogan, J. Neurosci. 5(7), 1985, 1688-1703.
    """
    return share**3 * (10.0 - 15.0 * share + 6.0 * share**2)


def _digital(recording: Recording, ticks: Floats, mode: str | None, notes: list[Note]) -> Ints:
    word = np.zeros(len(ticks), dtype=np.int32)
    for name in DIGITAL_NAMES:
        column = recording.digital(name)
        bit = INPUT_BITS[name]
        if name == "mode_full" and (mode is not None or column is None):
            if mode != "reduced":
                word |= bit
            if column is not None:
                notes.append(Note(kind="ignored", text=f"mode_full: the mode was asked for as {mode}"))
            else:
                notes.append(
                    Note(kind="held", text=f"mode_full: not in the recording; {mode or 'full'} speed throughout")
                )
        elif column is not None:
            values, _ = resample(recording, column, ticks)
            word |= np.where(values > 0.5, bit, 0).astype(np.int32)
        elif name == "stop_2" and recording.digital("stop_1") is not None:
            word |= np.where(word & INPUT_BITS["stop_1"], bit, 0).astype(np.int32)
            notes.append(Note(kind="generated", text="stop_2: not in the recording; it opens and closes with stop_1"))
        elif name in ("stop_1", "stop_2"):
            word |= bit
            notes.append(Note(kind="held", text=f"{name}: not in the recording; held closed"))
        elif name == "key":
            notes.append(Note(kind="held", text="key: not in the recording; the service key is held off"))
    return word


def _parts(profile: Profile) -> tuple[float, float, float]:
    """Seconds: until reset is pressed, of the press, from pressing the enabling device until authority is full."""
    start, stop = profile.start, profile.emergency_stop
    longest = min(float(stop.reset_max_s), float(stop.reset_min_s) + 0.4)
    press = 0.5 * (float(stop.reset_min_s) + longest)
    ready = float(start.pump_load_s) + float(start.match_hold_s) + float(start.authority_ramp_s) + PAUSE_S
    return float(start.sensors_good_s) + PAUSE_S, press, ready


def _frame_ticks(profile: Profile, tick_s: float) -> tuple[int, int]:
    sensors, press, ready = _parts(profile)
    before = sensors + press + PAUSE_S + ready + BLEND_S
    after = HOLD_LAST_S + float(profile.emergency_stop.release_deadline_s) + AFTER_S
    return math.ceil(before / tick_s), math.ceil(after / tick_s)


def _frame_digital(profile: Profile, word: Ints, before: int, count: int, tick_s: float) -> None:
    """Write the buttons of the generated beginning and end; the device is held all through the recording."""
    sensors, press, ready = _parts(profile)
    closed = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"]
    mode = int(word[before]) & INPUT_BITS["mode_full"]
    word[:before] = closed | mode
    at, to = round(sensors / tick_s), round((sensors + press) / tick_s)
    word[at:to] |= INPUT_BITS["reset"]
    held = before - round((ready + BLEND_S) / tick_s)
    word[before + count :] = word[before + count - 1]
    word[held : before + count + round(HOLD_LAST_S / tick_s)] |= INPUT_BITS["enabling"]


def _frame_note(before_s: float, after_s: float) -> Note:
    return Note(
        kind="generated",
        text=f"enabling, reset: not in the recording; {before_s:.2f} s generated before it "
        "(sensors good, reset pressed and let go, enabling device pressed, operator held at the arm's pose, "
        f"then moved to the first sample over {BLEND_S:g} s) "
        f"and {after_s:.2f} s after it (last sample held {HOLD_LAST_S:g} s, then the device let go)",
    )


def _held_note(joint: Joint, rest: float) -> Note:
    unit = "deg" if joint.control == "follow" else "share"
    what = "the pose of its joint at the start" if joint.control == "follow" else "the lever's middle"
    name = operator_names(joint)[0]
    return Note(
        kind="held", text=f"{name}: not in the recording; held at {rest:.2f} {unit}, {what} (joint {joint.name})"
    )


def _start_note(profile: Profile, start_deg: list[float], own_buttons: bool) -> Note:
    poses = ", ".join(f"{joint.name} {value:.2f}" for joint, value in zip(profile.joints, start_deg, strict=True))
    why = "where the operator's first sample puts it" if own_buttons else "the middle between the soft stops"
    return Note(kind="rule", text=f"pose of the arm at the start, in deg ({why}): {poses}")
