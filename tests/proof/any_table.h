/* A table with every field anywhere in the range that table_parse lets through (firmware_stub/README.md), for Eva. */
#ifndef ANY_TABLE_H
#define ANY_TABLE_H
#include "__fc_builtin.h"

#include "table.h"

static void any_curve(curve_t *curve, int32_t x_least, int32_t x_most, int32_t y_least, int32_t y_most)
{
    /*@ loop unroll CURVE_POINTS_MAX; */
    for (int32_t i = 0; i < CURVE_POINTS_MAX; i++) {
        curve->x[i] = Frama_C_int_interval(x_least, x_most);
        curve->y[i] = Frama_C_int_interval(y_least, y_most);
        curve->slope_q16[i] = Frama_C_int_interval(INT32_MIN, INT32_MAX);
    }
    curve->count = Frama_C_int_interval(2, CURVE_POINTS_MAX);
}

static void any_sensor(table_sensor_t *sensor, int32_t most)
{
    sensor->track_count = Frama_C_int_interval(1, 2);
    /*@ loop unroll 2; */
    for (int32_t i = 0; i < 2; i++) {
        sensor->track[i].input = Frama_C_int_interval(0, TABLE_INPUTS_MAX - 1);
        sensor->track[i].count_min = Frama_C_int_interval(1, 65533);
        sensor->track[i].count_max = Frama_C_int_interval(2, 65534);
        any_curve(&sensor->track[i].curve, 0, 65535, -most, most);
    }
    sensor->step_max = Frama_C_int_interval(1, 720000);
    sensor->disagreement = Frama_C_int_interval(1, 720000);
    sensor->bad_ticks = Frama_C_int_interval(1, 1000);
}

/* Follow (control 0) or speed control (1): what the operator's values and the response are is another range. */
static void any_joint(table_joint_t *joint, int32_t control)
{
    const int32_t lever = control == TABLE_FOLLOW ? TABLE_ANGLE_MAX_MDEG : TABLE_FULL_E4;
    joint->control = control;
    joint->continuous = Frama_C_int_interval(0, 1);
    joint->polarity = Frama_C_nondet(-1, 1);
    any_sensor(&joint->operator_sensor, lever);
    any_sensor(&joint->position_sensor, TABLE_ANGLE_MAX_MDEG);
    joint->filter_q16 = Frama_C_int_interval(1, CORE_Q16);
    joint->speed_filter_q16 = Frama_C_int_interval(1, CORE_Q16);
    joint->deadband = Frama_C_int_interval(0, control == TABLE_FOLLOW ? TABLE_ANGLE_MAX_MDEG : TABLE_FULL_E4 / 2);
    joint->speed_deadband_mdeg_s = Frama_C_int_interval(0, TABLE_SPEED_MAX_MDEG_S);
    joint->deadband_scale_q16 = Frama_C_int_interval(CORE_Q16, 2 * CORE_Q16);
    any_curve(&joint->response, -lever, lever, -lever, lever);
    joint->gain_q16 = Frama_C_int_interval(0, 50 * CORE_Q16);
    joint->feed_q16 = Frama_C_int_interval(0, CORE_Q16);
    joint->match_window_mdeg = Frama_C_int_interval(0, TABLE_ANGLE_MAX_MDEG);
    joint->gap_mdeg = Frama_C_int_interval(0, 2 * TABLE_ANGLE_MAX_MDEG);
    /*@ loop unroll 2; */
    for (int32_t i = 0; i < 2; i++) {
        joint->speed_mdeg_s[TABLE_REDUCED][i] = Frama_C_int_interval(1, TABLE_SPEED_MAX_MDEG_S);
        joint->speed_mdeg_s[TABLE_FULL_SPEED][i] = Frama_C_int_interval(1, TABLE_SPEED_MAX_MDEG_S);
        joint->soft_stop_mdeg[i] = Frama_C_int_interval(-TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG);
        any_curve(&joint->brake[i], 0, 2 * TABLE_ANGLE_MAX_MDEG, 0, TABLE_SPEED_MAX_MDEG_S);
        any_curve(&joint->flow_per_speed_q16[i], -TABLE_ANGLE_MAX_MDEG, TABLE_ANGLE_MAX_MDEG, 1, INT32_MAX);
        joint->flow_max_e4[i] = Frama_C_int_interval(1, TABLE_FULL_E4);
        any_curve(&joint->valve[i], 0, TABLE_FULL_E4, 0, TABLE_FULL_E4);
    }
    joint->accelerate_mdeg_s = Frama_C_int_interval(1, TABLE_SPEED_MAX_MDEG_S);
    joint->decelerate_mdeg_s = Frama_C_int_interval(1, TABLE_SPEED_MAX_MDEG_S);
    joint->stop_mdeg_s = Frama_C_int_interval(1, TABLE_SPEED_MAX_MDEG_S);
    joint->flow_full_ml_min = Frama_C_int_interval(1, 1000000);
    joint->drive_max_e4 = Frama_C_int_interval(1, TABLE_FULL_E4);
    joint->reversal_ticks = Frama_C_int_interval(1, 1000);
    joint->settle_ticks = Frama_C_int_interval(1, 30000);
    joint->still_ticks = Frama_C_int_interval(1, 30000);
    joint->still_mdeg = Frama_C_int_interval(0, TABLE_ANGLE_MAX_MDEG);
    joint->stall_flow_e4 = Frama_C_int_interval(1, TABLE_FULL_E4);
    joint->stall_ticks = Frama_C_int_interval(1, 60000);
    joint->stall_mdeg = Frama_C_int_interval(1, TABLE_ANGLE_MAX_MDEG);
    joint->reach_mm = Frama_C_int_interval(0, TABLE_REACH_MAX_MM);
}

