/* From bytes to ticks: what the operator's hands, the buttons and the faults do.
 *
 * A segment's bytes: 0 its length (0: no such segment), 1 the joints that the operator moves (bit i: joints i and i + 8), 2 how (below),
 * 3 where to, 4 how fast; 5 an event, 6 when in the segment, 7 how long or which; 8 to 10 a second one; 11 a fault, 12 its place,
 * 13 its size, 14 when, 15 how long.
 *
 * Byte 2: bits 0 to 2 the motion; bits 3 to 5 all set: not held to what the operator's sensor believes in a tick; bits 6 and 7 not
 * both 0: where the arm is not running when the segment begins, the operator first does all that starts it again; both set: all but
 * the reset.
 */
#include "search_parts.h"

enum { AT_TICKS, AT_JOINTS, AT_MOTION, AT_TO, AT_RATE, AT_EVENT, AT_EVENT_2 = 8, AT_FAULT = 11 };
enum { HOLD, RAMP, SINE, JUMP, SQUARE, WITH_THE_ARM, THERE_AND_BACK, MOTIONS = 8 };
enum {
    NO_EVENT,
    EVENT_START_AGAIN, EVENT_RELEASE, EVENT_STOP, EVENT_RESET, EVENT_PRESS, EVENT_MODE, EVENT_STOP_1, EVENT_STOP_2, EVENT_POWER_UP,
    EVENT_KEY, EVENT_LET_GO_SHORTLY, EVENT_LATE,
    EVENTS
};
enum { NO_FAULT, FAULT_CUT, FAULT_SHORT, FAULT_STUCK, FAULT_OFFSET, FAULT_NOISE, FAULT_DRIFT, FAULT_SPOOL, FAULTS };
enum { STOPS = LAW_IN_STOP_1 | LAW_IN_STOP_2 };
enum { WITHOUT_RESET = 128 | 2 }; /* for start_again */

typedef struct { /* an input that is held or let go until a tick of the segment */
    uint32_t open, closed; /* bits held at 0, at 1 */
    int32_t until;
} press_t;

typedef struct {
    const uint8_t *bytes;
    int32_t ticks;
    double from[TABLE_JOINTS_MAX];
    press_t press[2];
} segment_t;

static int32_t random_below(script_t *script, int32_t bound)
{
    script->dice = script->dice * 1664525u + 1013904223u;
    return (int32_t)((script->dice >> 8) % (uint32_t)bound);
}

static int32_t square_of(uint8_t byte, int32_t most)
{
    return (int32_t)((int64_t)byte * byte * most / 65025);
}

/* -- sensors ------------------------------------------------------------------------------------------------------ */

static void put_counts(script_t *script, const table_sensor_t *sensor, double value, int32_t noise)
{
    for (int32_t t = 0; t < sensor->track_count; t++) {
        const table_track_t *track = &sensor->track[t];
        const int32_t shift = noise > 0 ? random_below(script, 2 * noise + 1) - noise : 0;
        const int32_t count = (int32_t)(search_curve_inverse(&track->curve, value) + 0.5) + shift;
        script->sound[track->input] = (uint16_t)core_clamp(count, 0, script->setup->count_max);
    }
}

static void put_faults(script_t *script)
{
    for (int32_t i = 0; i < script->fault_count; i++) {
        script_fault_t *fault = &script->fault[i];
        const bool active = script->tick >= fault->first_tick && script->tick < fault->end_tick;
        if (fault->kind == FAULT_SPOOL) {
            script->plant[fault->joint].stuck = active;
        }
        if (fault->kind == FAULT_SPOOL || !active) {
            continue;
        }
        uint16_t *count = &script->in.counts[fault->input];
        int32_t now = *count;
        if (script->tick == fault->first_tick) {
            fault->held = now;
        }
        if (fault->kind == FAULT_CUT) {
            now = 0;
        } else if (fault->kind == FAULT_SHORT) {
            now = script->setup->count_max;
        } else if (fault->kind == FAULT_STUCK) {
            now = fault->held;
        } else if (fault->kind == FAULT_OFFSET) {
            now += fault->amount;
        } else if (fault->kind == FAULT_NOISE) {
            now += random_below(script, 2 * core_magnitude(fault->amount) + 1) - core_magnitude(fault->amount);
        } else {
            now += (int32_t)((script->tick - fault->first_tick) * fault->amount / 64);
        }
        *count = (uint16_t)core_clamp(now, 0, script->setup->count_max);
    }
}

