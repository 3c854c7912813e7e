#include "bench.h"
#include "../core/law_parts.h"

#ifndef CORE_SOURCE_DIGEST
#define CORE_SOURCE_DIGEST "unknown"
#endif

const char *bench_source_digest(void)
{
    return CORE_SOURCE_DIGEST;
}

size_t bench_table_bytes(void)
{
    return sizeof(table_t);
}

size_t bench_state_bytes(void)
{
    return sizeof(law_state_t);
}

int32_t bench_assert_line(void)
{
    return (int32_t)core_assert_line();
}

void bench_assert_clear(void)
{
    core_assert_clear();
}

int32_t bench_table(const uint8_t *bytes, size_t byte_count, void *table, int32_t fault[2])
{
    const table_fault_t found = table_parse(bytes, byte_count, table);
    fault[0] = found.section;
    fault[1] = found.field;
    return (int32_t)found.result;
}

int32_t bench_joint_count(const void *table)
{
    const table_t *live = table;
    return live->joint_count;
}

int32_t bench_coupled_count(const void *table)
{
    const table_t *live = table;
    return live->coupled_count;
}

void bench_start(void *state)
{
    law_start(state);
}

void bench_read_in(const int32_t *ints, law_in_t *in)
{
    in->elapsed_us = (uint32_t)ints[0];
    in->digital = (uint32_t)ints[1];
    for (int32_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        in->counts[i] = (uint16_t)core_clamp(ints[2 + i], 0, 65535);
    }
}

void bench_write_out(const law_out_t *out, int32_t *ints)
{
    ints[0] = (int32_t)out->state;
    ints[1] = (int32_t)out->cause;
    ints[2] = (int32_t)out->cause_joint;
    ints[3] = (int32_t)out->mode;
    ints[4] = (int32_t)out->enable;
    ints[5] = out->authority_q16;
    ints[6] = out->share_q16;
    ints[7] = (int32_t)out->waits_for;
    ints[8] = (int32_t)out->waits_joint;
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        const law_joint_out_t *joint = &out->joint[i];
        int32_t *to = ints + BENCH_OUT_HEAD + BENCH_OUT_JOINT * i;
        to[0] = joint->target;
        to[1] = joint->position_mdeg;
        to[2] = joint->wanted_mdeg_s;
        to[3] = joint->speed_mdeg_s;
        to[4] = joint->flow_e4;
        to[5] = joint->drive_e4;
        to[6] = (int32_t)joint->flags;
    }
}

void bench_run(const void *table, void *state, const int32_t *in, int32_t *out, int64_t ticks)
{
    law_in_t tick_in;
    law_out_t tick_out;
    for (int64_t i = 0; i < ticks; i++) {
        bench_read_in(in + i * BENCH_IN_INTS, &tick_in);
        law_step(table, state, &tick_in, &tick_out);
        bench_write_out(&tick_out, out + i * BENCH_OUT_INTS);
    }
}

static const table_joint_t *joint_of(const void *table, int32_t joint)
{
    const table_t *live = table;
    return &live->joint[joint];
}

static const curve_t *curve_of(const table_joint_t *joint, int32_t curve)
{
    const curve_t *const all[] = {
        &joint->operator_sensor.track[0].curve, &joint->operator_sensor.track[1].curve,
        &joint->position_sensor.track[0].curve, &joint->position_sensor.track[1].curve,
        &joint->response,
        &joint->brake[TABLE_POSITIVE], &joint->brake[TABLE_NEGATIVE],
        &joint->flow_per_speed_q16[TABLE_POSITIVE], &joint->flow_per_speed_q16[TABLE_NEGATIVE],
        &joint->valve[TABLE_POSITIVE], &joint->valve[TABLE_NEGATIVE],
    };
    return all[curve];
}

void bench_curve(const void *table, int32_t joint, int32_t curve, const int32_t *x, int32_t *y, int64_t count)
{
    const curve_t *const chosen = curve_of(joint_of(table, joint), curve);
    for (int64_t i = 0; i < count; i++) {
        y[i] = curve_at(chosen, x[i]);
    }
}

void bench_valve(const void *table, int32_t joint, int32_t direction, const int32_t *flow, int32_t *drive, int64_t count)
{
    for (int64_t i = 0; i < count; i++) {
        drive[i] = valve_drive_e4(joint_of(table, joint), direction, flow[i]);
    }
}

