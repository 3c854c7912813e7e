/* One tick of the law from any state inside its invariant, with any table and any inputs; CONTROL is 0 (follow) or 1 (speed control).
 * JOINTS is how many joints: with a fixed number Eva can tell that what is read was written. curve_at is taken as its contract has it. */
#include "any_table.h"
#include "law.h"

#ifndef CONTROL
#define CONTROL 0
#endif
#ifndef JOINTS
#define JOINTS TABLE_JOINTS_MAX
#endif
#define ANGLE TABLE_ANGLE_MAX_MDEG
#define LEVER (CONTROL == 0 ? TABLE_ANGLE_MAX_MDEG : TABLE_FULL_E4)

static table_t table;
static law_state_t state;
static law_in_t in;
static law_out_t out;

static bool any_bool(void)
{
    return Frama_C_nondet(0, 1) != 0;
}

static void any_track(law_track_state_t *track, int32_t most)
{
    track->older_value = Frama_C_int_interval(-most, most);
    track->older[0] = Frama_C_unsigned_short_interval(0, 65534);
    track->older[1] = Frama_C_unsigned_short_interval(0, 65534);
    track->primed = any_bool();
    track->last_value = Frama_C_int_interval(-most, most);
    track->value = Frama_C_int_interval(-most, most);
    track->bad = Frama_C_unsigned_int_interval(0, 1000);
    track->good = Frama_C_unsigned_int_interval(0, 65535);
}

static void any_sensor_state(law_sensor_state_t *sensor, int32_t most)
{
    any_track(&sensor->track[0], most);
    any_track(&sensor->track[1], most);
    sensor->disagreement = Frama_C_unsigned_int_interval(0, 1000);
    sensor->value = Frama_C_int_interval(-most, most);
    sensor->larger = Frama_C_int_interval(-most, most);
    sensor->smaller = Frama_C_int_interval(-most, most);
}

static void any_joint_state(law_joint_state_t *joint)
{
    any_sensor_state(&joint->operator_sensor, LEVER);
    any_sensor_state(&joint->position_sensor, ANGLE);
    joint->filter_started = any_bool();
    joint->at_rest = any_bool();
    joint->matched = any_bool();
    joint->filter_q16 = Frama_C_long_long_interval(-(int64_t)LEVER * CORE_Q16, (int64_t)LEVER * CORE_Q16);
    joint->speed_filter_q16 = Frama_C_long_long_interval(-(int64_t)2000 * ANGLE * CORE_Q16, (int64_t)2000 * ANGLE * CORE_Q16);
    joint->demand = Frama_C_int_interval(-LEVER, LEVER);
    joint->target = Frama_C_int_interval(-LEVER, LEVER);
    joint->operator_speed_mdeg_s = Frama_C_int_interval(-2000 * ANGLE, 2000 * ANGLE);
    joint->speed_mdeg_s = Frama_C_int_interval(-TABLE_SPEED_MAX_MDEG_S, TABLE_SPEED_MAX_MDEG_S);
    joint->last_direction = Frama_C_int_interval(-1, 1);
    joint->zero_ticks = Frama_C_unsigned_int_interval(0, 65535);
    joint->flow_e4 = Frama_C_int_interval(0, TABLE_FULL_E4);
    joint->drive_e4 = Frama_C_int_interval(-TABLE_FULL_E4, TABLE_FULL_E4);
    joint->quiet_ticks = Frama_C_unsigned_int_interval(0, 65535);
    joint->busy_ticks = Frama_C_unsigned_int_interval(0, 65535);
    joint->quiet_anchor_mdeg = Frama_C_int_interval(-ANGLE, ANGLE);
    joint->busy_anchor_mdeg = Frama_C_int_interval(-ANGLE, ANGLE);
}

static void any_state(void)
{
    state.state = Frama_C_unsigned_int_interval(0, LAW_STATES - 1);
    state.cause = Frama_C_unsigned_int_interval(0, LAW_CAUSES - 1);
    state.cause_joint = Frama_C_unsigned_int_interval(0, LAW_NO_JOINT);
    state.mode = Frama_C_unsigned_int_interval(0, 1);
    state.permit = any_bool();
    state.seen_released = any_bool();
    state.both_must_open = any_bool();
    state.discrepancy = Frama_C_unsigned_int_interval(0, 60000);
    state.press_ticks = Frama_C_unsigned_int_interval(0, 65535);
    state.state_ticks = Frama_C_unsigned_int_interval(0, 65535);
    state.match_ticks = Frama_C_unsigned_int_interval(0, 65535);
    state.authority_q16 = Frama_C_int_interval(0, CORE_Q16);
    /*@ loop unroll TABLE_JOINTS_MAX; */
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        any_joint_state(&state.joint[i]);
    }
}

int main(void)
{
    any_table(&table, CONTROL);
    table.joint_count = JOINTS;
    if (JOINTS == 1) {
        table.coupled_count = 0; /* a coupled stop has two joints of the table */
    }
    any_state();
    in.elapsed_us = Frama_C_unsigned_int_interval(0, UINT32_MAX);
    in.digital = Frama_C_unsigned_int_interval(0, UINT32_MAX);
    /*@ loop unroll TABLE_INPUTS_MAX; */
    for (int32_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        in.counts[i] = Frama_C_unsigned_short_interval(0, 65535);
    }
    law_step(&table, &state, &in, &out);
    return 0;
}