/* What has not moved reads the same. */
void script_counts(script_t *script)
{
    const table_t *table = script->setup->table;
    for (int32_t i = 0; i < table->joint_count; i++) {
        const double at = script->plant[i].position;
        if (script->hand[i] != script->hand_read[i] || script->tick == 0) {
            script->hand_read[i] = script->hand[i];
            put_counts(script, &table->joint[i].operator_sensor, script->hand[i], 0);
        }
        if (at != script->position_read[i] || script->noise > 0 || script->tick == 0) {
            script->position_read[i] = at;
            put_counts(script, &table->joint[i].position_sensor, at, script->noise);
        }
    }
    for (int32_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        script->in.counts[i] = script->sound[i];
    }
    put_faults(script);
}

/* Of the first track or of both: then the second takes another place in the list. */
static void add_fault(script_t *script, const uint8_t *bytes, int32_t ticks)
{
    const table_t *table = script->setup->table;
    if (bytes[0] == 0 || bytes[0] >= 64) {
        return;
    }
    const int32_t joint = (bytes[1] & 15) % table->joint_count;
    const bool of_position = (bytes[1] & 16) != 0;
    const table_sensor_t *sensor = of_position ? &table->joint[joint].position_sensor : &table->joint[joint].operator_sensor;
    const int32_t first = (bytes[1] & 32) != 0 ? sensor->track_count - 1 : 0;
    const int32_t drawn = 1 + (bytes[0] - 1) % FAULTS;
    const int32_t kind = drawn < FAULTS ? drawn : FAULT_SPOOL; /* twice as often: it is the only one of the machine itself */
    const int32_t size = (bytes[2] >> 1) * script->setup->count_max / 512 + 1;
    const int64_t begins = script->tick + (int64_t)ticks * bytes[3] / 256;
    const int32_t last = (bytes[1] & 64) != 0 && kind != FAULT_SPOOL ? sensor->track_count - 1 : first;
    for (int32_t t = first; t <= last && script->fault_count < SEARCH_FAULTS; t++) {
        script_fault_t *fault = &script->fault[script->fault_count];
        fault->input = sensor->track[t].input;
        fault->kind = kind;
        fault->amount = (bytes[2] & 1) != 0 ? -size : size;
        fault->joint = joint;
        fault->first_tick = begins;
        fault->end_tick = begins + 1 + square_of(bytes[4], (kind == FAULT_SPOOL ? 8 : 4) * table->tick_hz);
        script->fault_count += 1;
    }
    if (of_position || kind == FAULT_SPOOL) {
        script->doubtful[joint] = 1;
    }
}

/* -- the operator ------------------------------------------------------------------------------------------------- */

static double hand_low(const table_joint_t *joint)
{
    const curve_t *curve = &joint->operator_sensor.track[0].curve;
    const double ends[2] = {(double)curve->y[0], (double)curve->y[curve->count - 1]};
    return ends[0] < ends[1] ? ends[0] : ends[1];
}

static double hand_high(const table_joint_t *joint)
{
    const curve_t *curve = &joint->operator_sensor.track[0].curve;
    const double ends[2] = {(double)curve->y[0], (double)curve->y[curve->count - 1]};
    return ends[0] < ends[1] ? ends[1] : ends[0];
}

static void move_hand(script_t *script, int32_t joint, double wanted, bool at_once)
{
    const table_joint_t *own = &script->setup->table->joint[joint];
    const double step = 0.45 * (double)own->operator_sensor.step_max; /* inside what the sensor believes, both tracks */
    const double target = search_between(wanted, hand_low(own), hand_high(own));
    const double before = script->hand[joint];
    script->hand[joint] = at_once ? target : search_between(target, before - step, before + step);
}

/* Worked out once for a place. */
static double pose_of_arm(script_t *script, int32_t joint)
{
    const table_joint_t *own = &script->setup->table->joint[joint];
    const double at = script->plant[joint].position;
    if (own->control != TABLE_FOLLOW) {
        return 0.0;
    }
    if (!script->posed[joint] || script->pose_at[joint] != at) {
        script->posed[joint] = true;
        script->pose_at[joint] = at;
        script->pose[joint] = search_curve_inverse(&own->response, at);
    }
    return script->pose[joint];
}

