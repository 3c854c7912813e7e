/* The ranges of firmware_stub/README.md, "The table", asked of a table that was accepted; shares nothing with core/table.c. */
#include "fuzz.h"

#define RANGE(value, least, most) FUZZ_REQUIRE((value) >= (least) && (value) <= (most))

typedef struct {
    int32_t x_least, x_most, y_least, y_most;
} box_t;

static void check_curve(const curve_t *curve, const box_t *box)
{
    RANGE(curve->count, 2, 12);
    for (int32_t i = 0; i < curve->count; i++) {
        RANGE(curve->x[i], box->x_least, box->x_most);
        RANGE(curve->y[i], box->y_least, box->y_most);
        if (i + 1 < curve->count) {
            const int64_t run = (int64_t)curve->x[i + 1] - curve->x[i];
            const int64_t rise = (int64_t)curve->y[i + 1] - curve->y[i];
            FUZZ_REQUIRE(run > 0);
            const int64_t error = rise * 65536 - (int64_t)curve->slope_q16[i] * run; /* floor: 0 .. run - 1 */
            RANGE(error, 0, run - 1);
        }
    }
}

static void check_rising(const curve_t *curve, const box_t *box)
{
    check_curve(curve, box);
    FUZZ_REQUIRE(curve->x[0] == 0);
    for (int32_t i = 0; i + 1 < curve->count; i++) {
        FUZZ_REQUIRE(curve->y[i] <= curve->y[i + 1]);
    }
}

static void check_one_way(const curve_t *curve)
{
    const int32_t last = curve->count - 1;
    const int32_t sign = curve->y[last] > curve->y[0] ? 1 : -1;
    FUZZ_REQUIRE(curve->y[last] != curve->y[0]);
    for (int32_t i = 0; i < last; i++) {
        FUZZ_REQUIRE(sign * (curve->y[i + 1] - curve->y[i]) >= 0);
    }
}

static void check_sensor(const table_sensor_t *sensor, int32_t reach, int32_t tick_us, uint64_t *used)
{
    const box_t box = {0, 65535, -reach, reach};
    RANGE(sensor->track_count, 1, 2);
    RANGE(sensor->step_max, 1, 720000);
    RANGE(sensor->disagreement, 1, 720000);
    RANGE(sensor->bad_ticks, 1, 1000);
    FUZZ_REQUIRE((int64_t)sensor->bad_ticks * tick_us <= 1000000);
    for (int32_t i = 0; i < sensor->track_count; i++) {
        const table_track_t *track = &sensor->track[i];
        RANGE(track->input, 0, 63);
        FUZZ_REQUIRE((*used >> track->input & 1u) == 0);
        *used |= (uint64_t)1 << track->input;
        RANGE(track->count_min, 1, 65533);
        RANGE(track->count_max, track->count_min + 1, 65534);
        check_curve(&track->curve, &box);
        check_one_way(&track->curve);
    }
}

static void check_speeds(const table_joint_t *joint)
{
    for (int32_t direction = 0; direction < 2; direction++) {
        RANGE(joint->speed_mdeg_s[0][direction], 1, joint->speed_mdeg_s[1][direction]);
        RANGE(joint->speed_mdeg_s[1][direction], 1, 200000);
        RANGE(joint->flow_max_e4[direction], 1, 10000);
    }
    RANGE(joint->accelerate_mdeg_s, 1, 200000);
    RANGE(joint->decelerate_mdeg_s, 1, 200000);
    RANGE(joint->stop_mdeg_s, 1, 200000);
    RANGE(joint->soft_stop_mdeg[0], -360000, 360000);
    RANGE(joint->soft_stop_mdeg[1], -360000, joint->soft_stop_mdeg[0] - 1);
    RANGE(joint->flow_full_ml_min, 1, 1000000);
    RANGE(joint->drive_max_e4, 1, 10000);
    RANGE(joint->reversal_ticks, 1, 1000);
    RANGE(joint->settle_ticks, 1, 30000);
    RANGE(joint->still_ticks, 1, 30000);
    RANGE(joint->still_mdeg, 0, 360000);
    RANGE(joint->stall_flow_e4, 1, 10000);
    RANGE(joint->stall_ticks, 1, 60000);
    RANGE(joint->stall_mdeg, 1, 360000);
    RANGE(joint->reach_mm, 0, 65535);
}