static void any_coupled(table_coupled_t *stop)
{
    stop->joint[0] = Frama_C_int_interval(0, TABLE_JOINTS_MAX - 2);
    stop->joint[1] = Frama_C_int_interval(1, TABLE_JOINTS_MAX - 1);
    /*@ loop unroll 2; */
    for (int32_t i = 0; i < 2; i++) {
        const int32_t weight = Frama_C_int_interval(1, TABLE_COUPLED_WEIGHT_MAX_E3);
        stop->weight_e3[i] = Frama_C_nondet(weight, -weight);
    }
    stop->limit_mdeg = Frama_C_int_interval(-TABLE_COUPLED_ROOM_MAX_MDEG, TABLE_COUPLED_ROOM_MAX_MDEG);
    any_curve(&stop->brake, 0, TABLE_COUPLED_ROOM_MAX_MDEG, 0, TABLE_COUPLED_SPEED_MAX_MDEG_S);
}

static void any_machine(table_t *table)
{
    table->joint_count = Frama_C_int_interval(1, TABLE_JOINTS_MAX);
    table->tick_us = Frama_C_int_interval(1000, 20000);
    table->tick_hz = Frama_C_int_interval(50, 1000);
    table->late_us = Frama_C_int_interval(0, 20000);
    table->pump_ml_min = Frama_C_int_interval(1, 10000000);
    table->power_up_ticks = Frama_C_int_interval(3, 60000);
    table->discrepancy_ticks = Frama_C_int_interval(1, 60000);
    table->reset_min_ticks = Frama_C_int_interval(1, 59999);
    table->reset_max_ticks = Frama_C_int_interval(2, 60000);
    table->load_ticks = Frama_C_int_interval(0, 60000);
    table->match_ticks = Frama_C_int_interval(1, 60000);
    table->authority_step_q16 = Frama_C_int_interval(1, CORE_Q16);
    table->stop_category = Frama_C_int_interval(0, 1);
    table->stop_ticks = Frama_C_int_interval(0, 10000);
    table->release_ticks = Frama_C_int_interval(0, 10000);
    table->tip_mdeg_mm_s = Frama_C_int_interval(0, TABLE_TIP_MAX_MDEG_MM_S);
    table->coupled_count = Frama_C_int_interval(0, TABLE_COUPLED_MAX);
}

static void any_table(table_t *table, int32_t control)
{
    any_machine(table);
    /*@ loop unroll TABLE_COUPLED_MAX; */
    for (int32_t i = 0; i < TABLE_COUPLED_MAX; i++) {
        any_coupled(&table->coupled[i]);
    }
    /*@ loop unroll TABLE_JOINTS_MAX; */
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        any_joint(&table->joint[i], control);
    }
}

#endif
