/* The steps of the law, one file each; law.c puts them in the order of rule L1. Not for use outside the core (bench.c
 * calls single stages of it for enumeration). */
#ifndef LAW_PARTS_H
#define LAW_PARTS_H
#include "law.h"

typedef struct {
    uint32_t cause; /* law_cause_t, LAW_CAUSE_NONE when there is none */
    uint32_t joint;
} law_fault_t;

/*@ predicate position_sound(law_joint_state_t *state) =
        -TABLE_ANGLE_MAX_MDEG <= state->position_sensor.smaller <= state->position_sensor.value &&
        state->position_sensor.value <= state->position_sensor.larger <= TABLE_ANGLE_MAX_MDEG;
    predicate speed_sound(integer speed) = -TABLE_SPEED_MAX_MDEG_S <= speed <= TABLE_SPEED_MAX_MDEG_S;
    predicate speeds_sound(int32_t *speed, integer count) = \forall integer i; 0 <= i < count ==> speed_sound(speed[i]);
    logic integer direction_of_speed(integer speed) = speed > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
    predicate lowers(integer after, integer before) = 0 <= after <= before || before <= after <= 0; */
/* angle.c: L2w */
/*@ requires -720000 <= angle_mdeg <= 720000;
    assigns \nothing;
    ensures inside: -180000 <= \result < 180000;
    ensures same_angle: \result == angle_mdeg || \result == angle_mdeg + 360000 || \result == angle_mdeg - 360000 ||
        \result == angle_mdeg + 720000 || \result == angle_mdeg - 720000;
    ensures kept: -180000 <= angle_mdeg < 180000 ==> \result == angle_mdeg; */
int32_t angle_wrap(int32_t angle_mdeg);
/*@ requires -360000 <= a_mdeg <= 360000 && -360000 <= b_mdeg <= 360000;
    assigns \nothing;
    ensures wrapped: continuous ==> -180000 <= \result < 180000;
    ensures plain: !continuous ==> \result == a_mdeg - b_mdeg; */
int32_t angle_difference(bool continuous, int32_t a_mdeg, int32_t b_mdeg);

/* sense.c: L3 */
void sense_step(const table_sensor_t *sensor, bool wraps, const uint16_t *counts, law_sensor_state_t *state);
/*@ requires \valid_read(sensor) && \valid_read(state) && 1 <= sensor->track_count <= 2 && good_ticks >= 1;
    assigns \nothing;
    ensures ready: \result <==> \forall integer i; 0 <= i < sensor->track_count ==> state->track[i].good >= good_ticks; */
bool sense_ready(const table_sensor_t *sensor, const law_sensor_state_t *state, int32_t good_ticks);
/*@ requires \valid_read(sensor) && \valid_read(state) && sensor->bad_ticks >= 1;
    assigns \nothing;
    ensures bad: \result <==> state->track[0].bad >= sensor->bad_ticks || state->track[1].bad >= sensor->bad_ticks; */
bool sense_counts_bad(const table_sensor_t *sensor, const law_sensor_state_t *state);
/*@ requires \valid_read(sensor) && \valid_read(state) && sensor->bad_ticks >= 1;
    assigns \nothing;
    ensures exact: \result <==> state->disagreement >= sensor->bad_ticks; */
bool sense_disagrees(const table_sensor_t *sensor, const law_sensor_state_t *state);

/* demand.c: L4, L5 and the matched condition of L10o */
void demand_step(const table_t *table, int32_t joint, law_joint_state_t *state);
int32_t demand_share(const table_joint_t *joint, int32_t demand, bool *at_rest);
int32_t demand_speed(const table_joint_t *joint, const law_joint_state_t *state, uint32_t mode, uint32_t *flags);

/* motion.c: L6, L7 */

/* What a joint's curves say at its position for one direction of motion: looked up once a tick, for it is asked for again and again. */
typedef struct {
    int32_t sign;               /* of the speed that it holds for: 1 or -1; 0: not looked up yet */
    int32_t cap_mdeg_s;         /* L6b, L7c */
    int32_t flow_per_speed_q16; /* L6e, L7d */
} motion_look_t;

