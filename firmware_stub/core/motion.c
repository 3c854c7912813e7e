#include "law_parts.h"

static int32_t direction_of(int32_t speed_mdeg_s)
{
    return speed_mdeg_s > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
}

int32_t motion_soft_stop(const table_joint_t *joint, const law_joint_state_t *state, int32_t speed_mdeg_s, bool *lowered) /* L6b */
{
    *lowered = false;
    if (joint->continuous != 0 || speed_mdeg_s == 0) {
        return speed_mdeg_s;
    }
    const int32_t direction = direction_of(speed_mdeg_s);
    const int32_t room = direction == TABLE_POSITIVE
                             ? joint->soft_stop_mdeg[TABLE_POSITIVE] - state->position_sensor.larger
                             : state->position_sensor.smaller - joint->soft_stop_mdeg[TABLE_NEGATIVE];
    const int32_t cap = room <= 0 ? 0 : curve_at(&joint->brake[direction], room);
    CORE_ASSERT(cap >= 0);
    if (core_magnitude(speed_mdeg_s) <= cap) {
        return speed_mdeg_s;
    }
    *lowered = true;
    CORE_ASSERT(cap < core_magnitude(speed_mdeg_s)); /* a limit only ever lowers */
    return core_with_sign(cap, speed_mdeg_s);
}

int32_t motion_limit(const table_joint_t *joint, const law_joint_state_t *state, uint32_t mode, int32_t wanted_mdeg_s,
                     uint32_t *flags)
{
    CORE_ASSERT(mode < TABLE_MODES);
    const int32_t cap = joint->speed_mdeg_s[mode][direction_of(wanted_mdeg_s)]; /* L6a */
    int32_t wanted = wanted_mdeg_s;
    if (core_magnitude(wanted) > cap) {
        wanted = core_with_sign(cap, wanted);
        *flags |= LAW_FLAG_AT_LIMIT;
    }
    bool braked = false;
    wanted = motion_soft_stop(joint, state, wanted, &braked);
    if (braked) {
        *flags |= LAW_FLAG_BRAKED;
    }
    CORE_ASSERT(core_magnitude(wanted) <= cap);
    return wanted;
}

int32_t motion_authority(int32_t wanted_mdeg_s, int32_t factor_q16) /* L6d, and the scaling of L6e */
{
    CORE_ASSERT(factor_q16 >= 0 && factor_q16 <= CORE_Q16);
    return core_with_sign(core_scale_q16(core_magnitude(wanted_mdeg_s), factor_q16), wanted_mdeg_s);
}

int32_t motion_need_e4(const table_joint_t *joint, int32_t position_mdeg, int32_t wanted_mdeg_s) /* L6e */
{
    if (wanted_mdeg_s == 0) {
        return 0;
    }
    const int32_t k = curve_at(&joint->flow_per_speed_q16[direction_of(wanted_mdeg_s)], position_mdeg);
    CORE_ASSERT(k >= 1);
    return core_narrow(-core_floor_q16(-((int64_t)core_magnitude(wanted_mdeg_s) * k)));
}

int32_t motion_share_q16(const table_t *table, const law_state_t *state, const int32_t *wanted_mdeg_s) /* L6e */
{
    CORE_ASSERT(table->joint_count >= 1 && table->joint_count <= TABLE_JOINTS_MAX);
    const int64_t supply = (int64_t)table->pump_ml_min * TABLE_FULL_E4;
    int64_t sum = 0;
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        const int32_t position = state->joint[i].position_sensor.value;
        sum += (int64_t)motion_need_e4(joint, position, wanted_mdeg_s[i]) * joint->flow_full_ml_min;
    }
    CORE_ASSERT(sum >= 0 && supply > 0);
    if (sum <= supply) {
        return CORE_Q16;
    }
    const int64_t factor = supply * CORE_Q16 / sum;
    CORE_ASSERT(factor >= 0 && factor <= CORE_Q16);
    return (int32_t)factor;
}

static int32_t ramp_up_side(const table_joint_t *joint, int32_t speed, int32_t decelerate, int32_t target) /* L7a, speed > 0 */
{
    CORE_ASSERT(speed > 0 && joint->accelerate_mdeg_s >= 1);
    if (target >= speed) {
        const int32_t faster = speed + joint->accelerate_mdeg_s;
        return target < faster ? target : faster;
    }
    const int32_t slower = speed - decelerate;
    const int32_t floor_speed = target > 0 ? target : 0;
    return slower > floor_speed ? slower : floor_speed;
}

int32_t motion_ramp(const table_joint_t *joint, const law_joint_state_t *state, int32_t decelerate_mdeg_s,
                    int32_t target_mdeg_s)
{
    const int32_t speed = state->speed_mdeg_s;
    CORE_ASSERT(decelerate_mdeg_s >= 1);
    CORE_ASSERT(core_magnitude(speed) <= TABLE_SPEED_MAX_MDEG_S);
    if (speed > 0) {
        return ramp_up_side(joint, speed, decelerate_mdeg_s, target_mdeg_s);
    }
    if (speed < 0) {
        return -ramp_up_side(joint, -speed, decelerate_mdeg_s, -target_mdeg_s);
    }
    const int32_t sign = (target_mdeg_s > 0) - (target_mdeg_s < 0); /* L7b */
    const bool reverses = sign != 0 && state->last_direction != 0 && sign != state->last_direction;
    if (reverses && state->zero_ticks < (uint32_t)joint->reversal_ticks) {
        return 0;
    }
    return core_clamp(target_mdeg_s, -joint->accelerate_mdeg_s, joint->accelerate_mdeg_s);
}

int32_t motion_flow_e4(const table_joint_t *joint, int32_t position_mdeg, int32_t *speed_mdeg_s, bool *clamped) /* L7d */
{
    *clamped = false;
    if (*speed_mdeg_s == 0) {
        return 0;
    }
    const int32_t direction = direction_of(*speed_mdeg_s);
    const int32_t magnitude = core_magnitude(*speed_mdeg_s);
    const int32_t most = joint->flow_max_e4[direction];
    const int32_t k = curve_at(&joint->flow_per_speed_q16[direction], position_mdeg);
    CORE_ASSERT(k >= 1 && most >= 1 && most <= TABLE_FULL_E4);
    const int64_t flow = core_floor_q16((int64_t)magnitude * k);
    if (flow <= most) {
        return (int32_t)flow;
    }
    const int32_t fits = core_narrow((int64_t)most * CORE_Q16 / k);
    CORE_ASSERT(fits >= 0);
    *speed_mdeg_s = core_with_sign(fits < magnitude ? fits : magnitude, *speed_mdeg_s);
    *clamped = true;
    return *speed_mdeg_s == 0 ? 0 : most; /* no direction, no flow */
}

void motion_keep(law_joint_state_t *state, int32_t speed_mdeg_s) /* L7e */
{
    CORE_ASSERT(core_magnitude(speed_mdeg_s) <= TABLE_SPEED_MAX_MDEG_S);
    state->speed_mdeg_s = speed_mdeg_s;
    if (speed_mdeg_s == 0) {
        state->zero_ticks = core_count_up(state->zero_ticks);
        return;
    }
    state->zero_ticks = 0;
    state->last_direction = speed_mdeg_s > 0 ? 1 : -1;
}