void bench_target_speed(const void *table, int32_t joint, int32_t mode, const int32_t *value, const int32_t *operator_speed,
                        int32_t *speed, int64_t count)
{
    const table_joint_t *const chosen = joint_of(table, joint);
    law_joint_state_t state = {0};
    uint32_t flags = 0;
    for (int64_t i = 0; i < count; i++) {
        state.target = value[i]; /* position 0: the target is the error */
        state.operator_speed_mdeg_s = operator_speed[i];
        speed[i] = demand_speed(chosen, &state, (uint32_t)mode, &flags);
    }
}

void bench_share(const void *table, int32_t joint, const int32_t *demand, int32_t *share, int32_t *at_rest, int64_t count)
{
    for (int64_t i = 0; i < count; i++) {
        bool rest = false;
        share[i] = demand_share(joint_of(table, joint), demand[i], &rest);
        at_rest[i] = rest ? 1 : 0;
    }
}

void bench_limit(const void *table, int32_t joint, int32_t mode, const int32_t *speed, const int32_t *position, int32_t *limited,
                 int64_t count)
{
    law_joint_state_t state = {0};
    uint32_t flags = 0;
    for (int64_t i = 0; i < count; i++) {
        state.position_sensor.value = position[i];
        state.position_sensor.larger = position[i];
        state.position_sensor.smaller = position[i];
        motion_look_t look = {0, 0, 0};
        motion_look(joint_of(table, joint), &state, speed[i], &look);
        limited[i] = motion_limit(joint_of(table, joint), &look, (uint32_t)mode, speed[i], &flags);
    }
}

void bench_ramp(const void *table, int32_t joint, int32_t stopping, const int32_t *w, const int32_t *t, int32_t *result, int64_t count)
{
    const table_joint_t *const chosen = joint_of(table, joint);
    const int32_t decelerate = stopping != 0 ? chosen->stop_mdeg_s : chosen->decelerate_mdeg_s;
    law_joint_state_t state = {0};
    state.zero_ticks = 65535u;
    for (int64_t i = 0; i < count; i++) {
        state.speed_mdeg_s = w[i];
        result[i] = motion_ramp(chosen, &state, decelerate, t[i]);
    }
}

void bench_flow(const void *table, int32_t joint, const int32_t *speed, const int32_t *position, int32_t *flow, int32_t *clamped,
                int64_t count)
{
    law_joint_state_t state = {0};
    for (int64_t i = 0; i < count; i++) {
        uint32_t flags = 0;
        motion_look_t look = {0, 0, 0};
        clamped[i] = speed[i];
        state.position_sensor.value = position[i];
        motion_look(joint_of(table, joint), &state, speed[i], &look);
        flow[i] = motion_flow_e4(joint_of(table, joint), &look, &clamped[i], &flags);
    }
}

static const table_coupled_t *stop_of(const void *table, int32_t stop)
{
    const table_t *live = table;
    return &live->coupled[stop];
}

void bench_coupled_brake(const void *table, int32_t stop, const int32_t *room, int32_t *cap, int64_t count)
{
    for (int64_t i = 0; i < count; i++) {
        cap[i] = curve_at(&stop_of(table, stop)->brake, room[i]);
    }
}

void bench_coupled(const void *table, int32_t stop, const int32_t *position_a, const int32_t *position_b, const int32_t *speed_a,
                   const int32_t *speed_b, int32_t *lowered_a, int32_t *lowered_b, int64_t count)
{
    const table_coupled_t *const chosen = stop_of(table, stop);
    law_state_t state = {0};
    law_sensor_state_t *const a = &state.joint[chosen->joint[0]].position_sensor;
    law_sensor_state_t *const b = &state.joint[chosen->joint[1]].position_sensor;
    for (int64_t i = 0; i < count; i++) {
        int32_t speed[2] = {speed_a[i], speed_b[i]};
        a->value = a->larger = a->smaller = position_a[i];
        b->value = b->larger = b->smaller = position_b[i];
        (void)coupled_lower(chosen, &state, speed);
        lowered_a[i] = speed[0];
        lowered_b[i] = speed[1];
    }
}

void bench_tip(const void *table, int32_t hold, const int32_t *before, const int32_t *speed, int32_t *lowered, int64_t count)
{
    const table_t *const live = table;
    law_state_t state = {0};
    law_out_t out = {0};
    state.mode = TABLE_REDUCED;
    for (int64_t row = 0; row < count; row++) {
        int32_t *const own = lowered + row * live->joint_count;
        for (int32_t i = 0; i < live->joint_count; i++) {
            own[i] = speed[row * live->joint_count + i];
            state.joint[i].speed_mdeg_s = before[row * live->joint_count + i];
        }
        if (hold != 0) {
            tip_hold(live, &state, own, &out);
        } else {
            tip_scale(live, state.mode, own, &out);
        }
    }
}
