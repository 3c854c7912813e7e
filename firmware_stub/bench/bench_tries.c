#include "bench_tries.h"

#include "../core/law_parts.h"

#include <string.h>

size_t bench_tries_bytes(void)
{
    return sizeof(bench_tries_t);
}

size_t bench_joint_offset(void)
{
    return offsetof(law_state_t, joint);
}

size_t bench_joint_bytes(void)
{
    return sizeof(law_joint_state_t);
}

/* The joint as it is after a tick that has left it at this speed. */
static void put_speed(const table_joint_t *joint, int32_t speed_mdeg_s, law_joint_state_t *own)
{
    uint32_t flags = 0;
    int32_t kept = speed_mdeg_s;
    own->speed_mdeg_s = speed_mdeg_s;
    motion_look_t look = {0, 0, 0};
    motion_look(joint, own, speed_mdeg_s, &look);
    own->flow_e4 = motion_flow_e4(joint, &look, &kept, &flags);
    own->drive_e4 = valve_drive_e4(joint, kept, own->flow_e4);
    if (speed_mdeg_s != 0) {
        own->last_direction = speed_mdeg_s > 0 ? 1 : -1;
        own->zero_ticks = 0;
    }
}

static void forget(law_joint_state_t *own)
{
    for (int32_t track = 0; track < 2; track++) {
        own->operator_sensor.track[track].primed = false;
        own->position_sensor.track[track].primed = false;
    }
    own->filter_started = false;
}

void bench_tries(const bench_tries_t *job)
{
    const table_t *const table = job->table;
    const int64_t joints = table->joint_count;
    law_state_t start, state;
    law_in_t in;
    law_out_t out;
    const size_t used_bytes = sizeof state - sizeof state.joint[0] * (size_t)(TABLE_JOINTS_MAX - joints); /* joints come last */
    memcpy(&start, job->state, sizeof start);
    state = start;
    for (int64_t i = 0; i < job->count; i++) {
        memcpy(&state, &start, used_bytes);
        bench_read_in(job->rows + i % job->row_count * BENCH_IN_INTS, &in);
        const int32_t *const speeds = job->speeds + i % job->speed_count * joints;
        for (int64_t k = 0; k < joints; k++) {
            put_speed(&table->joint[k], speeds[k], &state.joint[k]);
            if (job->fresh != 0) {
                forget(&state.joint[k]);
            }
        }
        law_step(table, &state, &in, &out);
        for (int64_t k = 0; k < joints; k++) {
            int32_t *const to = job->after + (i * joints + k) * BENCH_TRIES_OUT;
            to[0] = out.joint[k].wanted_mdeg_s;
            to[1] = out.joint[k].speed_mdeg_s;
            to[2] = out.joint[k].flow_e4;
            to[3] = out.joint[k].drive_e4;
        }
        job->state_at[i] = (int32_t)out.state + (out.enable != 0 ? 256 : 0);
    }
}

static void hold_counts(const table_joint_t *joint, const int32_t *counts, int32_t ticks, law_sensor_state_t *sensor)
{
    const table_sensor_t *const own = &joint->position_sensor;
    uint16_t inputs[TABLE_INPUTS_MAX] = {0};
    for (int32_t track = 0; track < own->track_count; track++) {
        inputs[own->track[track].input] = (uint16_t)core_clamp(counts[track], 0, 65535);
    }
    for (int32_t tick = 0; tick < ticks; tick++) {
        sense_step(own, joint->continuous != 0, inputs, sensor);
    }
}

void bench_sense(const void *table, int32_t joint, int32_t ticks, const int32_t *first, const int32_t *then, int32_t *out,
                 int64_t count)
{
    const table_t *const live = table;
    const table_joint_t *const chosen = &live->joint[joint];
    for (int64_t i = 0; i < count; i++) {
        law_joint_state_t state = {0};
        law_sensor_state_t *const sensor = &state.position_sensor;
        uint32_t flags = 0;
        hold_counts(chosen, first + 2 * i, 3, sensor);
        hold_counts(chosen, then + 2 * i, ticks, sensor);
        int32_t *const to = out + i * BENCH_SENSE_OUT;
        to[0] = sensor->value;
        to[1] = sensor->larger;
        to[2] = sensor->smaller;
        to[3] = sense_counts_bad(&chosen->position_sensor, sensor) || sense_disagrees(&chosen->position_sensor, sensor) ? 1 : 0;
        for (int32_t side = TABLE_POSITIVE; side < TABLE_DIRECTIONS; side++) {
            const int32_t full = chosen->speed_mdeg_s[TABLE_FULL_SPEED][side] * (side == TABLE_POSITIVE ? 1 : -1);
            motion_look_t look = {0, 0, 0};
            motion_look(chosen, &state, full, &look);
            to[4 + side] = core_magnitude(motion_soft_stop(&look, full, &flags));
        }
    }
}
