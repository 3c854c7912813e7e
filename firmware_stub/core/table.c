/* Reads and validates the bytes of a table. Byte layout, section kinds and field numbers: firmware_stub/README.md,
 * "The table".
 *
 * INV-PARSE-1  No byte is read outside byte_count, whatever the bytes say.
 * INV-PARSE-2  A table has exactly one encoding: sections in a fixed order, nothing left over, every number of a curve in the
 *              smallest width that holds them all, reserved bytes zero. So equal digests mean equal tables and the reverse.
 * INV-PARSE-3  Nothing is used that was not checked: every number is written to the table only inside its range.
 */
#include "table.h"

#include "crc.h"
#include "table_read.h"

#define TABLE_LAYOUT 2u
#define TABLE_HEADER_BYTES 80u
#define TABLE_CRC_BYTES 4u
#define TABLE_SECTION_HEAD_BYTES 4u
#define TABLE_NO_JOINT 255u
#define TABLE_TICKS_MAX 60000
#define TABLE_DEADLINE_TICKS_MAX 10000
#define TABLE_DEADLINE_MAX_US 10000000 /* nobody lets go of the enabling device and watches the arm move for longer */
#define TABLE_DISCREPANCY_MAX_US 5000000 /* one stop channel that hangs is found in this time, like in the profile */
#define TABLE_FAULT_TIME_MAX_US 1000000  /* nothing moves for longer on a reading that is not believed */
#define TABLE_COUNT_MAX 65534 /* 65535 is a short to the supply on any converter, and 0 a cut wire */
#define TABLE_WATCH_TICKS_MAX 30000 /* settle and still are added in a counter that saturates at 65535 */
#define TABLE_ROOM_MAX_MDEG (2 * TABLE_ANGLE_MAX_MDEG)

/* Section kinds; a joint's sections come in this order, the coupled stops after all joints. Numbers above are for later layouts
 * (load holding) and are refused today. */
enum {
    KIND_MACHINE = 1,
    KIND_JOINT = 2,
    KIND_OPERATOR_TRACK = 3,
    KIND_POSITION_TRACK = 4,
    KIND_RESPONSE = 5,
    KIND_BRAKE = 6,
    KIND_FLOW = 7,
    KIND_VALVE = 8,
    KIND_COUPLED = 9
};

/* Header fields, for table_fault_t.field with section 0xFFFF. */
enum {
    HEAD_MAGIC = 0,
    HEAD_LAYOUT,
    HEAD_BYTES,
    HEAD_TOTAL,
    HEAD_MACHINE_ID,
    HEAD_REVISION,
    HEAD_SECTIONS,
    HEAD_JOINTS,
    HEAD_TOOL,
    HEAD_DIGEST,
    HEAD_RESERVED,
    HEAD_CRC
};

static const table_field_t machine_fields[] = {
    /*  0 */ TABLE_UNSIGNED_FIELD(table_t, tick_us, 2, 1000, 20000),
    /*  1 */ TABLE_UNSIGNED_FIELD(table_t, tick_hz, 2, 50, 1000),
    /*  2 */ TABLE_UNSIGNED_FIELD(table_t, late_us, 2, 0, 20000),
    /*  3 */ TABLE_UNSIGNED_FIELD(table_t, pump_ml_min, 3, 1, 10000000),
    /*  4 */ TABLE_UNSIGNED_FIELD(table_t, power_up_ticks, 2, 3, TABLE_TICKS_MAX),
    /*  5 */ TABLE_UNSIGNED_FIELD(table_t, discrepancy_ticks, 2, 1, TABLE_TICKS_MAX),
    /*  6 */ TABLE_UNSIGNED_FIELD(table_t, reset_min_ticks, 2, 1, TABLE_TICKS_MAX),
    /*  7 */ TABLE_UNSIGNED_FIELD(table_t, reset_max_ticks, 2, 1, TABLE_TICKS_MAX),
    /*  8 */ TABLE_UNSIGNED_FIELD(table_t, load_ticks, 2, 0, TABLE_TICKS_MAX),
    /*  9 */ TABLE_UNSIGNED_FIELD(table_t, match_ticks, 2, 1, TABLE_TICKS_MAX),
    /* 10 */ TABLE_UNSIGNED_FIELD(table_t, authority_step_q16, 3, 1, CORE_Q16),
    /* 11 */ TABLE_UNSIGNED_FIELD(table_t, stop_category, 1, 0, 1),
    /* 12 */ TABLE_UNSIGNED_FIELD(table_t, stop_ticks, 2, 0, TABLE_DEADLINE_TICKS_MAX),
    /* 13 */ TABLE_UNSIGNED_FIELD(table_t, release_ticks, 2, 0, TABLE_DEADLINE_TICKS_MAX),
    /* 14 */ TABLE_UNSIGNED_FIELD(table_t, tip_mdeg_mm_s, 4, 0, TABLE_TIP_MAX_MDEG_MM_S),
};
enum {
    MACHINE_TICK_HZ = 1,
    MACHINE_LATE = 2,
    MACHINE_DISCREPANCY = 5,
    MACHINE_RESET_MAX = 7,
    MACHINE_STOP = 12,
    MACHINE_RELEASE = 13
};