/*@ predicate look_sound(motion_look_t *look) = -1 <= look->sign <= 1 && 0 <= look->cap_mdeg_s <= TABLE_SPEED_MAX_MDEG_S &&
        (look->sign != 0 ==> 1 <= look->flow_per_speed_q16);
    predicate look_fits(motion_look_t *look, integer speed) =
        look_sound(look) && (speed > 0 ==> look->sign == 1) && (speed < 0 ==> look->sign == -1);
    predicate stops_at_ends(table_joint_t *joint, law_joint_state_t *state, motion_look_t *look) = joint->continuous == 0 ==>
        (look->sign == 1 && state->position_sensor.larger >= joint->soft_stop_mdeg[TABLE_POSITIVE] ==> look->cap_mdeg_s == 0) &&
        (look->sign == -1 && state->position_sensor.smaller <= joint->soft_stop_mdeg[TABLE_NEGATIVE] ==> look->cap_mdeg_s == 0); */

/*@ requires \valid_read(joint) && \valid_read(state) && \valid(look) && \separated(look, joint, state);
    requires joint_sound(joint) && position_sound(state) && look_sound(look) && stops_at_ends(joint, state, look);
    assigns *look;
    ensures fits: look_fits(look, speed_mdeg_s);
    ensures stops: stops_at_ends(joint, state, look); */
void motion_look(const table_joint_t *joint, const law_joint_state_t *state, int32_t speed_mdeg_s, motion_look_t *look);
/*@ requires \valid_read(joint) && \valid_read(look) && \valid(flags) && \separated(flags, joint, look);
    requires joint_moves_soundly(joint) && mode < TABLE_MODES && look_fits(look, wanted_mdeg_s);
    assigns *flags;
    ensures lowers: lowers(\result, wanted_mdeg_s);
    ensures capped: \result <= joint->speed_mdeg_s[mode][TABLE_POSITIVE] && -joint->speed_mdeg_s[mode][TABLE_NEGATIVE] <= \result;
    ensures stopped: -look->cap_mdeg_s <= \result <= look->cap_mdeg_s; */
int32_t motion_limit(const table_joint_t *joint, const motion_look_t *look, uint32_t mode, int32_t wanted_mdeg_s, uint32_t *flags);
/*@ requires 0 <= factor_q16 <= CORE_Q16 && wanted_mdeg_s > INT32_MIN;
    assigns \nothing;
    ensures lowers: lowers(\result, wanted_mdeg_s);
    ensures none: factor_q16 == 0 ==> \result == 0;
    ensures all: factor_q16 == CORE_Q16 ==> \result == wanted_mdeg_s; */
int32_t motion_authority(int32_t wanted_mdeg_s, int32_t factor_q16);
/*@ requires \valid_read(look) && look_fits(look, wanted_mdeg_s) && wanted_mdeg_s > INT32_MIN;
    assigns \nothing;
    ensures not_negative: \result >= 0;
    ensures none: wanted_mdeg_s == 0 ==> \result == 0;
    ensures some: wanted_mdeg_s != 0 ==> \result >= 1; */
int32_t motion_need_e4(const motion_look_t *look, int32_t wanted_mdeg_s);
/*@ requires \valid_read(table) && \valid_read(look + (0 .. table->joint_count - 1));
    requires \valid_read(wanted_mdeg_s + (0 .. table->joint_count - 1));
    requires 1 <= table->joint_count <= TABLE_JOINTS_MAX && 1 <= table->pump_ml_min <= 10000000;
    requires \forall integer i; 0 <= i < table->joint_count ==> 1 <= table->joint[i].flow_full_ml_min <= 1000000 &&
        look_fits(&look[i], wanted_mdeg_s[i]) && wanted_mdeg_s[i] > INT32_MIN;
    assigns \nothing;
    ensures share: 0 <= \result <= CORE_Q16; */