static double asked_for(script_t *script, const segment_t *segment, int32_t joint, int32_t tick)
{
    const table_joint_t *own = &script->setup->table->joint[joint];
    const double low = hand_low(own);
    const double high = hand_high(own);
    const double from = segment->from[joint];
    const uint8_t *bytes = segment->bytes;
    const double to = bytes[AT_TO] == 0 ? from : low + (high - low) * (double)((bytes[AT_TO] + 97 * joint) & 255) / 255.0;
    const double seconds = (double)tick / (double)script->setup->table->tick_hz;
    const double way = (high - low) * 2.0 * (double)(bytes[AT_RATE] + 1) / 256.0 * seconds;
    const double turns = (0.1 + 8.0 * (double)bytes[AT_RATE] * (double)bytes[AT_RATE] / 65025.0) * seconds;
    const int32_t motion = bytes[AT_MOTION] % MOTIONS;
    if (motion == RAMP) {
        return search_between(to, from - way, from + way);
    }
    if (motion == SINE) {
        return from + (to - from) * search_sine(turns);
    }
    if (motion == SQUARE) {
        return search_sine(turns) < 0.0 ? from - (to - from) : to;
    }
    if (motion == WITH_THE_ARM) {
        return pose_of_arm(script, joint);
    }
    if (motion == THERE_AND_BACK) {
        return 2 * tick < segment->ticks ? search_between(to, from - way, from + way) : from;
    }
    return motion == JUMP ? to : from;
}

static void move_hands(script_t *script, const segment_t *segment, int32_t tick)
{
    const bool at_once = (segment->bytes[AT_MOTION] & 56) == 56;
    for (int32_t i = 0; i < script->setup->table->joint_count; i++) {
        if ((segment->bytes[AT_JOINTS] & (1 << (i & 7))) != 0) {
            move_hand(script, i, asked_for(script, segment, i, tick), at_once);
        }
    }
}

/* -- buttons ------------------------------------------------------------------------------------------------------ */

/* The operator goes where the arm is, for so many ticks or until it runs. */
static void go_with_the_arm(script_t *script, int32_t ticks, bool until_running)
{
    for (int32_t k = 0; k < ticks && !script->ended; k++) {
        for (int32_t i = 0; i < script->setup->table->joint_count; i++) {
            move_hand(script, i, pose_of_arm(script, i), false);
        }
        script_tick(script);
        if (until_running && script->out.state == LAW_RUNNING) {
            return;
        }
    }
}

static int32_t press_length(const table_t *table, uint8_t byte)
{
    const int32_t middle = table->reset_min_ticks + core_clamp((table->reset_max_ticks - table->reset_min_ticks) / 2, 0, 8);
    const int32_t lengths[8] = {middle, table->reset_min_ticks, table->reset_min_ticks - 1, 1,
                                table->reset_max_ticks, table->reset_max_ticks + 1, table->power_up_ticks + 8, middle};
    return lengths[byte & 7];
}

/* Everything that starts the arm again, in order. `wrong`: below 128 nothing is; else bit 0 the device is not let go, bit 1 no reset,
 * bit 2 the stop stays as it is, bit 3 the press is too short, bit 4 the device is pressed while reset is, bit 5 the key is on. Bit 6
 * in any case: after a discrepancy the stop is not pressed. */
static void start_again(script_t *script, uint8_t byte)
{
    const table_t *table = script->setup->table;
    const uint32_t wrong = byte < 128 ? 0u : byte;
    if (script->out.state == LAW_POWERING_UP) {
        go_with_the_arm(script, table->power_up_ticks + 2, false);
    }
    if (script->out.waits_for == LAW_WAITS_BOTH_OPEN && (byte & 64) == 0) { /* what the operator is told to do after a discrepancy */
        script->digital &= ~(uint32_t)STOPS;
        go_with_the_arm(script, 2, false);
    }
    script->digital &= ~(uint32_t)(LAW_IN_RESET | LAW_IN_KEY);
    script->digital &= (wrong & 1u) != 0 ? ~0u : ~(uint32_t)LAW_IN_ENABLING;
    script->digital |= (wrong & 4u) != 0 ? 0u : (uint32_t)STOPS;
    script->digital |= (wrong & 32u) != 0 ? (uint32_t)LAW_IN_KEY : 0u;
    go_with_the_arm(script, 2, false);
    if ((wrong & 2u) == 0) {
        script->digital |= LAW_IN_RESET | ((wrong & 16u) != 0 ? (uint32_t)LAW_IN_ENABLING : 0u);
        go_with_the_arm(script, press_length(table, (wrong & 8u) != 0 ? 2 : 0), false);
        script->digital &= ~(uint32_t)LAW_IN_RESET;
        go_with_the_arm(script, 2, false);
    }
    script->digital |= LAW_IN_ENABLING;
    go_with_the_arm(script, table->load_ticks + table->match_ticks + table->tick_hz / 4 + 4, true);
}

static void press_for(segment_t *segment, int32_t which, press_t press)
{
    segment->press[which] = press;
}

