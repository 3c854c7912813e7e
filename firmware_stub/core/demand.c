#include "law_parts.h"

/* One step of a low-pass with 16 fractional state bits (L4a, L4b). |input_q16| <= 720000 * 1000 * 65536 < 2^46, so the
 * product with a coefficient of at most 2^16 stays inside 64 bits (INV-TABLE-2). */
static int64_t low_pass(int64_t state_q16, int64_t input_q16, int32_t coefficient_q16)
{
    CORE_ASSERT(coefficient_q16 >= 1 && coefficient_q16 <= CORE_Q16);
    return state_q16 + (int64_t)coefficient_q16 * (input_q16 - state_q16) / CORE_Q16;
}

static bool is_primed(const table_sensor_t *sensor, const law_sensor_state_t *state)
{
    return state->track[0].primed && (sensor->track_count == 1 || state->track[1].primed);
}

int32_t demand_share(const table_joint_t *joint, int32_t demand, bool *at_rest) /* L4c */
{
    const int32_t lever = core_clamp(demand, -TABLE_FULL_E4, TABLE_FULL_E4);
    CORE_ASSERT(joint->deadband >= 0 && joint->deadband < TABLE_FULL_E4);
    const int32_t beyond = core_magnitude(lever) - joint->deadband;
    *at_rest = beyond <= 0;
    if (*at_rest) {
        return 0;
    }
    const int32_t stretched = core_scale_q16(beyond, joint->deadband_scale_q16);
    const int32_t lever_past_rest = stretched < TABLE_FULL_E4 ? stretched : TABLE_FULL_E4;
    return curve_at(&joint->response, lever > 0 ? lever_past_rest : -lever_past_rest);
}

static void follow_target(const table_t *table, const table_joint_t *joint, bool first, law_joint_state_t *state) /* L4b */
{
    const bool continuous = joint->continuous != 0;
    int32_t target = curve_at(&joint->response, state->demand);
    if (continuous) {
        target = angle_wrap(target);
    }
    if (first) {
        state->speed_filter_q16 = 0;
    } else {
        const int64_t step = angle_difference(continuous, target, state->target);
        state->speed_filter_q16 =
            low_pass(state->speed_filter_q16, step * table->tick_hz * CORE_Q16, joint->speed_filter_q16);
    }
    state->target = target;
    state->operator_speed_mdeg_s = core_whole_q16(state->speed_filter_q16);
}

static void no_demand(law_joint_state_t *state)
{
    state->filter_started = false;
    state->at_rest = false;
    state->matched = false;
    state->demand = 0;
    state->target = 0;
    state->operator_speed_mdeg_s = 0;
}

void demand_step(const table_t *table, int32_t index, law_joint_state_t *state)
{
    CORE_ASSERT(index >= 0 && index < table->joint_count);
    const table_joint_t *joint = &table->joint[index];
    if (!is_primed(&joint->operator_sensor, &state->operator_sensor)) {
        no_demand(state);
        return;
    }
    const bool first = !state->filter_started;
    state->filter_started = true;
    const int64_t value_q16 = (int64_t)state->operator_sensor.value * CORE_Q16;
    state->filter_q16 = first ? value_q16 : low_pass(state->filter_q16, value_q16, joint->filter_q16);
    state->demand = core_whole_q16(state->filter_q16);
    if (joint->control == TABLE_FOLLOW) {
        follow_target(table, joint, first, state);
        const int32_t gap =
            angle_difference(joint->continuous != 0, state->target, state->position_sensor.value);
        state->matched = core_magnitude(gap) <= joint->match_window_mdeg;
    } else {
        state->target = demand_share(joint, state->demand, &state->at_rest);
        state->matched = state->at_rest;
    }
}

static int32_t follow_speed(const table_joint_t *joint, const law_joint_state_t *state, uint32_t mode, uint32_t *flags) /* L5a */
{
    const int32_t error =
        angle_difference(joint->continuous != 0, state->target, state->position_sensor.value);
    const int32_t most = joint->speed_mdeg_s[mode][TABLE_POSITIVE];
    const int32_t least = -joint->speed_mdeg_s[mode][TABLE_NEGATIVE];
    CORE_ASSERT(least < 0 && most > 0);
    if (core_magnitude(error) <= joint->deadband &&
        core_magnitude(state->operator_speed_mdeg_s) <= joint->speed_deadband_mdeg_s) {
        return 0;
    }
    if (joint->gap_mdeg > 0 && core_magnitude(error) > joint->gap_mdeg) {
        *flags |= LAW_FLAG_HELD;
        return 0;
    }
    const int32_t proportional = core_scale_q16(error, joint->gain_q16);
    if (proportional >= most || proportional <= least) {
        return proportional;
    }
    const int32_t forward = core_scale_q16(state->operator_speed_mdeg_s, joint->feed_q16);
    return proportional + core_clamp(forward, least, most); /* two speeds of the table's at most: far from 32 bits */
}

int32_t demand_speed(const table_joint_t *joint, const law_joint_state_t *state, uint32_t mode, uint32_t *flags)
{
    CORE_ASSERT(mode < TABLE_MODES);
    if (joint->control == TABLE_FOLLOW) {
        return follow_speed(joint, state, mode, flags);
    }
    CORE_ASSERT(core_magnitude(state->target) <= TABLE_FULL_E4);
    const int32_t share = state->target; /* L5b; 10000 * 200000 fits 31 bits */
    return share * joint->speed_mdeg_s[mode][share > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE] / TABLE_FULL_E4;
}