int32_t motion_share_q16(const table_t *table, const motion_look_t *look, const int32_t *wanted_mdeg_s);
/*@ requires \valid_read(joint) && \valid_read(state) && joint_moves_soundly(joint) && speed_sound(state->speed_mdeg_s);
    requires 1 <= decelerate_mdeg_s <= TABLE_SPEED_MAX_MDEG_S && target_mdeg_s > INT32_MIN;
    assigns \nothing;
    ensures up: state->speed_mdeg_s > 0 ==> 0 <= \result && state->speed_mdeg_s - decelerate_mdeg_s <= \result &&
        \result <= state->speed_mdeg_s + joint->accelerate_mdeg_s;
    ensures down: state->speed_mdeg_s < 0 ==> \result <= 0 && \result <= state->speed_mdeg_s + decelerate_mdeg_s &&
        state->speed_mdeg_s - joint->accelerate_mdeg_s <= \result;
    ensures start: state->speed_mdeg_s == 0 ==> -joint->accelerate_mdeg_s <= \result <= joint->accelerate_mdeg_s;
    ensures bounded: \abs(\result) <= \abs(target_mdeg_s) || \abs(\result) <= \abs(state->speed_mdeg_s);
    ensures slows: lowers(target_mdeg_s, state->speed_mdeg_s) ==>
        lowers(\result, state->speed_mdeg_s) && lowers(target_mdeg_s, \result);
    ensures waits: state->speed_mdeg_s == 0 && state->zero_ticks < joint->reversal_ticks &&
        ((state->last_direction == 1 && target_mdeg_s < 0) || (state->last_direction == -1 && target_mdeg_s > 0)) ==> \result == 0; */
int32_t motion_ramp(const table_joint_t *joint, const law_joint_state_t *state, int32_t decelerate_mdeg_s,
                    int32_t target_mdeg_s);
/*@ requires \valid_read(look) && \valid(flags) && \separated(flags, look) && look_fits(look, speed_mdeg_s);
    assigns *flags;
    ensures lowers: lowers(\result, speed_mdeg_s);
    ensures stopped: -look->cap_mdeg_s <= \result <= look->cap_mdeg_s;
    ensures kept: -look->cap_mdeg_s <= speed_mdeg_s <= look->cap_mdeg_s ==> \result == speed_mdeg_s && *flags == \old(*flags); */
int32_t motion_soft_stop(const motion_look_t *look, int32_t speed_mdeg_s, uint32_t *flags);
/*@ requires \valid_read(joint) && \valid_read(look) && \valid(speed_mdeg_s) && \valid(flags);
    requires \separated(speed_mdeg_s, flags, joint, look) && joint_flows_soundly(joint);
    requires speed_sound(*speed_mdeg_s) && look_fits(look, *speed_mdeg_s);
    assigns *speed_mdeg_s, *flags;
    ensures limited: 0 <= \result <= joint->flow_max_e4[direction_of_speed(\old(*speed_mdeg_s))] <= TABLE_FULL_E4;
    ensures lowers: lowers(*speed_mdeg_s, \old(*speed_mdeg_s));
    ensures directed: *speed_mdeg_s == 0 ==> \result == 0; */
int32_t motion_flow_e4(const table_joint_t *joint, const motion_look_t *look, int32_t *speed_mdeg_s, uint32_t *flags);
/*@ requires \valid(state) && speed_sound(speed_mdeg_s) && -1 <= state->last_direction <= 1;
    assigns state->speed_mdeg_s, state->zero_ticks, state->last_direction;
    ensures speed: state->speed_mdeg_s == speed_mdeg_s;
    ensures zero: speed_mdeg_s == 0 ==> state->last_direction == \old(state->last_direction) &&
        state->zero_ticks == (\old(state->zero_ticks) < 65535 ? \old(state->zero_ticks) + 1 : 65535);
    ensures moving: speed_mdeg_s != 0 ==> state->zero_ticks == 0 && state->last_direction == (speed_mdeg_s > 0 ? 1 : -1); */
void motion_keep(law_joint_state_t *state, int32_t speed_mdeg_s);

