#include "law_parts.h"

/*@ lemma need_fits: \forall integer a, b; 0 <= a <= INT32_MAX && 1 <= b <= 1000000 ==> 0 <= a * b <= INT32_MAX * 1000000;
    lemma need_product: \forall integer a, b; 0 <= a <= INT32_MAX && 1 <= b <= INT32_MAX ==> a <= a * b <= INT32_MAX * INT32_MAX;
    lemma flow_fits: \forall integer a, b; 0 <= a <= 200000 && 1 <= b <= INT32_MAX ==> 0 <= a * b <= 200000 * INT32_MAX;
    lemma shrinks: \forall integer a, b; 0 <= a && 0 <= b <= 65536 ==> 0 <= a * b / 65536 <= a;
    lemma part_of_q16: \forall integer a, b; 0 <= a < b ==> 0 <= a * 65536 / b <= 65536; */

/*@ assigns \nothing;
    ensures exact: \result == direction_of_speed(speed_mdeg_s); */
static int32_t direction_of(int32_t speed_mdeg_s)
{
    return speed_mdeg_s > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
}

/*@ requires \valid_read(brake) && brake_sound(brake, TABLE_SPEED_MAX_MDEG_S);
    assigns \nothing;
    ensures range: 0 <= \result <= TABLE_SPEED_MAX_MDEG_S;
    ensures none: room_mdeg <= 0 ==> \result == 0; */
static int32_t cap_of(const curve_t *brake, int32_t room_mdeg)
{
    const int32_t cap = room_mdeg <= 0 ? 0 : curve_at(brake, room_mdeg);
    CORE_ASSERT(cap >= 0);
    return cap;
}

void motion_look(const table_joint_t *joint, const law_joint_state_t *state, int32_t speed_mdeg_s, motion_look_t *look)
{
    const int32_t sign = speed_mdeg_s > 0 ? 1 : -1;
    if (speed_mdeg_s == 0 || look->sign == sign) {
        return;
    }
    look->sign = sign;
    /*@ assert kept: joint_sound(joint) && position_sound(state); */
    const law_sensor_state_t *sensor = &state->position_sensor;
    const int32_t direction = direction_of(speed_mdeg_s);
    if (joint->continuous != 0) {
        look->cap_mdeg_s = TABLE_SPEED_MAX_MDEG_S;
    } else {
        const int32_t room = sign > 0 ? joint->soft_stop_mdeg[TABLE_POSITIVE] - sensor->larger
                                      : sensor->smaller - joint->soft_stop_mdeg[TABLE_NEGATIVE];
        look->cap_mdeg_s = cap_of(&joint->brake[direction], room);
    }
    look->flow_per_speed_q16 = curve_at(&joint->flow_per_speed_q16[direction], sensor->value);
    CORE_ASSERT(look->flow_per_speed_q16 >= 1);
}

/*@ admit lemma same_sign: \forall integer a, b; (a == 1 && 0 < b <= INT32_MAX) || (a == -1 && INT32_MIN <= b < 0) ==> (a ^ b) >= 0; */
/*@ requires \valid_read(look) && look_fits(look, speed_mdeg_s);
    assigns \nothing;
    ensures holds: \result == \true; */
/* A look holds for one direction: the xor of two signs that differ is below 0. (Where nothing was looked up the cap is 0.) */
static bool holds_for(const motion_look_t *look, int32_t speed_mdeg_s)
{
    return speed_mdeg_s == 0 || (look->sign ^ speed_mdeg_s) >= 0;
}

int32_t motion_soft_stop(const motion_look_t *look, int32_t speed_mdeg_s, uint32_t *flags) /* L6b */
{
    const int32_t cap = look->cap_mdeg_s;
    CORE_ASSERT(holds_for(look, speed_mdeg_s));
    if (speed_mdeg_s <= cap && speed_mdeg_s >= -cap) {
        return speed_mdeg_s;
    }
    *flags |= LAW_FLAG_BRAKED;
    return speed_mdeg_s > 0 ? cap : -cap;
}

int32_t motion_limit(const table_joint_t *joint, const motion_look_t *look, uint32_t mode, int32_t wanted_mdeg_s, uint32_t *flags)
{
    CORE_ASSERT(mode < TABLE_MODES);
    const int32_t *speed = joint->speed_mdeg_s[mode];
    const int32_t most = speed[TABLE_POSITIVE];
    const int32_t least = -speed[TABLE_NEGATIVE];
    int32_t wanted = wanted_mdeg_s;
    if (wanted > most || wanted < least) { /* L6a */
        wanted = wanted > 0 ? most : least;
        *flags |= LAW_FLAG_AT_LIMIT;
    }
    wanted = motion_soft_stop(look, wanted, flags);
    CORE_ASSERT(wanted <= most && wanted >= least);
    return wanted;
}

