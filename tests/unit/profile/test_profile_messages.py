"""One profile for every kind of mistake, and the whole text that the builder gets, place included.

Each case changes one thing of the test stand's profile. The texts were read and judged before they were written down
here: a change of them is a change of what users see.
"""

from __future__ import annotations

from pathlib import Path

import core_table
import pytest

from mapper.profile import ProfileError, read_profile
from mapper.table import compile_table, encode_table

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
STAND = (PROFILES / "test-stand.toml").read_text(encoding="utf-8")
ARM = (PROFILES / "kerb-arm.toml").read_text(encoding="utf-8")


def complaint(text: str | bytes) -> str:
    with pytest.raises(ProfileError) as caught:
        read_profile(text if isinstance(text, bytes) else text.encode("utf-8"), "stand.toml")
    return str(caught.value)


CASES = [  # name, what stands there, what is put there instead, the message
    (
        "misspelt key",
        "reduced_speed =",
        "reducd_speed =",
        "stand.toml:158:1: joints.lever.limits.reducd_speed: not a key of this format; "
        "[joints.lever.limits] has speed, reduced_speed, speed_never_above, acceleration, deceleration, "
        'stop_deceleration, soft_stops, hard_stops, tip_speed and stop_distance; did you mean "reduced_speed"?',
    ),
    (
        "misspelt kind of drive",
        'kind = "cylinder"',
        'kin = "cylinder"',
        'stand.toml:105:15: joints.lever.drive: key "kind" is missing; [joints.lever.drive] needs it (Kind of '
        "actuator); write kind instead of kin",
    ),
    (
        "no kind of drive",
        'kind = "cylinder"\n',
        "",
        'stand.toml:105:15: joints.lever.drive: key "kind" is missing; [joints.lever.drive] needs it (Kind of '
        'actuator); add for example: kind = "cylinder"',
    ),
    (
        "unknown key of another table",
        "[joints.lever.watch]\n",
        '[joints.lever.watch]\nstroke = "5 mm"\n',
        "stand.toml:176:1: joints.lever.watch.stroke: not a key of this format; [joints.lever.watch] has "
        "settle, still_time, still_angle, stall_flow, stall_time and stall_angle; remove it, or move it "
        "to [joints.NAME.drive], where a key of this name belongs",
    ),
    (
        "unknown",
        'pump = "fixed"',
        'colour = "red"\npump = "fixed"',
        "stand.toml:16:1: supply.colour: not a key of this format; [supply] has pump, flow, "
        "relief_pressure, margin, tank_pressure, fluid_density, bulk_modulus, power and share_least; remove "
        "it, or put # before it",
    ),
    (
        "a key of the file's top that is none",
        "format = 1",
        "format = 1\ncolour = 1",
        "stand.toml:8:1: colour: not a key of this format; the file has format, machine, supply, "
        "controller, emergency_stop, start, loads, joints, waivers, coupled_stops and keep_out; remove it, or put # "
        "before it",
    ),
    (
        "dropped unit",
        'bore = "40 mm"',
        'bore = "40"',
        'stand.toml:111:8: joints.lever.drive.bore: "40" has no unit; a length has one number, one space '
        'and one of mm, cm, m, in or ft; write it with its unit, for example "40 mm"',
    ),
    (
        "bare number",
        'bore = "40 mm"',
        "bore = 40",
        "stand.toml:111:8: joints.lever.drive.bore: the bare number 40 without a unit; a length is text "
        'with a unit: mm, cm, m, in or ft; write it with its unit, for example "40 mm"',
    ),
    (
        "value without quotes",
        'bore = "40 mm"',
        "bore = 40 mm",
        "stand.toml:111:8: joints.lever.drive.bore: 40 mm without quotes; a value with a unit is text in "
        'double quotes; write bore = "40 mm"',
    ),
    (
        "wrong unit",
        'bore = "40 mm"',
        'bore = "40 bar"',
        'stand.toml:111:8: joints.lever.drive.bore: "bar" is a unit of pressure; a length is given in '
        'mm, cm, m, in or ft; write for example "63 mm"',
    ),
    (
        "unit in other letters",
        'relief_pressure = "80 bar"',
        'relief_pressure = "80 Bar"',
        'stand.toml:18:19: supply.relief_pressure: unit "Bar" is not known; a pressure is given in bar, '
        'psi, Pa, kPa, MPa or GPa, spelled just so; write "80 bar"',
    ),
    (
        "swapped",
        'soft_stops = {lower = "-30 deg", upper = "30 deg"}',
        'soft_stops = {lower = "30 deg", upper = "-30 deg"}',
        'stand.toml:163:14: joints.lever.limits.soft_stops: lower "30 deg" is above upper "-30 deg"; '
        "lower is below upper; swap the two",
    ),
    (
        "lag",
        'lag = {shortest = "30 ms", longest = "80 ms"}',
        'lag = {shortest = "80 ms", longest = "30 ms"}',
        'stand.toml:169:7: joints.lever.tolerances.lag: shortest "80 ms" is above longest "30 ms"; '
        "shortest is at most longest; swap the two",
    ),
    (
        "key given twice",
        'stroke = "140 mm"',
        'stroke = "140 mm"\nbore = "50 mm"',
        "stand.toml:114:1: joints.lever.drive.bore: given a second time, after line 111; a key or table "
        "is given once; remove one of the two",
    ),
    (
        "table given twice",
        "[joints.lever.watch]\n",
        "[joints.lever.limits]\n",
        "stand.toml:175:15: joints.lever.limits: given a second time, after line 156; a key or table is "
        "given once; remove one of the two",
    ),
    (
        "not a number",
        "damping_ratio = 0.1",
        "damping_ratio = nan",
        "stand.toml:173:17: joints.lever.tolerances.damping_ratio: nan cannot be used; a number is "
        "finite, written out without an exponent, at most 32 characters long; write the number that is "
        "meant",
    ),
    (
        "number with exponent",
        "damping_ratio = 0.1",
        "damping_ratio = 1e-1",
        "stand.toml:173:17: joints.lever.tolerances.damping_ratio: 1e-1 cannot be used; a number is "
        "finite, written out without an exponent, at most 32 characters long; write the number that is "
        "meant",
    ),
    (
        "range",
        "damping_ratio = 0.1",
        "damping_ratio = 1.5",
        "stand.toml:173:17: joints.lever.tolerances.damping_ratio: the bare number 1.5 is out of range; "
        "damping_ratio is above 0, at most 1; correct the value",
    ),
    (
        "negative",
        'stroke = "140 mm"',
        'stroke = "-140 mm"',
        'stand.toml:113:10: joints.lever.drive.stroke: "-140 mm" is out of range; stroke is 5 mm to 10 m; '
        "correct the value or its unit",
    ),
    (
        "missing",
        'stroke = "140 mm"\n',
        "",
        'stand.toml:105:15: joints.lever.drive: key "stroke" is missing; [joints.lever.drive] needs it '
        '(Full stroke); add for example: stroke = "310 mm"',
    ),
    (
        "float int",
        "count_max = 4095",
        "count_max = 4095.0",
        "stand.toml:29:13: controller.count_max: the bare number 4095.0; here stands a whole number; "
        "write for example count_max = 4095",
    ),
    (
        "text for int",
        "category = 0",
        'category = "0"',
        'stand.toml:40:12: emergency_stop.category: the text "0"; here stands a whole number; write for '
        "example category = 0",
    ),
    (
        "number for bool",
        "compensated = true",
        "compensated = 1",
        "stand.toml:130:15: joints.lever.valve.compensated: the bare number 1; here stands true or "
        "false; write for example compensated = true",
    ),
    (
        "word",
        'pump = "fixed"',
        'pump = "fixd"',
        'stand.toml:16:8: supply.pump: the text "fixd"; here stands "load_sensing" or "fixed"; did you mean "fixed"?',
    ),
    (
        "format",
        "format = 1",
        "format = 2",
        "stand.toml:7:10: format: the bare number 2; this version reads format = 1; write format = 1",
    ),
    (
        "id",
        'id = "test-stand-1"',
        'id = "test stand number one"',
        'stand.toml:10:6: machine.id: the text "test stand number one"; 1 to 16 letters, digits, points, '
        'hyphens or underscores; write for example "kerb-arm-1"',
    ),
    (
        "category 1 without its relay",
        "category = 0",
        "category = 1",
        "stand.toml:40:12: emergency_stop.category: category 1 without delayed_off_relay; category 1 "
        "needs a hard-wired off-delay relay that drops pump and dump valve after the slowing down, since "
        'no joint can slow down once pressure is gone; add for example delayed_off_relay = "800 ms" if '
        "such a relay is fitted, else write category = 0",
    ),
    (
        "relay with category 0",
        "category = 0",
        'category = 0\ndelayed_off_relay = "500 ms"',
        "stand.toml:41:1: emergency_stop.delayed_off_relay: a delayed-off relay with category 0; "
        "category 0 takes pressure away at once, the relay belongs to category 1; remove it, or write "
        "category = 1",
    ),
    (
        "unknown input",
        'input = "hand_angle"',
        'input = "hand_angel"',
        'stand.toml:77:9: joints.lever.operator.tracks[0].input: the name "hand_angel" is not in '
        '[controller.inputs]; one of hand_angle, lever_a or lever_b; did you mean "hand_angle"?',
    ),
    (
        "same input",
        'input = "lever_b"',
        'input = "lever_a"',
        'stand.toml:93:9: joints.lever.position.tracks[1].input: input "lever_a" is already used by '
        "joints.lever.position.tracks[0] (line 88); the second track is a sensor of its own, else a "
        "fault moves both alike and is never noticed; give each track the input that it is wired to",
    ),
    (
        "channel twice",
        "lever_b = 2",
        "lever_b = 1",
        "stand.toml:34:11: controller.inputs.lever_b: analog channel 1 already has the name lever_a; "
        "each analog channel has one name; give the channel that this wire is really on, or use the "
        "other name",
    ),
    (
        "unknown output",
        'output = "lever"',
        'output = "levr"',
        'stand.toml:126:10: joints.lever.valve.output: the name "levr" is not in [controller.outputs]; '
        'one of lever; did you mean "lever"?',
    ),
    (
        "counts",
        '{count = 450, angle = "-80 deg"}, {count = 3650, angle = "80 deg"}',
        '{count = 3650, angle = "-80 deg"}, {count = 450, angle = "80 deg"}',
        "stand.toml:79:55: joints.lever.operator.tracks[0].points[1].count: 450 does not rise from 3650 "
        "before it; count rises from point to point; sort the points, or remove the one that is there "
        "twice",
    ),
    (
        "angles",
        '{count = 450, angle = "-80 deg"}, {count',
        '{count = 450, angle = "-80 deg"}, {count = 2000, angle = "90 deg"}, {count',
        'stand.toml:79:102: joints.lever.operator.tracks[0].points[2].angle: "80 deg" turns back from '
        '"90 deg" before it; angle goes one way, all rising or all falling; correct the value, or leave '
        "the point out",
    ),
    (
        "outside window",
        '{count = 450, angle = "-80 deg"}',
        '{count = 150, angle = "-80 deg"}',
        "stand.toml:79:20: joints.lever.operator.tracks[0].points[0].count: 150 is outside the window "
        "200 to 3895; calibration points lie inside the plausible window; widen the window, or correct "
        "the point",
    ),
    (
        "window count",
        "window = {lower = 200, upper = 3895}",
        "window = {lower = 200, upper = 4096}",
        "stand.toml:78:32: joints.lever.operator.tracks[0].window.upper: 4096 is above count_max 4095; "
        "the window lies within 0 to 4095, with room at both ends for a cut wire and a short; correct "
        "the window, or controller.count_max",
    ),
    (
        "window all",
        "window = {lower = 200, upper = 3895}",
        "window = {lower = 0, upper = 4095}",
        "stand.toml:78:10: joints.lever.operator.tracks[0].window: the window takes every count; a cut "
        "wire or a short must fall outside it; leave room at 0 and at count_max",
    ),
    (
        "window takes a cut wire",
        "window = {lower = 200, upper = 3895}",
        "window = {lower = 0, upper = 3895}",
        "stand.toml:78:19: joints.lever.operator.tracks[0].window.lower: 0 takes a cut wire for a value; at "
        "least 1, better well above: a wire that is cut reads 0; leave room at 0 for a cut wire",
    ),
    (
        "late by more than a tick",
        'late_allowance = "2 ms"',
        'late_allowance = "5.1 ms"',
        'stand.toml:28:18: controller.late_allowance: "5.1 ms" is more than one tick; at most one tick ("5 ms"): '
        "a tick that is later was lost; give the time by which a tick of your controller may really be late, or "
        "lengthen the tick",
    ),
    (
        "release too quick",
        'release_deadline = "1 s"',
        'release_deadline = "27.9 ms"',
        'stand.toml:43:20: emergency_stop.release_deadline: "27.9 ms" is too quick by 0.1 ms; at least 28 ms: one '
        "tick to read the contact, one to see it, one to slow down, one to the output, each late by "
        "late_allowance; give a later deadline, or shorten tick and late_allowance",
    ),
    (
        "relay too quick",
        "category = 0",
        'category = 1\ndelayed_off_relay = "20 ms"',
        'stand.toml:41:21: emergency_stop.delayed_off_relay: "20 ms" is too quick by 8 ms; at least 28 ms: one '
        "tick to read the contact, one to see it, one to slow down, one to the output, each late by "
        "late_allowance; fit a relay with a longer delay, or shorten tick and late_allowance",
    ),
    (
        "discrepancy too long",
        'discrepancy_time = "200 ms"',
        'discrepancy_time = "5.1 s"',
        'stand.toml:41:20: emergency_stop.discrepancy_time: "5.1 s" is out of range; discrepancy_time is above 0 '
        "ms, at most 5 s; correct the value or its unit",
    ),
    (
        "fault time too long",
        'fault_time = "20 ms"',
        'fault_time = "1.1 s"',
        'stand.toml:82:14: joints.lever.position.fault_time: "1.1 s" is out of range; fault_time is above 0 ms, '
        "at most 1 s; correct the value or its unit",
    ),
    (
        "window swapped",
        "window = {lower = 200, upper = 3895}",
        "window = {lower = 3895, upper = 200}",
        "stand.toml:78:10: joints.lever.operator.tracks[0].window: lower 3895 is above upper 200; lower "
        "is below upper; swap the two",
    ),
    (
        "soft outside",
        'soft_stops = {lower = "-30 deg"',
        'soft_stops = {lower = "-36 deg"',
        'stand.toml:163:23: joints.lever.limits.soft_stops.lower: "-36 deg" is beyond the hard stop '
        '"-35 deg"; soft stops lie inside the hard stops, by enough for the overrun; move the soft stop '
        "inwards",
    ),
    (
        "sensor short",
        '{count = 400, angle = "40 deg"}, {count = 3695, angle = "-40 deg"}',
        '{count = 400, angle = "29 deg"}, {count = 3695, angle = "-40 deg"}',
        "stand.toml:95:1: joints.lever.position.tracks[1].points: the points reach from -40 deg to 29 "
        'deg; a position sensor sees beyond both soft stops ("-30 deg", "30 deg"), since outside its '
        "points its value is held; calibrate over the whole travel",
    ),
    (
        "reduced",
        'reduced_speed = {positive = "8 deg/s"',
        'reduced_speed = {positive = "31 deg/s"',
        'stand.toml:158:29: joints.lever.limits.reduced_speed.positive: "31 deg/s" is above '
        'limits.speed.positive "30 deg/s"; reduced mode is not faster than full mode; correct one of the '
        "two",
    ),
    (
        "rod",
        'rod = "22 mm"',
        'rod = "42 mm"',
        'stand.toml:112:7: joints.lever.drive.rod: rod "42 mm" is not thinner than bore "40 mm"; the rod '
        "fits through the barrel; swap the two",
    ),
    (
        "closed",
        'closed_length = "246 mm"',
        'closed_length = "139 mm"',
        'stand.toml:114:17: joints.lever.drive.closed_length: "139 mm" is not longer than stroke "140 '
        'mm"; pin to pin, rod fully in, a cylinder is longer than its stroke; correct one of the two',
    ),
    (
        "cushion",
        'cushion = "0 mm"',
        'cushion = "150 mm"',
        'stand.toml:115:11: joints.lever.drive.cushion: "150 mm" is above drive.stroke "140 mm"; a '
        "cushion is a part of the stroke; correct one of the two",
    ),
    (
        "crackmin",
        'crack_min = "18.5 %"',
        'crack_min = "20.5 %"',
        'stand.toml:136:13: joints.lever.valve.positive.crack_min: "20.5 %" is above '
        'valve.positive.crack "20 %"; crack_min is the smallest crack ever measured; correct one of the '
        "two",
    ),
    (
        "firstpoint",
        '{drive = "20 %", flow = "0 %"}',
        '{drive = "21 %", flow = "0 %"}',
        'stand.toml:139:3: joints.lever.valve.positive.points[0]: the first point is ("21 %", "0 %"); '
        'flow begins at the crack point; write {drive = "20 %", flow = "0 %"}',
    ),
    (
        "flow",
        '{drive = "40 %", flow = "17 %"}',
        '{drive = "40 %", flow = "70 %"}',
        'stand.toml:141:27: joints.lever.valve.positive.points[2].flow: "60 %" does not rise from "70 %" '
        "before it; flow rises from point to point; sort the points, or remove the one that is there "
        "twice",
    ),
    (
        "drivemax",
        'drive_max = "100 %"',
        'drive_max = "21 %"',
        'stand.toml:131:13: joints.lever.valve.drive_max: "21 %" is not above negative.crack "22 %"; the '
        "largest drive opens the valve; correct one of the two",
    ),
    (
        "tick",
        'tick = "5 ms"',
        'tick = "6 ms"',
        'stand.toml:27:8: controller.tick: "6 ms" does not divide a second evenly; a whole number of '
        'ticks makes one second, and a tick is a whole number of microseconds; write for example "5 ms" '
        "(200 ticks a second)",
    ),
    (
        "fault time",
        'fault_time = "20 ms"',
        'fault_time = "4 ms"',
        'stand.toml:82:14: joints.lever.position.fault_time: "4 ms" is not 1 to 1000 ticks; one tick is '
        '"5 ms"; correct the time',
    ),
    (
        "disagreement",
        'disagreement = "2 deg"\n',
        "",
        'stand.toml:81:15: joints.lever.position: key "disagreement" is missing; a sensor with two '
        "tracks needs it (the largest believable difference of the two); add for example: disagreement = "
        '"2 deg"',
    ),
    (
        "target",
        'joint = "30 deg"}]',
        'joint = "36 deg"}]',
        'stand.toml:74:86: joints.lever.operator.response[1].joint: "36 deg" is beyond the hard stops; a '
        'target lies between "-35 deg" and "35 deg"; correct the point (ends are held, so the last point '
        "may ask for the soft stop)",
    ),
    (
        "response turn",
        'response = [{operator = "-60 deg", joint = "-30 deg"}, {',
        'response = [{operator = "-60 deg", joint = "-30 deg"}, {operator = "0 deg", joint = "32 deg"}, {',
        'stand.toml:74:126: joints.lever.operator.response[2].joint: "30 deg" turns back from "32 deg" '
        "before it; joint goes one way, all rising or all falling, level parts allowed; correct the "
        "value, or leave the point out",
    ),
    (
        "no follow",
        "[joints.lever.follow]",
        "[joints.lever.folow]",
        "stand.toml:97:15: joints.lever.folow: not a key of this format; [joints.lever] has title, "
        "control, travel, axis, operator, position, follow, drive, valve, limits, tolerances, watch, "
        'body, hoses, work and holding; did you mean "follow"?',
    ),
    (
        "holding",
        'setting = "100 bar"\n',
        "",
        'stand.toml:190:15: joints.lever.holding: key "setting" is missing; counterbalance needs it; add '
        'for example: setting = "220 bar"',
    ),
    (
        "holding2",
        'kind = "counterbalance"',
        'kind = "none"',
        'stand.toml:192:1: joints.lever.holding.setting: a setting with kind = "none"; only '
        "counterbalance, double_counterbalance and port_relief have one; remove it, or correct "
        'kind\nstand.toml:193:1: joints.lever.holding.pilot_ratio: a pilot_ratio with kind = "none"; only '
        "counterbalance, double_counterbalance and pilot_check have one; remove it, or correct kind",
    ),
    (
        "relief",
        'margin = "0 bar"',
        'margin = "80 bar"',
        'stand.toml:19:10: supply.margin: "80 bar" is not below relief_pressure "80 bar"; '
        "margin is well below the relief pressure; correct the value or its unit",
    ),
    (
        "reset",
        'reset_press = {shortest = "150 ms", longest = "3 s"}',
        'reset_press = {shortest = "3 s", longest = "150 ms"}',
        'stand.toml:42:15: emergency_stop.reset_press: shortest "3 s" is above longest "150 ms"; '
        "shortest is below longest; swap the two",
    ),
    (
        "discrepancy",
        'discrepancy_time = "200 ms"',
        'discrepancy_time = "3 ms"',
        'stand.toml:41:20: emergency_stop.discrepancy_time: "3 ms" is less than one tick; at least one '
        'tick ("5 ms"); give the time in which both contacts of your stop button have surely opened',
    ),
    (
        "waiver",
        "anti_cavitation = true",
        'anti_cavitation = true\n[[waivers]]\nlimit = "tip_speed"\njoint = "elbow"\nreason = "tested by the builder"\n',
        'stand.toml:198:9: waivers[0].joint: the name "elbow" is not in [joints]; one of lever; use one of these',
    ),
    (
        "waiver short",
        "anti_cavitation = true",
        'anti_cavitation = true\n[[waivers]]\nlimit = "tip_speed"\nreason = "fine"\n',
        "stand.toml:198:10: waivers[0].reason: a text of 4 characters; reason has 10 to 400 characters; "
        "correct the text",
    ),
    (
        "waiver twice",
        "anti_cavitation = true",
        'anti_cavitation = true\n[[waivers]]\nlimit = "tip_speed"\nreason = "tested with us"\n[[waivers]]\nlimit = '
        '"tip_speed"\nreason = "tested with them"\n',
        "stand.toml:199:1: waivers[1]: the same limit and joint as in waivers[0]; a limit is waived once "
        "for a joint; keep one of the two, with the full reason",
    ),
    (
        "too few points",
        'points = [{count = 450, angle = "-80 deg"}, {count = 3650, angle = "80 deg"}]',
        'points = [{count = 450, angle = "-80 deg"}]',
        "stand.toml:79:1: joints.lever.operator.tracks[0].points: 1 item; points has 2 to 12 of them; "
        "add what is missing",
    ),
    (
        "text not closed",
        'bore = "40 mm"',
        'bore = "40 mm',
        "stand.toml:111:14: joints.lever.drive.bore: text that is not closed on its line; text stands "
        'between two quotes on one line; write the second "',
    ),
    (
        "array not closed",
        'points = [{count = 450, angle = "-80 deg"}, {count = 3650, angle = "80 deg"}]',
        'points = [{count = 450, angle = "-80 deg"}, {count = 3650, angle = "80 deg"}',
        "stand.toml:81:1: joints.lever.operator.tracks: an array [ ... that is not closed or lacks a "
        "comma; items are separated by commas; write the missing ] or comma",
    ),
    (
        "capital True",
        "compensated = true",
        "compensated = True",
        "stand.toml:130:15: joints.lever.valve.compensated: no value that TOML knows; a value is text in "
        "quotes, a number like 0.5, true or false, [ ... ] or { ... }; put quotes around text, write "
        "digits on both sides of a point",
    ),
    (
        "no value",
        "compensated = true",
        "compensated =",
        "stand.toml:130:14: joints.lever.valve.compensated: no value that TOML knows; a value is text in "
        "quotes, a number like 0.5, true or false, [ ... ] or { ... }; put quotes around text, write "
        "digits on both sides of a point",
    ),
    (
        "table as value",
        "[joints.lever.body]",
        "[[joints.lever.body]]",
        "stand.toml:183:16: joints.lever.body: an array; here stands a table; write a table [joints.lever.body]",
    ),
    (
        "brake",
        'kind = "counterbalance"\nsetting = "100 bar"\npilot_ratio = 4',
        'kind = "brake"',
        'stand.toml:191:8: joints.lever.holding.kind: "brake" with a cylinder; a cylinder is held by '
        "valves; give the valve that holds it, or none",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_a_mistake_is_named_with_its_place_what_is_allowed_and_what_to_do(old: str, new: str, message: str) -> None:
    assert old in STAND
    assert complaint(STAND.replace(old, new, 1)) == message


def test_every_case_has_a_name_of_its_own() -> None:
    assert len({case[0] for case in CASES}) == len(CASES) >= 60


def test_a_window_that_takes_a_short_of_sixteen_bits_is_refused() -> None:
    wide = STAND.replace("count_max = 4095", "count_max = 65535")
    bad = wide.replace("window = {lower = 200, upper = 3895}", "window = {lower = 200, upper = 65535}")

    assert complaint(bad) == (
        "stand.toml:78:32: joints.lever.operator.tracks[0].window.upper: 65535 takes a short for a value; at most "
        "65534, better well below: a wire shorted to the supply reads 65535; leave room at the upper end for a short"
    )


@pytest.mark.parametrize(
    "changes",
    [
        {"window = {lower = 200, upper = 3895}": "window = {lower = 1, upper = 3895}"},
        {
            "count_max = 4095": "count_max = 65535",
            "window = {lower = 200, upper = 3895}": "window = {lower = 200, upper = 65534}",
        },
        {'late_allowance = "2 ms"': 'late_allowance = "5 ms"'},
        {'release_deadline = "1 s"': 'release_deadline = "28 ms"'},
        {"category = 0": 'category = 1\ndelayed_off_relay = "28 ms"'},
        {'discrepancy_time = "200 ms"': 'discrepancy_time = "5 s"'},
        {'fault_time = "20 ms"': 'fault_time = "1 s"'},
        {'soft_stops = {lower = "-30 deg"': 'soft_stops = {lower = "-34.9996 deg"', "-40 deg": "-34.9999 deg"},
    ],
)
def test_what_the_profile_just_allows_the_table_holds(changes: dict[str, str]) -> None:
    """No user meets the table's own refusal: what the reader takes at its ends, compiler and controller take too."""
    text = STAND
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)

    data = encode_table(compile_table(read_profile(text.encode(), "stand.toml")))

    assert core_table.parse(data)[0] == "ok"


def test_two_joints_on_one_output_are_refused_with_the_reason() -> None:
    bad = ARM.replace('output = "elbow"', 'output = "boom_lift"')
    line = bad[: bad.index('output = "boom_lift"', bad.index("[joints.elbow.valve]"))].count("\n") + 1
    first = bad[: bad.index('output = "boom_lift"')].count("\n") + 1

    assert complaint(bad) == (
        f"stand.toml:{line}:10: joints.elbow.valve.output: "
        f'output "boom_lift" already moves joint boom_lift (line {first}); '
        "each joint has a valve and an actuator of its own: one cylinder cannot move two joints independently, "
        "whatever the linkage, since its one length sets both; "
        "give this joint an output of its own, or describe the two motions as one joint"
    )


def test_one_input_for_two_joints_is_refused() -> None:
    bad = ARM.replace('input = "elbow_flexion"', 'input = "shoulder_yaw"')

    assert 'joints.elbow.operator.tracks[0].input: input "shoulder_yaw" is already used by' in complaint(bad)
    assert "one input drives or measures one joint" in complaint(bad)


def test_more_joints_than_the_controller_has_are_refused() -> None:
    joint = STAND[STAND.index("[joints.lever]") :]
    many = STAND + "".join("\n" + joint.replace("joints.lever", f"joints.lever_{number}") for number in range(16))

    assert "joints: 17 items; joints has 1 to 16 of them; remove what is too many" in complaint(many)


def test_all_problems_come_at_once_and_in_file_order() -> None:
    bad = STAND.replace('pump = "fixed"', 'pump = "fixd"').replace("count_max = 4095", "count_max = 4095.0")
    bad = bad.replace('bore = "40 mm"', "bore = 40").replace("damping_ratio = 0.1", "damping_ratio = nan")
    bad = bad.replace('lower = "-30 deg"', 'lower = "-36 deg"').replace('output = "lever"', 'output = "arm"')
    places = [tuple(map(int, line.split(":")[1:3])) for line in complaint(bad).splitlines()]

    assert len(places) == 6
    assert places == sorted(places)


def test_speed_control_needs_shares_and_a_deadband() -> None:
    text = complaint(STAND.replace('control = "follow"', 'control = "speed"'))

    assert 'joints.lever.operator: key "deadband" is missing' in text
    assert 'operator.response[0].joint: "deg" is a unit of angle; a share is given in %' in text
    assert "joints.lever.operator.speed_filter: not a key of this format" in text
    assert "remove it: a joint in speed control has no speed filter" in text
    assert "joints.lever.follow: a follow table in a joint in speed control" in text


def test_a_lever_must_have_a_rest_and_a_curve_through_zero() -> None:
    bad = ARM.replace('{count = 2048, share = "0 %"}, ', "").replace(
        '{count = 600, share = "-100 %"}', '{count = 600, share = "5 %"}'
    )
    bent = ARM.replace('{operator = "0 %", joint = "0 %"}', '{operator = "0 %", joint = "2 %"}')

    assert complaint(bad).count("no count means rest (0 %)") == 2
    assert complaint(bent).count("the curve does not pass through 0 % at 0 %") == 2


def test_a_continuous_joint_has_no_stops_no_cylinder_and_a_whole_turn() -> None:
    text = complaint(STAND.replace('travel = "limited"', 'travel = "continuous"'))

    assert '"continuous" with a cylinder' in text
    assert text.count("in a continuous joint; a joint that turns for ever has no stops") == 2
    assert text.count("the points cover 80 deg; the sensor of a continuous joint covers exactly 360 deg") == 2


def test_a_name_in_capitals_is_refused_with_one_that_would_do() -> None:
    bad = STAND.replace("joints.lever", "joints.Lever")

    assert complaint(bad).splitlines()[0] == (
        'stand.toml:63:9: joints.Lever: the name "Lever"; '
        'a name is 1 to 32 small letters, digits or _, and begins with a letter; write for example "lever"'
    )


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"\xff\xfe", "1:1: byte 0xff is not UTF-8; a profile is UTF-8 text; save the file as UTF-8 in your editor"),
        (b"a = 1\n# \xc3\xa9 \xe9\n",
         "2:5: byte 0xe9 is not UTF-8; a profile is UTF-8 text; save the file as UTF-8 in your editor"),
        (b"format = 01\n",
         "1:10: format: the number 01 begins with a needless zero; "
         "a number has no zero in front of other digits; remove the zero"),
        (b"[a\nb = 1",
         "1:3: a header that is not closed; "
         "a table begins with [name], one of several with [[name]]; write the missing bracket"),
        (b"[x]\n= 5",
         "2:1: x: a line that begins with neither a key nor a header; "
         "a line is key = value, [table], [[table]] or # comment; correct the line"),
    ],
)  # fmt: skip
def test_bytes_that_are_no_toml_are_refused_with_their_place(data: bytes, message: str) -> None:
    assert complaint(data) == "stand.toml:" + message


def test_line_ends_of_both_kinds_and_a_byte_order_mark_are_read_alike() -> None:
    unix = read_profile(STAND.encode(), "a.toml")
    windows = read_profile(b"\xef\xbb\xbf" + STAND.replace("\n", "\r\n").encode(), "a.toml")
    bad = STAND.replace('bore = "40 mm"', 'bore = "40"')

    assert windows.joints == unix.joints
    assert windows.digest != unix.digest
    assert complaint(bad.replace("\n", "\r\n")) == complaint(bad)