/* coupled.c: L6c and, with the speeds of L7, L7f */
/*@ predicate coupled_sound(table_coupled_t *stop) =
        0 <= stop->joint[0] < stop->joint[1] < TABLE_JOINTS_MAX && -TABLE_COUPLED_ROOM_MAX_MDEG <= stop->limit_mdeg &&
        stop->limit_mdeg <= TABLE_COUPLED_ROOM_MAX_MDEG &&
        (\forall integer i; 0 <= i < 2 ==> -10000 <= stop->weight_e3[i] <= 10000 && stop->weight_e3[i] != 0) &&
        curve_ready(&stop->brake) && curve_within(&stop->brake, 0, TABLE_COUPLED_SPEED_MAX_MDEG_S);
    predicate positions_sound(law_state_t *state) =
        \forall integer i; 0 <= i < TABLE_JOINTS_MAX ==> position_sound(&state->joint[i]); */

/*@ requires \valid_read(stop) && \valid_read(state) && coupled_sound(stop) && positions_sound(state);
    assigns \nothing;
    ensures range: 0 <= \result <= TABLE_COUPLED_SPEED_MAX_MDEG_S; */
int32_t coupled_cap(const table_coupled_t *stop, const law_state_t *state);
/* INV-COUPLED-1; INV-COUPLED-2 (the assertion at its end) is not shown by WP. */
/*@ requires \valid_read(stop) && \valid_read(state) && \valid(speed_mdeg_s + (0 .. 1));
    requires \separated(speed_mdeg_s + (0 .. 1), stop, state) && coupled_sound(stop) && positions_sound(state);
    requires speed_sound(speed_mdeg_s[0]) && speed_sound(speed_mdeg_s[1]);
    assigns speed_mdeg_s[0 .. 1];
    ensures lowers: lowers(speed_mdeg_s[0], \old(speed_mdeg_s[0])) && lowers(speed_mdeg_s[1], \old(speed_mdeg_s[1])); */
/* Speeds of the stop's two joints, lowered in place; bit n of the result: joint n of the stop was. */
uint32_t coupled_lower(const table_coupled_t *stop, const law_state_t *state, int32_t speed_mdeg_s[2]);
/*@ requires \valid_read(table) && \valid_read(state) && \valid(speed_mdeg_s + (0 .. TABLE_JOINTS_MAX - 1)) && \valid(out);
    requires \separated(table, state, speed_mdeg_s + (0 .. TABLE_JOINTS_MAX - 1), out);
    requires 0 <= table->coupled_count <= TABLE_COUPLED_MAX && positions_sound(state);
    requires \forall integer i; 0 <= i < table->coupled_count ==> coupled_sound(&table->coupled[i]);
    requires speeds_sound(speed_mdeg_s, TABLE_JOINTS_MAX);
    assigns speed_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
    ensures lowers: \forall integer i; 0 <= i < TABLE_JOINTS_MAX ==> lowers(speed_mdeg_s[i], \old(speed_mdeg_s[i])); */
void coupled_step(const table_t *table, const law_state_t *state, int32_t *speed_mdeg_s, law_out_t *out);

/* tip.c: L6f, L7g */
/*@ predicate reaches_sound(table_t *table) = 1 <= table->joint_count <= TABLE_JOINTS_MAX && 0 <= table->tip_mdeg_mm_s <= 2000000000 &&
        \forall integer i; 0 <= i < table->joint_count ==> 0 <= table->joint[i].reach_mm <= TABLE_REACH_MAX_MM; */

/*@ requires \valid_read(table) && \valid_read(speed_mdeg_s + (0 .. table->joint_count - 1));
    requires reaches_sound(table) && speeds_sound(speed_mdeg_s, table->joint_count);
    assigns \nothing;
    ensures range: 0 <= \result <= 16 * (200000 * 65535); */