/* A part of a speed, at most all of it; toward zero. */
int32_t motion_authority(int32_t wanted_mdeg_s, int32_t factor_q16) /* L6d, and the scaling of L6e */
{
    CORE_ASSERT(factor_q16 >= 0 && factor_q16 <= CORE_Q16);
    const uint32_t magnitude = (uint32_t)core_magnitude(wanted_mdeg_s);
    const int32_t part = (int32_t)((uint64_t)magnitude * (uint32_t)factor_q16 / (uint32_t)CORE_Q16);
    return wanted_mdeg_s < 0 ? -part : part;
}

int32_t motion_need_e4(const motion_look_t *look, int32_t wanted_mdeg_s) /* L6e */
{
    if (wanted_mdeg_s == 0) {
        return 0;
    }
    const uint64_t product = (uint64_t)(uint32_t)core_magnitude(wanted_mdeg_s) * (uint32_t)look->flow_per_speed_q16;
    const uint64_t need = (product + (CORE_Q16 - 1)) / (uint32_t)CORE_Q16; /* rounded up */
    return need < INT32_MAX ? (int32_t)need : INT32_MAX;
}

int32_t motion_share_q16(const table_t *table, const motion_look_t *look, const int32_t *wanted_mdeg_s) /* L6e */
{
    CORE_ASSERT(table->joint_count >= 1 && table->joint_count <= TABLE_JOINTS_MAX);
    const int64_t supply = (int64_t)table->pump_ml_min * TABLE_FULL_E4;
    int64_t sum = 0;
    /*@ loop invariant 0 <= i <= table->joint_count && 0 <= sum <= i * (INT32_MAX * 1000000);
        loop assigns i, sum;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        /*@ assert full: 1 <= table->joint[i].flow_full_ml_min <= 1000000; */
        sum += (int64_t)motion_need_e4(&look[i], wanted_mdeg_s[i]) * table->joint[i].flow_full_ml_min;
    }
    CORE_ASSERT(sum >= 0 && supply > 0);
    if (sum <= supply) {
        return CORE_Q16;
    }
    const int64_t factor = supply * CORE_Q16 / sum;
    CORE_ASSERT(factor >= 0 && factor <= CORE_Q16);
    return (int32_t)factor;
}

/*@ requires \valid_read(joint) && 1 <= joint->accelerate_mdeg_s <= TABLE_SPEED_MAX_MDEG_S;
    requires 1 <= speed <= TABLE_SPEED_MAX_MDEG_S && 1 <= decelerate <= TABLE_SPEED_MAX_MDEG_S;
    assigns \nothing;
    ensures faster: target >= speed ==> \result == \min(target, speed + joint->accelerate_mdeg_s);
    ensures slower: target < speed ==> \result == \max(speed - decelerate, \max(target, 0)); */
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
    CORE_ASSERT(speed <= TABLE_SPEED_MAX_MDEG_S && speed >= -TABLE_SPEED_MAX_MDEG_S);
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

int32_t motion_flow_e4(const table_joint_t *joint, const motion_look_t *look, int32_t *speed_mdeg_s, uint32_t *flags) /* L7d */
{
    const int32_t speed = *speed_mdeg_s;
    if (speed == 0) {
        return 0;
    }
    CORE_ASSERT(holds_for(look, speed));
    const int32_t magnitude = core_magnitude(speed);
    const int32_t k = look->flow_per_speed_q16;
    const int32_t most = joint->flow_max_e4[look->sign > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE];
    CORE_ASSERT(most >= 1 && most <= TABLE_FULL_E4);
    const uint64_t flow = (uint64_t)(uint32_t)magnitude * (uint32_t)k / (uint32_t)CORE_Q16;
    if (flow <= (uint32_t)most) {
        return (int32_t)flow;
    }
    const int32_t fits = core_narrow((int64_t)most * CORE_Q16 / k);
    CORE_ASSERT(fits >= 0);
    *speed_mdeg_s = core_with_sign(fits < magnitude ? fits : magnitude, speed);
    *flags |= LAW_FLAG_FLOW;
    return *speed_mdeg_s == 0 ? 0 : most; /* no direction, no flow */
}

void motion_keep(law_joint_state_t *state, int32_t speed_mdeg_s) /* L7e */
{
    CORE_ASSERT(speed_mdeg_s <= TABLE_SPEED_MAX_MDEG_S && speed_mdeg_s >= -TABLE_SPEED_MAX_MDEG_S);
    state->speed_mdeg_s = speed_mdeg_s;
    if (speed_mdeg_s == 0) {
        state->zero_ticks = core_count_up(state->zero_ticks);
        return;
    }
    state->zero_ticks = 0;
    state->last_direction = speed_mdeg_s > 0 ? 1 : -1;
}
