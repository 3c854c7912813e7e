/* Tip speed in the reduced mode: the speeds of all joints, each times the reach beyond it, add up to the table's limit at most
 * (rules L6f and L7g).
 *
 * INV-TIP-1  A step only lowers magnitudes; it turns no speed round and starts no joint.
 * INV-TIP-2  In the reduced mode the sum of |speed| * reach is within the limit, or no larger than in the tick before.
 *
 * Bounds (INV-TABLE-2; |speed| <= 200 000, reach <= 65 535, 16 joints, limit <= 2 000 000 000): the sum <= 2.1e11, and
 * limit * 65536 <= 1.32e14. */
#include "law_parts.h"

/*@ lemma reach_product: \forall integer a, b; 0 <= a <= 200000 && 0 <= b <= 65535 ==> 0 <= a * b <= 200000 * 65535;
    lemma tip_factor: \forall integer a, b; 0 <= a < b ==> 0 <= a * 65536 / b < 65536; */

/*@ requires \valid_read(table) && 0 <= table->tip_mdeg_mm_s && mode < TABLE_MODES;
    assigns \nothing;
    ensures exact: \result <==> mode == TABLE_REDUCED && table->tip_mdeg_mm_s != 0; */
static bool acts(const table_t *table, uint32_t mode)
{
    CORE_ASSERT(mode < TABLE_MODES);
    CORE_ASSERT(table->tip_mdeg_mm_s >= 0);
    return mode == TABLE_REDUCED && table->tip_mdeg_mm_s != 0;
}

int64_t tip_sum(const table_t *table, const int32_t *speed_mdeg_s)
{
    int64_t sum = 0;
    /*@ loop invariant 0 <= i <= table->joint_count && 0 <= sum <= i * (200000 * 65535);
        loop assigns i, sum;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        sum += (int64_t)core_magnitude(speed_mdeg_s[i]) * table->joint[i].reach_mm;
    }
    CORE_ASSERT(sum >= 0);
    return sum;
}

void tip_scale(const table_t *table, uint32_t mode, int32_t *wanted_mdeg_s, law_out_t *out) /* L6f */
{
    if (!acts(table, mode)) {
        return;
    }
    const int64_t sum = tip_sum(table, wanted_mdeg_s);
    if (sum <= table->tip_mdeg_mm_s) {
        return;
    }
    const int64_t factor_q16 = (int64_t)table->tip_mdeg_mm_s * CORE_Q16 / sum;
    CORE_ASSERT(factor_q16 >= 0 && factor_q16 < CORE_Q16);
    /*@ loop invariant 0 <= i <= table->joint_count && speeds_sound(wanted_mdeg_s, table->joint_count);
        loop invariant \forall integer k; 0 <= k < table->joint_count ==> lowers(wanted_mdeg_s[k], \at(wanted_mdeg_s[k], Pre));
        loop assigns i, wanted_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        if (table->joint[i].reach_mm > 0 && wanted_mdeg_s[i] != 0) {
            const int32_t less = core_scale_q16(core_magnitude(wanted_mdeg_s[i]), (int32_t)factor_q16);
            wanted_mdeg_s[i] = core_with_sign(less, wanted_mdeg_s[i]);
            out->joint[i].flags |= LAW_FLAG_TIP;
        }
    }
    CORE_ASSERT(tip_sum(table, wanted_mdeg_s) <= table->tip_mdeg_mm_s);
}

void tip_hold(const table_t *table, const law_state_t *state, int32_t *speed_mdeg_s, law_out_t *out) /* L7g */
{
    if (!acts(table, state->mode) || tip_sum(table, speed_mdeg_s) <= table->tip_mdeg_mm_s) {
        return;
    }
    /*@ loop invariant 0 <= i <= table->joint_count && speeds_sound(speed_mdeg_s, table->joint_count);
        loop invariant \forall integer k; 0 <= k < table->joint_count ==> lowers(speed_mdeg_s[k], \at(speed_mdeg_s[k], Pre));
        loop assigns i, speed_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        const int32_t before = core_magnitude(state->joint[i].speed_mdeg_s);
        if (table->joint[i].reach_mm > 0 && core_magnitude(speed_mdeg_s[i]) > before) {
            speed_mdeg_s[i] = core_with_sign(before, speed_mdeg_s[i]);
            out->joint[i].flags |= LAW_FLAG_TIP;
        }
        CORE_ASSERT(table->joint[i].reach_mm == 0 || core_magnitude(speed_mdeg_s[i]) <= before); /* INV-TIP-2 */
    }
}