int64_t tip_sum(const table_t *table, const int32_t *speed_mdeg_s);
/* INV-TIP-1; that the sum is within the limit afterwards (the assertion at its end) is not shown by WP. */
/*@ requires \valid_read(table) && \valid(wanted_mdeg_s + (0 .. TABLE_JOINTS_MAX - 1)) && \valid(out);
    requires \separated(table, wanted_mdeg_s + (0 .. TABLE_JOINTS_MAX - 1), out);
    requires reaches_sound(table) && speeds_sound(wanted_mdeg_s, table->joint_count) && mode < TABLE_MODES;
    assigns wanted_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
    ensures lowers: \forall integer i; 0 <= i < table->joint_count ==> lowers(wanted_mdeg_s[i], \old(wanted_mdeg_s[i]));
    ensures full_speed: mode == TABLE_FULL_SPEED ==> \forall integer i; 0 <= i < table->joint_count ==>
        wanted_mdeg_s[i] == \old(wanted_mdeg_s[i]); */
void tip_scale(const table_t *table, uint32_t mode, int32_t *wanted_mdeg_s, law_out_t *out);
/*@ requires \valid_read(table) && \valid_read(state) && \valid(speed_mdeg_s + (0 .. TABLE_JOINTS_MAX - 1)) && \valid(out);
    requires \separated(table, state, speed_mdeg_s + (0 .. TABLE_JOINTS_MAX - 1), out) && state->mode < TABLE_MODES;
    requires reaches_sound(table) && speeds_sound(speed_mdeg_s, table->joint_count);
    requires \forall integer i; 0 <= i < table->joint_count ==> speed_sound(state->joint[i].speed_mdeg_s);
    assigns speed_mdeg_s[0 .. TABLE_JOINTS_MAX - 1], out->joint[0 .. TABLE_JOINTS_MAX - 1].flags;
    ensures lowers: \forall integer i; 0 <= i < table->joint_count ==> lowers(speed_mdeg_s[i], \old(speed_mdeg_s[i])); */
void tip_hold(const table_t *table, const law_state_t *state, int32_t *speed_mdeg_s, law_out_t *out);

/* valve.c: L8 */
/*@ requires \valid_read(joint) && joint_flows_soundly(joint);
    requires 0 <= flow_e4 <= TABLE_FULL_E4;
    assigns \nothing;
    ensures zero: flow_e4 == 0 || speed_mdeg_s == 0 ==> \result == 0;
    behavior straight:
        assumes joint->polarity == 1;
        ensures up: speed_mdeg_s > 0 ==> 0 <= \result <= joint->drive_max_e4;
        ensures down: speed_mdeg_s <= 0 ==> -joint->drive_max_e4 <= \result <= 0;
    behavior reversed:
        assumes joint->polarity == -1;
        ensures up: speed_mdeg_s > 0 ==> -joint->drive_max_e4 <= \result <= 0;
        ensures down: speed_mdeg_s <= 0 ==> 0 <= \result <= joint->drive_max_e4;
    complete behaviors; */
int32_t valve_drive_e4(const table_joint_t *joint, int32_t speed_mdeg_s, int32_t flow_e4);

/* watch.c: L9 */
law_fault_t watch_step(const table_t *table, law_state_t *state, const law_in_t *in);

/*@ predicate moving(integer name) = name == LAW_RUNNING || name == LAW_STOPPING;
    predicate machine_sound(table_t *table) =
        1 <= table->joint_count <= TABLE_JOINTS_MAX && 1 <= table->discrepancy_ticks <= 60000 && 3 <= table->power_up_ticks <= 60000 &&
        1 <= table->reset_min_ticks < table->reset_max_ticks <= 60000 && 0 <= table->load_ticks <= 60000 &&
        1 <= table->match_ticks <= 60000 && 1 <= table->authority_step_q16 <= CORE_Q16 && 0 <= table->stop_category <= 1 &&
        0 <= table->stop_ticks <= 10000 && 0 <= table->release_ticks <= 10000 &&
        (\forall integer i; 0 <= i < table->joint_count ==> 1 <= table->joint[i].operator_sensor.track_count <= 2 &&
            1 <= table->joint[i].position_sensor.track_count <= 2);
    predicate safety_sound(law_state_t *state) =
        state->state < LAW_STATES && state->mode < TABLE_MODES && 0 <= state->authority_q16 <= CORE_Q16 &&
        (!moving(state->state) ==> state->authority_q16 == 0) &&
        (state->state == LAW_STOPPING ==> state->cause == LAW_CAUSE_STOP || state->cause == LAW_CAUSE_RELEASED);
    predicate stop_is_open(integer digital) = (digital & LAW_IN_STOP_1) == 0 || (digital & LAW_IN_STOP_2) == 0;
    predicate is_held(integer digital) = (digital & LAW_IN_ENABLING) != 0; */
