/* Reads one coupled stop of a table. See table_read.h, and the invariants at the top of table.c. */
#include "table_read.h"

static const table_field_t coupled_fields[] = {
    /* 0 */ TABLE_UNSIGNED_FIELD(table_coupled_t, joint[0], 1, 0, TABLE_JOINTS_MAX - 1),
    /* 1 */ TABLE_UNSIGNED_FIELD(table_coupled_t, joint[1], 1, 0, TABLE_JOINTS_MAX - 1),
    /* 2 */ TABLE_SIGNED_FIELD(table_coupled_t, weight_e3[0], 2, -TABLE_COUPLED_WEIGHT_MAX_E3, TABLE_COUPLED_WEIGHT_MAX_E3),
    /* 3 */ TABLE_SIGNED_FIELD(table_coupled_t, weight_e3[1], 2, -TABLE_COUPLED_WEIGHT_MAX_E3, TABLE_COUPLED_WEIGHT_MAX_E3),
    /* 4 */ TABLE_SIGNED_FIELD(table_coupled_t, limit_mdeg, 3, -TABLE_COUPLED_ROOM_MAX_MDEG, TABLE_COUPLED_ROOM_MAX_MDEG),
};
enum { COUPLED_JOINT = 0, COUPLED_WEIGHT = 2, COUPLED_LIMIT = 4, COUPLED_CURVE = 5 };

static const table_curve_rule_t rule_brake = {
    0, TABLE_COUPLED_ROOM_MAX_MDEG, 0, TABLE_COUPLED_SPEED_MAX_MDEG_S, TABLE_SHAPE_RISING, true,
};

/*@ requires \valid_read(table) && 0 <= joint < TABLE_JOINTS_MAX;
    assigns \nothing;
    ensures exact: \result <==> joint < table->joint_count && table->joint[joint].continuous == 0; */
/* A joint of the table that has an end: the sum of an angle that wraps and another one means nothing. */
static bool is_limited_joint(const table_t *table, int32_t joint)
{
    CORE_ASSERT(joint >= 0 && joint < TABLE_JOINTS_MAX);
    return joint < table->joint_count && table->joint[joint].continuous == 0;
}

/*@ requires \valid_read(a) && \valid_read(b);
    assigns \nothing;
    ensures sign: -1 <= \result <= 1; */
/* Below 0, 0 or above 0 as `a` comes before `b`, is the same stop, or comes after it; the curve does not count. */
static int32_t compare(const table_coupled_t *a, const table_coupled_t *b)
{
    const int32_t first[] = {a->joint[0], a->joint[1], a->weight_e3[0], a->weight_e3[1], a->limit_mdeg};
    const int32_t second[] = {b->joint[0], b->joint[1], b->weight_e3[0], b->weight_e3[1], b->limit_mdeg};
    /*@ loop invariant 0 <= i <= 5;
        loop assigns i;
        loop variant 5 - i; */
    for (size_t i = 0; i < TABLE_COUNT_OF(first); i++) {
        if (first[i] != second[i]) {
            return first[i] < second[i] ? -1 : 1;
        }
    }
    return 0;
}

bool table_read_coupled(table_reader_t *reader, table_t *table)
{
    CORE_ASSERT(table->coupled_count >= 0 && table->coupled_count < TABLE_COUPLED_MAX);
    table_coupled_t *stop = &table->coupled[table->coupled_count];
    if (!table_read_fields(reader, coupled_fields, TABLE_COUNT_OF(coupled_fields), stop)) {
        return false;
    }
    for (uint16_t side = 0; side < 2; side++) {
        if (!is_limited_joint(table, stop->joint[side]) || (side == 1 && stop->joint[1] <= stop->joint[0])) {
            return table_refuse_value(reader, (uint16_t)(COUPLED_JOINT + side));
        }
    }
    for (uint16_t side = 0; side < 2; side++) {
        if (stop->weight_e3[side] == 0) {
            return table_refuse_value(reader, (uint16_t)(COUPLED_WEIGHT + side));
        }
    }
    if (table->coupled_count > 0 && compare(&table->coupled[table->coupled_count - 1], stop) >= 0) { /* INV-PARSE-2 */
        return table_refuse_value(reader, COUPLED_LIMIT);
    }
    if (!table_read_curve(reader, &rule_brake, COUPLED_CURVE, &stop->brake)) {
        return false;
    }
    table->coupled_count++;
    return true;
}