static const table_field_t joint_fields[] = {
    /*  0 */ TABLE_UNSIGNED_FIELD(table_joint_t, control, 1, TABLE_FOLLOW, TABLE_SPEED),
    /*  1 */ TABLE_UNSIGNED_FIELD(table_joint_t, continuous, 1, 0, 1),
    /*  2 */ TABLE_SIGNED_FIELD(table_joint_t, polarity, 1, -1, 1),
    /*  3 */ TABLE_UNSIGNED_FIELD(table_joint_t, operator_sensor.step_max, 3, 1, TABLE_ROOM_MAX_MDEG),
    /*  4 */ TABLE_UNSIGNED_FIELD(table_joint_t, operator_sensor.disagreement, 3, 1, TABLE_ROOM_MAX_MDEG),
    /*  5 */ TABLE_UNSIGNED_FIELD(table_joint_t, operator_sensor.bad_ticks, 2, 1, 1000),
    /*  6 */ TABLE_UNSIGNED_FIELD(table_joint_t, position_sensor.step_max, 3, 1, TABLE_ROOM_MAX_MDEG),
    /*  7 */ TABLE_UNSIGNED_FIELD(table_joint_t, position_sensor.disagreement, 3, 1, TABLE_ROOM_MAX_MDEG),
    /*  8 */ TABLE_UNSIGNED_FIELD(table_joint_t, position_sensor.bad_ticks, 2, 1, 1000),
    /*  9 */ TABLE_UNSIGNED_FIELD(table_joint_t, filter_q16, 3, 1, CORE_Q16),
    /* 10 */ TABLE_UNSIGNED_FIELD(table_joint_t, speed_filter_q16, 3, 1, CORE_Q16),
    /* 11 */ TABLE_UNSIGNED_FIELD(table_joint_t, deadband, 3, 0, TABLE_ANGLE_MAX_MDEG),
    /* 12 */ TABLE_UNSIGNED_FIELD(table_joint_t, speed_deadband_mdeg_s, 3, 0, TABLE_SPEED_MAX_MDEG_S),
    /* 13 */ TABLE_UNSIGNED_FIELD(table_joint_t, gain_q16, 3, 0, 50 * CORE_Q16),
    /* 14 */ TABLE_UNSIGNED_FIELD(table_joint_t, feed_q16, 3, 0, CORE_Q16),
    /* 15 */ TABLE_UNSIGNED_FIELD(table_joint_t, match_window_mdeg, 3, 0, TABLE_ANGLE_MAX_MDEG),
    /* 16 */ TABLE_UNSIGNED_FIELD(table_joint_t, gap_mdeg, 3, 0, TABLE_ROOM_MAX_MDEG),
    /* 17 */ TABLE_UNSIGNED_FIELD(table_joint_t, speed_mdeg_s[TABLE_REDUCED][TABLE_POSITIVE], 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 18 */ TABLE_UNSIGNED_FIELD(table_joint_t, speed_mdeg_s[TABLE_REDUCED][TABLE_NEGATIVE], 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 19 */ TABLE_UNSIGNED_FIELD(table_joint_t, speed_mdeg_s[TABLE_FULL_SPEED][TABLE_POSITIVE], 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 20 */ TABLE_UNSIGNED_FIELD(table_joint_t, speed_mdeg_s[TABLE_FULL_SPEED][TABLE_NEGATIVE], 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 21 */ TABLE_UNSIGNED_FIELD(table_joint_t, accelerate_mdeg_s, 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 22 */ TABLE_UNSIGNED_FIELD(table_joint_t, decelerate_mdeg_s, 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 23 */ TABLE_UNSIGNED_FIELD(table_joint_t, stop_mdeg_s, 3, 1, TABLE_SPEED_MAX_MDEG_S),
    /* 24 */ TABLE_SIGNED_FIELD(table_joint_t, soft_stop_mdeg[TABLE_POSITIVE], 3, -TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG),
    /* 25 */ TABLE_SIGNED_FIELD(table_joint_t, soft_stop_mdeg[TABLE_NEGATIVE], 3, -TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG),
    /* 26 */ TABLE_UNSIGNED_FIELD(table_joint_t, flow_max_e4[TABLE_POSITIVE], 2, 1, TABLE_FULL_E4),
    /* 27 */ TABLE_UNSIGNED_FIELD(table_joint_t, flow_max_e4[TABLE_NEGATIVE], 2, 1, TABLE_FULL_E4),
    /* 28 */ TABLE_UNSIGNED_FIELD(table_joint_t, flow_full_ml_min, 3, 1, 1000000),
    /* 29 */ TABLE_UNSIGNED_FIELD(table_joint_t, drive_max_e4, 2, 1, TABLE_FULL_E4),
    /* 30 */ TABLE_UNSIGNED_FIELD(table_joint_t, reversal_ticks, 2, 1, 1000),
    /* 31 */ TABLE_UNSIGNED_FIELD(table_joint_t, settle_ticks, 2, 1, TABLE_WATCH_TICKS_MAX),
    /* 32 */ TABLE_UNSIGNED_FIELD(table_joint_t, still_ticks, 2, 1, TABLE_WATCH_TICKS_MAX),
    /* 33 */ TABLE_UNSIGNED_FIELD(table_joint_t, still_mdeg, 3, 0, TABLE_ANGLE_MAX_MDEG),
    /* 34 */ TABLE_UNSIGNED_FIELD(table_joint_t, stall_flow_e4, 2, 1, TABLE_FULL_E4),
    /* 35 */ TABLE_UNSIGNED_FIELD(table_joint_t, stall_ticks, 2, 1, TABLE_TICKS_MAX),
    /* 36 */ TABLE_UNSIGNED_FIELD(table_joint_t, stall_mdeg, 3, 1, TABLE_ANGLE_MAX_MDEG),
    /* 37 */ TABLE_UNSIGNED_FIELD(table_joint_t, reach_mm, 2, 0, TABLE_REACH_MAX_MM),
};
enum {
    JOINT_POLARITY = 2,
    JOINT_OPERATOR_BAD_TICKS = 5,
    JOINT_POSITION_BAD_TICKS = 8,
    JOINT_DEADBAND = 11,
    JOINT_SPEED_FULL_POSITIVE = 19,
    JOINT_SPEED_FULL_NEGATIVE = 20,
    JOINT_SOFT_STOP_LOWER = 25
};

static const table_field_t track_fields[] = {
    /* 0 */ TABLE_UNSIGNED_FIELD(table_track_t, input, 1, 0, TABLE_INPUTS_MAX - 1),
    /* 1 */ TABLE_UNSIGNED_FIELD(table_track_t, count_min, 2, 1, TABLE_COUNT_MAX),
    /* 2 */ TABLE_UNSIGNED_FIELD(table_track_t, count_max, 2, 1, TABLE_COUNT_MAX),
};
enum { TRACK_INPUT = 0, TRACK_COUNT_MAX = 2, TRACK_CURVE = 3, TRACK_CURVE_Y = 6 };

static const table_curve_rule_t rule_angle_track = {0, 65535, -TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG, TABLE_SHAPE_MONOTONE, false};
static const table_curve_rule_t rule_lever_track = {0, 65535, -TABLE_FULL_E4, TABLE_FULL_E4, TABLE_SHAPE_MONOTONE, false};
static const table_curve_rule_t rule_response_follow = {-TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG, -TABLE_ANGLE_MAX_MDEG,
                                                  TABLE_ANGLE_MAX_MDEG, TABLE_SHAPE_ANY, false};
static const table_curve_rule_t rule_response_speed = {-TABLE_FULL_E4, TABLE_FULL_E4, -TABLE_FULL_E4, TABLE_FULL_E4, TABLE_SHAPE_ANY, false};
static const table_curve_rule_t rule_brake = {0, TABLE_ROOM_MAX_MDEG, 0, TABLE_SPEED_MAX_MDEG_S, TABLE_SHAPE_RISING, true};
static const table_curve_rule_t rule_flow = {-TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG, 1, INT32_MAX, TABLE_SHAPE_ANY, false};
static const table_curve_rule_t rule_valve = {0, TABLE_FULL_E4, 0, TABLE_FULL_E4, TABLE_SHAPE_RISING, true};

/* -- sections ----------------------------------------------------------------------------------------------------- */

static bool read_machine(table_reader_t *reader, table_t *table)
{
    if (!table_read_fields(reader, machine_fields, TABLE_COUNT_OF(machine_fields), table)) {
        return false;
    }
    if (table->tick_us * table->tick_hz != 1000000) {
        return table_refuse_value(reader, MACHINE_TICK_HZ);
    }
    if (table->late_us > table->tick_us) {
        return table_refuse_value(reader, MACHINE_LATE);
    }
    if (table->discrepancy_ticks * table->tick_us > TABLE_DISCREPANCY_MAX_US) { /* 60000 x 20000 fits 31 bits */
        return table_refuse_value(reader, MACHINE_DISCREPANCY);
    }
    if (table->reset_min_ticks >= table->reset_max_ticks) {
        return table_refuse_value(reader, MACHINE_RESET_MAX);
    }
    if (table->stop_ticks * table->tick_us > TABLE_DEADLINE_MAX_US) { /* 10000 x 20000 fits 31 bits */
        return table_refuse_value(reader, MACHINE_STOP);
    }
    if (table->release_ticks * table->tick_us > TABLE_DEADLINE_MAX_US) {
        return table_refuse_value(reader, MACHINE_RELEASE);
    }
    return true;
}

static bool read_joint_settings(table_reader_t *reader, const table_t *table, table_joint_t *joint)
{
    if (!table_read_fields(reader, joint_fields, TABLE_COUNT_OF(joint_fields), joint)) {
        return false;
    }
    if (joint->polarity == 0) {
        return table_refuse_value(reader, JOINT_POLARITY);
    }
    if (joint->operator_sensor.bad_ticks * table->tick_us > TABLE_FAULT_TIME_MAX_US) {
        return table_refuse_value(reader, JOINT_OPERATOR_BAD_TICKS);
    }
    if (joint->position_sensor.bad_ticks * table->tick_us > TABLE_FAULT_TIME_MAX_US) {
        return table_refuse_value(reader, JOINT_POSITION_BAD_TICKS);
    }
    if (joint->control == TABLE_SPEED && joint->deadband > TABLE_FULL_E4 / 2) {
        return table_refuse_value(reader, JOINT_DEADBAND);
    }
    if (joint->speed_mdeg_s[TABLE_REDUCED][TABLE_POSITIVE] > joint->speed_mdeg_s[TABLE_FULL_SPEED][TABLE_POSITIVE]) {
        return table_refuse_value(reader, JOINT_SPEED_FULL_POSITIVE);
    }
    if (joint->speed_mdeg_s[TABLE_REDUCED][TABLE_NEGATIVE] > joint->speed_mdeg_s[TABLE_FULL_SPEED][TABLE_NEGATIVE]) {
        return table_refuse_value(reader, JOINT_SPEED_FULL_NEGATIVE);
    }
    if (joint->soft_stop_mdeg[TABLE_POSITIVE] <= joint->soft_stop_mdeg[TABLE_NEGATIVE]) {
        return table_refuse_value(reader, JOINT_SOFT_STOP_LOWER);
    }
    joint->deadband_scale_q16 = CORE_Q16;
    if (joint->control == TABLE_SPEED) {
        joint->deadband_scale_q16 = (int32_t)(((int64_t)TABLE_FULL_E4 * CORE_Q16) / (TABLE_FULL_E4 - joint->deadband));
    }
    return true;
}

static bool read_track(table_reader_t *reader, const table_curve_rule_t *rule, table_sensor_t *sensor)
{
    CORE_ASSERT(sensor->track_count >= 0 && sensor->track_count < 2);
    table_track_t *track = &sensor->track[sensor->track_count];
    if (!table_read_fields(reader, track_fields, TABLE_COUNT_OF(track_fields), track)) {
        return false;
    }
    const uint64_t input_bit = (uint64_t)1 << (uint32_t)track->input;
    if ((reader->inputs_used & input_bit) != 0) { /* INV-TABLE-4: by any track of any joint */
        return table_refuse_value(reader, TRACK_INPUT);
    }
    reader->inputs_used |= input_bit;
    if (track->count_min >= track->count_max) {
        return table_refuse_value(reader, TRACK_COUNT_MAX);
    }
    if (!table_read_curve(reader, rule, TRACK_CURVE, &track->curve)) {
        return false;
    }
    sensor->track_count++;
    return true;
}

/*@ requires \valid_read(curve) && \valid_read(joint) && curve_sized(curve);
    assigns \nothing;
    ensures lower: \result ==> curve->y[0] <= joint->soft_stop_mdeg[TABLE_NEGATIVE] ||
        curve->y[curve->count - 1] <= joint->soft_stop_mdeg[TABLE_NEGATIVE];
    ensures upper: \result ==> curve->y[0] >= joint->soft_stop_mdeg[TABLE_POSITIVE] ||
        curve->y[curve->count - 1] >= joint->soft_stop_mdeg[TABLE_POSITIVE]; */
/* INV-TABLE-3. A track's curve goes one way, so its ends are its smallest and largest value. */
static bool sees_both_soft_stops(const curve_t *curve, const table_joint_t *joint)
{
    CORE_ASSERT(curve->count >= 2 && curve->count <= CURVE_POINTS_MAX);
    const int32_t first = curve->y[0];
    const int32_t last = curve->y[curve->count - 1];
    const int32_t smallest = first < last ? first : last;
    const int32_t largest = first < last ? last : first;
    return smallest <= joint->soft_stop_mdeg[TABLE_NEGATIVE] && largest >= joint->soft_stop_mdeg[TABLE_POSITIVE];
}

static bool read_position_track(table_reader_t *reader, table_joint_t *joint)
{
    table_sensor_t *sensor = &joint->position_sensor;
    if (!read_track(reader, &rule_angle_track, sensor)) {
        return false;
    }
    if (joint->continuous == 0 && !sees_both_soft_stops(&sensor->track[sensor->track_count - 1].curve, joint)) {
        return table_refuse_value(reader, TRACK_CURVE_Y);
    }
    return true;
}

/* Fields 0 .. 3 for the positive direction, 4 .. 7 for the negative one. */
static bool read_curve_pair(table_reader_t *reader, const table_curve_rule_t *rule, curve_t curve[TABLE_DIRECTIONS])
{
    return table_read_curve(reader, rule, 0, &curve[TABLE_POSITIVE]) && table_read_curve(reader, rule, 4, &curve[TABLE_NEGATIVE]);
}

/*@ requires \valid_read(joint) && 0 <= direction < 2 && curve_rises(&joint->flow_per_speed_q16[direction]);
    requires 1 <= joint->speed_mdeg_s[TABLE_FULL_SPEED][direction] <= TABLE_SPEED_MAX_MDEG_S;
    requires curve_within(&joint->flow_per_speed_q16[direction], 1, INT32_MAX);
    assigns \nothing;
    ensures fits: \result ==> \forall integer i; 0 <= i < joint->flow_per_speed_q16[direction].count ==>
        joint->speed_mdeg_s[TABLE_FULL_SPEED][direction] * joint->flow_per_speed_q16[direction].y[i] <= INT32_MAX * CORE_Q16; */
/* INV-TABLE-2: at the highest speed the flow asked for must fit 32 bits. */
static bool flow_fits(const table_joint_t *joint, int32_t direction)
{
    int64_t speed = joint->speed_mdeg_s[TABLE_FULL_SPEED][direction];
    const curve_t *curve = &joint->flow_per_speed_q16[direction];
    bool fits = true;
    /*@ loop invariant 0 <= i <= curve->count;
        loop invariant fits ==> \forall integer k; 0 <= k < i ==> speed * curve->y[k] <= INT32_MAX * CORE_Q16;
        loop assigns i, fits;
        loop variant curve->count - i; */
    for (int32_t i = 0; i < curve->count; i++) {
        fits = fits && speed * curve->y[i] <= (int64_t)INT32_MAX * CORE_Q16;
    }
    return fits;
}

/* Fields 3 and 4 are the flow per speed of the positive and of the negative direction. */
static bool read_flow(table_reader_t *reader, table_joint_t *joint)
{
    if (!table_read_curves_sharing_x(reader, &rule_flow, joint->flow_per_speed_q16)) {
        return false;
    }
    if (!flow_fits(joint, TABLE_POSITIVE)) {
        return table_refuse_value(reader, 3);
    }
    return flow_fits(joint, TABLE_NEGATIVE) || table_refuse_value(reader, 4);
}

static bool read_payload(table_reader_t *reader, uint8_t kind, table_t *table, table_joint_t *joint)
{
    bool follow = joint != NULL && joint->control == TABLE_FOLLOW;
    switch (kind) {
        case KIND_MACHINE: return read_machine(reader, table);
        case KIND_JOINT: return read_joint_settings(reader, table, joint);
        case KIND_OPERATOR_TRACK:
            return read_track(reader, follow ? &rule_angle_track : &rule_lever_track, &joint->operator_sensor);
        case KIND_POSITION_TRACK: return read_position_track(reader, joint);
        case KIND_RESPONSE:
            return table_read_curve(reader, follow ? &rule_response_follow : &rule_response_speed, 0, &joint->response);
        case KIND_BRAKE: return read_curve_pair(reader, &rule_brake, joint->brake);
        case KIND_FLOW: return read_flow(reader, joint);
        case KIND_VALVE: return read_curve_pair(reader, &rule_valve, joint->valve);
        case KIND_COUPLED: return table_read_coupled(reader, table);
        default: return table_refuse_structure(reader, TABLE_FIELD_NONE);
    }
}

/*@ requires \valid_read(reader) && reader->at <= reader->limit && \valid_read(reader->bytes + (0 .. reader->limit - 1));
    assigns \nothing;
    ensures room: \result ==> reader->at + TABLE_SECTION_HEAD_BYTES <= reader->limit;
    ensures exact: \result ==> reader->bytes[reader->at] == kind && reader->bytes[reader->at + 1] == joint_index; */
/* Is the next section of this kind and joint? False also at the end. */
static bool next_is(const table_reader_t *reader, uint8_t kind, uint8_t joint_index)
{
    return reader->limit - reader->at >= TABLE_SECTION_HEAD_BYTES && reader->bytes[reader->at] == kind &&
           reader->bytes[reader->at + 1] == joint_index;
}

static bool read_section(table_reader_t *reader, uint8_t kind, uint8_t joint_index, table_t *table)
{
    CORE_ASSERT(joint_index == TABLE_NO_JOINT || joint_index < TABLE_JOINTS_MAX);
    if (!next_is(reader, kind, joint_index)) {
        return table_refuse_structure(reader, TABLE_FIELD_NONE);
    }
    size_t byte_count = core_read_u16(&reader->bytes[reader->at + 2]);
    reader->at += TABLE_SECTION_HEAD_BYTES;
    if (reader->limit - reader->at < byte_count) {
        return table_refuse_structure(reader, TABLE_FIELD_NONE);
    }
    reader->end = reader->at + byte_count;
    table_joint_t *joint = joint_index == TABLE_NO_JOINT ? NULL : &table->joint[joint_index];
    if (!read_payload(reader, kind, table, joint)) {
        return false;
    }
    if (reader->at != reader->end) {
        return table_refuse_structure(reader, TABLE_FIELD_NONE);
    }
    reader->section++;
    return true;
}

static bool read_joint(table_reader_t *reader, uint8_t joint_index, table_t *table)
{
    static const struct {
        uint8_t kind;
        bool may_repeat; /* once more: the second track */
    } order[] = {
        {KIND_JOINT, false}, {KIND_OPERATOR_TRACK, true}, {KIND_POSITION_TRACK, true}, {KIND_RESPONSE, false},
        {KIND_BRAKE, false}, {KIND_FLOW, false},          {KIND_VALVE, false},
    };
    for (size_t i = 0; i < TABLE_COUNT_OF(order); i++) {
        if (!read_section(reader, order[i].kind, joint_index, table)) {
            return false;
        }
        if (order[i].may_repeat && next_is(reader, order[i].kind, joint_index) &&
            !read_section(reader, order[i].kind, joint_index, table)) {
            return false;
        }
    }
    return true;
}

/* -- header ------------------------------------------------------------------------------------------------------- */

/*@ requires \valid(reader) && \valid_read(reader->bytes + (0 .. byte_count - 1));
    requires \separated(reader, reader->bytes + (0 .. byte_count - 1)) && (reader->bytes != \null || byte_count == 0);
    assigns reader->fault;
    ensures long_enough: \result ==> byte_count >= TABLE_HEADER_BYTES + TABLE_CRC_BYTES;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK; */
/* Who and what first, then length, then the CRC: a table of another layout is named as such and not as damaged. */
static bool check_frame(table_reader_t *reader, size_t byte_count)
{
    static const uint8_t magic[4] = {'H', 'J', 'T', '1'};
    const uint8_t *bytes = reader->bytes;
    if (byte_count < TABLE_HEADER_BYTES + TABLE_CRC_BYTES) {
        return table_refuse(reader, TABLE_TOO_SHORT, HEAD_TOTAL);
    }
    /*@ loop invariant 0 <= i <= 4;
        loop assigns i;
        loop variant 4 - i; */
    for (size_t i = 0; i < sizeof magic; i++) {
        if (bytes[i] != magic[i]) {
            return table_refuse(reader, TABLE_BAD_MAGIC, HEAD_MAGIC);
        }
    }
    if (core_read_u16(&bytes[4]) != TABLE_LAYOUT) {
        return table_refuse(reader, TABLE_OTHER_LAYOUT, HEAD_LAYOUT);
    }
    if (core_read_u16(&bytes[6]) != TABLE_HEADER_BYTES) {
        return table_refuse(reader, TABLE_BAD_LENGTH, HEAD_BYTES);
    }
    if (core_read_u32(&bytes[8]) != byte_count) {
        return table_refuse(reader, TABLE_BAD_LENGTH, HEAD_TOTAL);
    }
    size_t covered = byte_count - TABLE_CRC_BYTES;
    if (core_read_u32(&bytes[covered]) != crc32_update(0, bytes, covered)) {
        return table_refuse(reader, TABLE_BAD_CRC, HEAD_CRC);
    }
    return true;
}

/*@ requires \valid_read(bytes + (0 .. TABLE_MACHINE_ID_BYTES - 1));
    assigns \nothing;
    ensures visible: \result ==> 0x20 < bytes[0] < 0x7F;
    ensures ascii: \result ==> \forall integer i; 0 <= i < TABLE_MACHINE_ID_BYTES ==> bytes[i] == 0 || 0x20 < bytes[i] < 0x7F; */
/* 1 to 16 visible ASCII characters, then zeros only. */
static bool is_machine_id(const uint8_t *bytes)
{
    bool ended = false;
    /*@ loop invariant 0 <= i <= TABLE_MACHINE_ID_BYTES && (i > 0 ==> 0x20 < bytes[0] < 0x7F);
        loop invariant \forall integer k; 0 <= k < i ==> bytes[k] == 0 || 0x20 < bytes[k] < 0x7F;
        loop assigns i, ended;
        loop variant TABLE_MACHINE_ID_BYTES - i; */
    for (size_t i = 0; i < TABLE_MACHINE_ID_BYTES; i++) {
        bool visible = bytes[i] > 0x20 && bytes[i] < 0x7F;
        if ((bytes[i] != 0 && (ended || !visible)) || (i == 0 && !visible)) {
            return false;
        }
        ended = bytes[i] == 0;
    }
    return true;
}

/*@ requires \valid(reader) && \valid(table) && \valid_read(reader->bytes + (0 .. TABLE_HEADER_BYTES - 1));
    requires \separated(reader, table, reader->bytes + (0 .. TABLE_HEADER_BYTES - 1));
    assigns reader->fault, table->machine_id[0 .. 15], table->revision, table->joint_count, table->tool_version[0 .. 2],
        table->profile_digest[0 .. 31];
    ensures joints: \result ==> 1 <= table->joint_count <= TABLE_JOINTS_MAX;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK; */
static bool read_header(table_reader_t *reader, table_t *table)
{
    const uint8_t *bytes = reader->bytes;
    if (!is_machine_id(&bytes[12])) {
        return table_refuse_value(reader, HEAD_MACHINE_ID);
    }
    core_copy(table->machine_id, &bytes[12], TABLE_MACHINE_ID_BYTES);
    table->revision = core_read_u16(&bytes[28]);
    table->joint_count = bytes[32];
    if (table->joint_count < 1 || table->joint_count > TABLE_JOINTS_MAX) {
        return table_refuse_value(reader, HEAD_JOINTS);
    }
    core_copy(table->tool_version, &bytes[33], sizeof table->tool_version);
    core_copy(table->profile_digest, &bytes[36], TABLE_DIGEST_BYTES);
    /*@ loop invariant 68 <= i <= TABLE_HEADER_BYTES;
        loop assigns i;
        loop variant TABLE_HEADER_BYTES - i; */
    for (size_t i = 68; i < TABLE_HEADER_BYTES; i++) {
        if (bytes[i] != 0) {
            return table_refuse_structure(reader, HEAD_RESERVED);
        }
    }
    return true;
}

static bool read_table(table_reader_t *reader, size_t byte_count, table_t *table)
{
    if (!check_frame(reader, byte_count) || !read_header(reader, table)) {
        return false;
    }
    reader->at = TABLE_HEADER_BYTES;
    reader->limit = byte_count - TABLE_CRC_BYTES;
    reader->section = 0;
    if (!read_section(reader, KIND_MACHINE, TABLE_NO_JOINT, table)) {
        return false;
    }
    for (int32_t joint = 0; joint < table->joint_count; joint++) {
        if (!read_joint(reader, (uint8_t)joint, table)) {
            return false;
        }
    }
    for (int32_t i = 0; i < TABLE_COUPLED_MAX && next_is(reader, KIND_COUPLED, TABLE_NO_JOINT); i++) {
        if (!read_section(reader, KIND_COUPLED, TABLE_NO_JOINT, table)) {
            return false;
        }
    }
    if (reader->at != reader->limit) {
        return table_refuse_structure(reader, TABLE_FIELD_NONE);
    }
    uint16_t section_count = reader->section;
    reader->section = 0xFFFFu;
    return section_count == core_read_u16(&reader->bytes[30]) || table_refuse_structure(reader, HEAD_SECTIONS);
}

table_fault_t table_parse(const uint8_t *bytes, size_t byte_count, table_t *table)
{
    CORE_ASSERT(bytes != NULL || byte_count == 0);
    CORE_ASSERT(table != NULL);
    table_reader_t reader = {bytes, 0, 0, 0, {TABLE_OK, 0xFFFFu, TABLE_FIELD_NONE}, 0xFFFFu, 0};
    core_fill((uint8_t *)table, 0, sizeof *table);
    if (!read_table(&reader, byte_count, table)) {
        CORE_ASSERT(reader.fault.result != TABLE_OK);
        core_fill((uint8_t *)table, 0, sizeof *table);
    }
    return reader.fault;
}

bool table_is_for(const table_t *table, const uint8_t machine_id[TABLE_MACHINE_ID_BYTES])
{
    bool same = true;
    /*@ loop invariant 0 <= i <= TABLE_MACHINE_ID_BYTES;
        loop invariant same <==> \forall integer k; 0 <= k < i ==> table->machine_id[k] == machine_id[k];
        loop assigns i, same;
        loop variant TABLE_MACHINE_ID_BYTES - i; */
    for (size_t i = 0; i < TABLE_MACHINE_ID_BYTES; i++) {
        same = same && table->machine_id[i] == machine_id[i];
    }
    return same;
}