/* safety.c: L10 */
/*@ requires \valid_read(table) && \valid(state) && \separated(table, state);
    requires machine_sound(table) && state->discrepancy <= table->discrepancy_ticks;
    assigns state->both_must_open, state->discrepancy;
    ensures counted: state->discrepancy <= table->discrepancy_ticks;
    ensures both_open: (digital & LAW_IN_STOP_1) == 0 && (digital & LAW_IN_STOP_2) == 0 ==> !state->both_must_open;
    ensures kept: \old(state->both_must_open) && ((digital & LAW_IN_STOP_1) != 0 || (digital & LAW_IN_STOP_2) != 0) ==>
        state->both_must_open;
    ensures found: state->discrepancy == table->discrepancy_ticks ==> state->both_must_open; */
void safety_discrepancy(const table_t *table, law_state_t *state, uint32_t digital);
/*@ requires \valid_read(table) && \valid(state) && \valid_read(fault) && \separated(table, state, fault);
    requires machine_sound(table) && safety_sound(state) && fault->cause < LAW_CAUSES;
    assigns state->state, state->cause, state->cause_joint, state->mode, state->permit, state->seen_released, state->press_ticks,
        state->state_ticks, state->match_ticks, state->authority_q16, state->joint[0 .. TABLE_JOINTS_MAX - 1].quiet_ticks,
        state->joint[0 .. TABLE_JOINTS_MAX - 1].quiet_anchor_mdeg;
    ensures sound: safety_sound(state);
    ensures no_authority: !moving(state->state) ==> state->authority_q16 == 0;
    ensures faults: fault->cause != LAW_CAUSE_NONE && \old(state->state) != LAW_POWERING_UP ==> state->state == LAW_FAULT;
    ensures stops: stop_is_open(digital) ==> state->state != LAW_RUNNING && state->state != LAW_MATCHING &&
        (state->state == LAW_STOPPING ==> moving(\old(state->state)) && state->cause == LAW_CAUSE_STOP && table->stop_category == 1);
    ensures hold_to_run: !is_held(digital) ==> state->state != LAW_RUNNING && state->state != LAW_MATCHING;
    ensures through_matching: state->state == LAW_RUNNING ==> \old(state->state) == LAW_RUNNING || \old(state->state) == LAW_MATCHING;
    ensures through_stopped: state->state == LAW_MATCHING ==> \old(state->state) == LAW_MATCHING || \old(state->state) == LAW_STOPPED;
    ensures key_off: state->state == LAW_MATCHING && \old(state->state) != LAW_MATCHING ==> (digital & LAW_IN_KEY) == 0;
    ensures starts_at_zero: state->state == LAW_RUNNING && \old(state->state) == LAW_MATCHING ==> state->authority_q16 == 0;
    ensures gains_slowly: state->authority_q16 <= \old(state->authority_q16) + table->authority_step_q16;
    ensures mode_never_rises: state->mode == TABLE_FULL_SPEED && moving(state->state) ==> \old(state->mode) == TABLE_FULL_SPEED; */
void safety_step(const table_t *table, law_state_t *state, uint32_t digital, const law_fault_t *fault);
void safety_waits(const table_t *table, const law_state_t *state, uint32_t digital, law_out_t *out);
/*@ assigns \nothing;
    ensures exact: \result <==> moving(state_name); */
bool safety_moves(uint32_t state_name);   /* running or stopping */
/*@ assigns \nothing;
    ensures exact: \result <==> state_name == LAW_MATCHING || moving(state_name); */
bool safety_enables(uint32_t state_name); /* the enable output is on */

#endif
