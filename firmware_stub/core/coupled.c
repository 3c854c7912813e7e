/* Coupled stops: a limit on the weighted sum of two joints' positions, braked like a soft stop (rules L6c and L7f).
 *
 * INV-COUPLED-1  A step only lowers magnitudes; it turns no speed round and starts no joint.
 * INV-COUPLED-2  After it the speeds that close the stop add up to its cap at most, whatever the rounding.
 *
 * Bounds (INV-TABLE-2; |position| <= 360 000, |weight| <= 10 000, |speed| <= 200 000, |limit| <= 7 200 000, cap <= 2 000 000):
 * room in thousandths 7.2e9 + 2 * 3.6e9 = 1.44e10, so the room <= 1.44e7 fits 32 bits; closing of a joint 2.0e9, of both 4.0e9;
 * cap * 1000 * 65536 <= 1.32e17; the curve's product (x - x[i]) * slope <= 7.2e6 * 2^31 < 1.55e16. */
#include "law_parts.h"

#define THOUSAND 1000

/*@ lemma pull_fits: \forall integer a, b; -10000 <= a <= 10000 && -360000 <= b <= 360000 ==> -3600000000 <= a * b <= 3600000000;
    lemma closing_fits: \forall integer a, b; -10000 <= a <= 10000 && -200000 <= b <= 200000 ==> -2000000000 <= a * b <= 2000000000;
    lemma coupled_factor: \forall integer a, b; 0 <= a < b ==> 0 <= a * 65536 / b < 65536; */

/*@ requires \valid_read(stop) && \valid_read(state) && 0 <= side < 2 && 0 <= stop->joint[side] < TABLE_JOINTS_MAX;
    assigns \nothing;
    ensures exact: \result == &state->joint[stop->joint[side]]; */
static const law_joint_state_t *joint_of(const table_coupled_t *stop, const law_state_t *state, int32_t side)
{
    CORE_ASSERT(stop->joint[side] >= 0 && stop->joint[side] < TABLE_JOINTS_MAX);
    return &state->joint[stop->joint[side]];
}

/*@ requires \valid_read(stop) && \valid_read(state) && 0 <= side < 2 && coupled_sound(stop) && positions_sound(state);
    assigns \nothing;
    ensures range: -3600000000 <= \result <= 3600000000; */
/* Weight times position, with the track that lies nearer to the stop. */
static int64_t pull_of(const table_coupled_t *stop, const law_state_t *state, int32_t side)
{
    const law_sensor_state_t *sensor = &joint_of(stop, state, side)->position_sensor;
    const int32_t weight = stop->weight_e3[side];
    CORE_ASSERT(weight != 0);
    /*@ assert seen: position_sound(&state->joint[stop->joint[side]]) && sensor == &state->joint[stop->joint[side]].position_sensor; */
    /*@ assert bounds: -360000 <= sensor->smaller <= sensor->larger <= 360000 && -10000 <= weight <= 10000; */
    return (int64_t)weight * (weight > 0 ? sensor->larger : sensor->smaller);
}

int32_t coupled_cap(const table_coupled_t *stop, const law_state_t *state)
{
    const int64_t room_e3 = (int64_t)stop->limit_mdeg * THOUSAND - pull_of(stop, state, 0) - pull_of(stop, state, 1);
    if (room_e3 < THOUSAND) { /* the room, rounded down, is 0 or less */
        return 0;
    }
    const int32_t cap = curve_at(&stop->brake, core_narrow(room_e3 / THOUSAND));
    CORE_ASSERT(cap >= 0 && cap <= TABLE_COUPLED_SPEED_MAX_MDEG_S);
    return cap;
}

/*@ requires \valid_read(stop) && 0 <= side < 2 && -10000 <= stop->weight_e3[side] <= 10000 && speed_sound(speed_mdeg_s);
    assigns \nothing;
    ensures range: 0 <= \result <= 2000000000;
    ensures exact: \result == \max(0, stop->weight_e3[side] * speed_mdeg_s); */