static void do_event(script_t *script, segment_t *segment, int32_t which, int32_t tick)
{
    const table_t *table = script->setup->table;
    const uint8_t *bytes = segment->bytes + (which == 0 ? AT_EVENT : AT_EVENT_2);
    const int32_t until = tick + 1 + square_of(bytes[2], table->tick_hz);
    const int32_t event = bytes[0] == 0 || bytes[0] >= 128 ? NO_EVENT : 1 + (bytes[0] - 1) % (EVENTS - 1);
    if (event == EVENT_START_AGAIN) {
        start_again(script, bytes[2]);
    } else if (event == EVENT_RELEASE) {
        script->digital &= ~(uint32_t)LAW_IN_ENABLING;
    } else if (event == EVENT_PRESS) {
        script->digital |= LAW_IN_ENABLING;
    } else if (event == EVENT_LET_GO_SHORTLY) {
        press_for(segment, which, (press_t){LAW_IN_ENABLING, 0, until});
    } else if (event == EVENT_RESET) {
        press_for(segment, which, (press_t){0, LAW_IN_RESET, tick + press_length(table, bytes[2])});
    } else if (event == EVENT_MODE) {
        script->digital ^= LAW_IN_MODE_FULL;
    } else if (event == EVENT_STOP) {
        press_for(segment, which, (press_t){STOPS, 0, until});
    } else if (event == EVENT_STOP_1 || event == EVENT_STOP_2) {
        press_for(segment, which, (press_t){event == EVENT_STOP_1 ? LAW_IN_STOP_1 : LAW_IN_STOP_2, 0, until});
    } else if (event == EVENT_KEY) {
        press_for(segment, which, (press_t){0, LAW_IN_KEY, until});
    } else if (event == EVENT_POWER_UP) {
        script->starts = true; /* with the button held, where the lowest bit says so: it must mean nothing */
        press_for(segment, which, (press_t){0, (bytes[2] & 1) != 0 ? LAW_IN_RESET : 0u, tick + press_length(table, bytes[2] >> 1)});
    } else if (event == EVENT_LATE) {
        script->late = true;
    }
}

static void run_segment(script_t *script, const uint8_t *bytes)
{
    segment_t segment = {bytes, 1 + square_of(bytes[AT_TICKS], 3 * script->setup->table->tick_hz), {0}, {{0, 0, 0}, {0, 0, 0}}};
    if ((bytes[AT_MOTION] & 192) != 0 && script->out.state != LAW_RUNNING) {
        start_again(script, (bytes[AT_MOTION] & 192) == 192 ? WITHOUT_RESET : (uint8_t)((bytes[AT_MOTION] & 128) / 2));
    }
    add_fault(script, bytes + AT_FAULT, segment.ticks);
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        segment.from[i] = script->hand[i];
    }
    for (int32_t tick = 0; tick < segment.ticks && !script->ended; tick++) {
        for (int32_t which = 0; which < 2; which++) {
            const uint8_t at = bytes[(which == 0 ? AT_EVENT : AT_EVENT_2) + 1];
            if (tick == segment.ticks * at / 256) {
                do_event(script, &segment, which, tick);
            }
        }
        const uint32_t held = script->digital;
        for (int32_t which = 0; which < 2; which++) {
            if (tick < segment.press[which].until) {
                script->digital = (script->digital & ~segment.press[which].open) | segment.press[which].closed;
            }
        }
        move_hands(script, &segment, tick);
        script_tick(script);
        script->digital = held;
    }
}

void script_run(script_t *script, const uint8_t *genome)
{
    const int32_t count = 1 + (genome[0] & 7);
    script->digital = STOPS | ((genome[0] & 32) != 0 ? (uint32_t)LAW_IN_MODE_FULL : 0u);
    script->digital |= (genome[3] & 16) != 0 ? (uint32_t)LAW_IN_ENABLING : 0u;
    script->noise = (genome[3] & 7) == 7 ? 1 : 0;
    for (int32_t i = 0; i < script->setup->table->joint_count; i++) {
        script->hand[i] = pose_of_arm(script, i);
    }
    if ((genome[0] & 24) != 24) {
        go_with_the_arm(script, script->setup->table->power_up_ticks + 2, false);
        start_again(script, 0);
    }
    for (int32_t i = 0; i < count && !script->ended; i++) {
        const uint8_t *bytes = genome + SEARCH_HEAD_BYTES + i * SEARCH_SEGMENT_BYTES;
        if (bytes[AT_TICKS] != 0) {
            run_segment(script, bytes);
        }
    }
}