static void check_curves(const table_joint_t *joint, bool follow)
{
    const box_t response = {follow ? -360000 : -10000, follow ? 360000 : 10000, follow ? -360000 : -10000, follow ? 360000 : 10000};
    const box_t brake = {0, 720000, 0, 200000};
    const box_t flow = {-360000, 360000, 1, INT32_MAX};
    const box_t valve = {0, 10000, 0, 10000};
    check_curve(&joint->response, &response);
    for (int32_t direction = 0; direction < 2; direction++) {
        check_rising(&joint->brake[direction], &brake);
        check_rising(&joint->valve[direction], &valve);
        check_curve(&joint->flow_per_speed_q16[direction], &flow);
        for (int32_t i = 0; i < joint->flow_per_speed_q16[direction].count; i++) {
            const int64_t asked = (int64_t)joint->speed_mdeg_s[1][direction] * joint->flow_per_speed_q16[direction].y[i];
            FUZZ_REQUIRE(asked <= (int64_t)INT32_MAX * 65536);
        }
    }
    for (int32_t i = 0; joint->continuous == 0 && i < joint->position_sensor.track_count; i++) {
        const curve_t *curve = &joint->position_sensor.track[i].curve;
        const int32_t first = curve->y[0];
        const int32_t last = curve->y[curve->count - 1];
        FUZZ_REQUIRE((first < last ? first : last) <= joint->soft_stop_mdeg[1]);
        FUZZ_REQUIRE((first < last ? last : first) >= joint->soft_stop_mdeg[0]);
    }
}

static void check_joint(const table_joint_t *joint, int32_t tick_us, uint64_t *used)
{
    const bool follow = joint->control == 0;
    RANGE(joint->control, 0, 1);
    RANGE(joint->continuous, 0, 1);
    FUZZ_REQUIRE(joint->polarity == 1 || joint->polarity == -1);
    check_sensor(&joint->operator_sensor, follow ? 360000 : 10000, tick_us, used);
    check_sensor(&joint->position_sensor, 360000, tick_us, used);
    RANGE(joint->filter_q16, 1, 65536);
    RANGE(joint->speed_filter_q16, 1, 65536);
    RANGE(joint->deadband, 0, follow ? 360000 : 5000);
    RANGE(joint->speed_deadband_mdeg_s, 0, 200000);
    FUZZ_REQUIRE(joint->deadband_scale_q16 == (follow ? 65536 : 655360000 / (10000 - joint->deadband)));
    RANGE(joint->gain_q16, 0, 3276800);
    RANGE(joint->feed_q16, 0, 65536);
    RANGE(joint->match_window_mdeg, 0, 360000);
    RANGE(joint->gap_mdeg, 0, 720000);
    check_speeds(joint);
    check_curves(joint, follow);
}

static void check_coupled(const table_t *table, int32_t index)
{
    const table_coupled_t *stop = &table->coupled[index];
    const box_t brake = {0, 7200000, 0, 2000000};
    RANGE(stop->joint[0], 0, stop->joint[1] - 1);
    RANGE(stop->joint[1], 1, table->joint_count - 1);
    for (int32_t side = 0; side < 2; side++) {
        RANGE(stop->weight_e3[side], -10000, 10000);
        FUZZ_REQUIRE(stop->weight_e3[side] != 0);
        FUZZ_REQUIRE(table->joint[stop->joint[side]].continuous == 0);
    }
    RANGE(stop->limit_mdeg, -7200000, 7200000);
    check_rising(&stop->brake, &brake);
}

static void check_machine(const table_t *table)
{
    RANGE(table->tick_us, 1000, 20000);
    FUZZ_REQUIRE((int64_t)table->tick_us * table->tick_hz == 1000000);
    RANGE(table->late_us, 0, table->tick_us);
    RANGE(table->pump_ml_min, 1, 10000000);
    RANGE(table->power_up_ticks, 3, 60000);
    RANGE(table->discrepancy_ticks, 1, 5000000 / table->tick_us);
    RANGE(table->reset_min_ticks, 1, table->reset_max_ticks - 1);
    RANGE(table->reset_max_ticks, 2, 60000);
    RANGE(table->load_ticks, 0, 60000);
    RANGE(table->match_ticks, 1, 60000);
    RANGE(table->authority_step_q16, 1, 65536);
    RANGE(table->stop_category, 0, 1);
    RANGE(table->stop_ticks, 0, 10000000 / table->tick_us);
    RANGE(table->release_ticks, 0, 10000000 / table->tick_us);
    RANGE(table->stop_ticks, 0, 10000);
    RANGE(table->release_ticks, 0, 10000);
    RANGE(table->tip_mdeg_mm_s, 0, 2000000000);
}

void fuzz_check_table(const table_t *table)
{
    RANGE(table->joint_count, 1, 16);
    RANGE(table->coupled_count, 0, 8);
    check_machine(table);
    uint64_t used = 0;
    for (int32_t i = 0; i < table->joint_count; i++) {
        check_joint(&table->joint[i], table->tick_us, &used);
    }
    for (int32_t i = 0; i < table->coupled_count; i++) {
        check_coupled(table, i);
    }
    bool ended = false;
    for (size_t i = 0; i < 16u; i++) {
        const uint8_t sign = table->machine_id[i];
        FUZZ_REQUIRE(sign == 0 ? i > 0 : !ended && sign > 0x20 && sign < 0x7F);
        ended = sign == 0;
    }
}