/* In thousandths of mdeg/s; 0 for a joint that moves away or stands. */
static int64_t closing_of(const table_coupled_t *stop, int32_t side, int32_t speed_mdeg_s)
{
    const int64_t closing = (int64_t)stop->weight_e3[side] * speed_mdeg_s;
    return closing > 0 ? closing : 0;
}

uint32_t coupled_lower(const table_coupled_t *stop, const law_state_t *state, int32_t speed_mdeg_s[2])
{
    const int64_t closing[2] = {closing_of(stop, 0, speed_mdeg_s[0]), closing_of(stop, 1, speed_mdeg_s[1])};
    const int64_t sum = closing[0] + closing[1];
    if (sum == 0) {
        return 0;
    }
    const int64_t cap_e3 = (int64_t)coupled_cap(stop, state) * THOUSAND;
    if (sum <= cap_e3) {
        return 0;
    }
    const int64_t factor_q16 = cap_e3 * CORE_Q16 / sum;
    CORE_ASSERT(factor_q16 >= 0 && factor_q16 < CORE_Q16);
    uint32_t lowered = 0;
    /*@ loop invariant 0 <= side <= 2 && (lowered == 0 ==> \forall integer k; 0 <= k < side ==> closing[k] == 0);
        loop invariant \forall integer k; 0 <= k < 2 ==> lowers(speed_mdeg_s[k], \at(speed_mdeg_s[k], Pre));
        loop assigns side, lowered, speed_mdeg_s[0 .. 1];
        loop variant 2 - side; */
    for (int32_t side = 0; side < 2; side++) {
        if (closing[side] > 0) {
            const int32_t less = core_scale_q16(core_magnitude(speed_mdeg_s[side]), (int32_t)factor_q16);
            speed_mdeg_s[side] = core_with_sign(less, speed_mdeg_s[side]);
            lowered |= 1u << side;
        }
    }
    CORE_ASSERT(lowered != 0);
    CORE_ASSERT(closing_of(stop, 0, speed_mdeg_s[0]) + closing_of(stop, 1, speed_mdeg_s[1]) <= cap_e3); /* INV-COUPLED-2 */
    return lowered;
}

void coupled_step(const table_t *table, const law_state_t *state, int32_t *speed_mdeg_s, law_out_t *out)
{
    CORE_ASSERT(table->coupled_count >= 0 && table->coupled_count <= TABLE_COUPLED_MAX);
    /*@ loop invariant 0 <= i <= table->coupled_count && speeds_sound(speed_mdeg_s, TABLE_JOINTS_MAX);
        loop invariant \forall integer k; 0 <= k < TABLE_JOINTS_MAX ==> lowers(speed_mdeg_s[k], \at(speed_mdeg_s[k], Pre));
        loop assigns i, speed_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
        loop variant table->coupled_count - i; */
    for (int32_t i = 0; i < table->coupled_count; i++) {
        const table_coupled_t *stop = &table->coupled[i];
        int32_t pair[2] = {speed_mdeg_s[stop->joint[0]], speed_mdeg_s[stop->joint[1]]};
        const uint32_t lowered = coupled_lower(stop, state, pair);
        /*@ loop invariant 0 <= side <= 2 && speeds_sound(speed_mdeg_s, TABLE_JOINTS_MAX);
            loop invariant \forall integer k; 0 <= k < TABLE_JOINTS_MAX ==> lowers(speed_mdeg_s[k], \at(speed_mdeg_s[k], LoopEntry));
            loop invariant \forall integer k; side <= k < 2 ==>
                speed_mdeg_s[stop->joint[k]] == \at(speed_mdeg_s[stop->joint[k]], LoopEntry);
            loop assigns side, speed_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
            loop variant 2 - side; */
        for (int32_t side = 0; side < 2; side++) {
            if ((lowered & (1u << side)) != 0) {
                speed_mdeg_s[stop->joint[side]] = pair[side];
                out->joint[stop->joint[side]].flags |= LAW_FLAG_BRAKED;
            }
        }
    }
}
