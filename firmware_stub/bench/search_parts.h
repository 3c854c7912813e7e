/* The parts of the search, one file each: search.c puts them together. Not for use elsewhere. */
#ifndef SEARCH_PARTS_H
#define SEARCH_PARTS_H
#include "search.h"

#define SEARCH_FAULTS SEARCH_SEGMENTS

typedef struct {
    const table_t *table;
    search_joint_t joint[TABLE_JOINTS_MAX];
    int32_t count_max;
} search_setup_t;

/* search_curve.c: the table's curves in doubles, written a second time, and backwards */
double search_curve_at(const curve_t *curve, double x);
double search_curve_inverse(const curve_t *curve, double y); /* of a curve that never turns back; ends held */
double search_sine(double turns);
double search_between(double value, double lower, double upper);
double search_size(double value);
double search_wrap(double angle_mdeg);

/* search_plant.c */
typedef struct {
    double gain, alpha, position, speed;
    double delay[SEARCH_DEAD_MAX];
    int32_t dead_ticks, at, busy;  /* busy: ticks until nothing is left in the delay */
    bool stuck;                    /* the spool stays where it is */
    double stuck_flow;
} search_plant_t;
void search_plant_start(const search_setup_t *setup, const uint8_t *head, search_plant_t *plants);
void search_plant_step(const search_setup_t *setup, const law_out_t *out, search_plant_t *plants);

/* search_monitor.c, search_monitor_joint.c, search_monitor_together.c */
#define MONITOR_GRAIN_MDEG 3.0 /* what whole numbers in curve and room may take away */

typedef struct {
    double sample[3];   /* the newest first */
    double low, high;   /* of the three */
    int32_t count;      /* of the newest, -1: none yet */
    uint32_t sound;     /* ticks in a row inside the window and without a jump */
    uint32_t same;      /* ticks in a row with that count */
    uint32_t outside;   /* ticks in a row outside the window */
} monitor_track_t;

typedef struct {
    monitor_track_t operator_track[2], position_track[2];
    int32_t read[4];    /* counts of the tick before: operator's tracks, position's tracks */
    uint32_t read_ticks;
    bool any_outside;
    bool fresh;         /* the position is beyond doubt: the law must have taken the newest samples */
    double low, high;   /* larger and smaller position as far as the law may take them for it, see monitor_sense */
    double low_of_larger, high_of_larger, low_of_smaller, high_of_smaller;
    int32_t speed, last_sign, flow, drive;
    uint32_t zero_ticks, apart_ticks;
    uint32_t busy_ticks, stall_ticks, quiet_ticks, window_ticks;
    bool stall_first; /* no motion since the flow began */
    double stall_low, stall_high, anchor_low, anchor_high;
} monitor_joint_t;

typedef struct {
    uint32_t state, mode, enable;
    int32_t authority;
    bool permit, released, must_open; /* must_open: the stop channels differed for too long and were not both seen open since */
    uint32_t press_ticks, differ_ticks, matching_ticks, matched_ticks;
    int32_t stop_clock, release_clock; /* -1: not running */
    int32_t bad_joint; /* counts of one of its sensors are a fault; LAW_NO_JOINT: none */
    monitor_joint_t joint[TABLE_JOINTS_MAX];
} monitor_t;

typedef struct { /* one tick, for the monitor */
    const law_in_t *in;
    const law_out_t *out;
    const int32_t *true_mdeg; /* NULL: not known */
    const uint8_t *doubtful;  /* NULL: no joint is */
    uint32_t failed_line;     /* of an assertion of the core, 0 for none */
} monitor_tick_t;

void monitor_start(monitor_t *monitor);
/* False when something is wrong: then *found says what, all but the tick. */
bool monitor_step(const search_setup_t *setup, monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found);
bool monitor_joints(const search_setup_t *setup, monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found);
bool monitor_together(const search_setup_t *setup, const monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found);
void monitor_sense(const search_setup_t *setup, monitor_t *monitor, const law_in_t *in);
/* A coupled stop may be why this joint lost speed at once. */
bool monitor_coupled_reason(const table_t *table, const monitor_t *monitor, int32_t index);
bool monitor_moves(uint32_t state);
int32_t monitor_direction(int32_t speed);
bool monitor_name(search_found_t *found, search_rule_t rule, int32_t joint, double value, double bound); /* false */

/* search_script.c */
typedef struct {
    int32_t input, kind, amount, held;
    int64_t first_tick, end_tick;
    int32_t joint; /* of a stuck spool */
} script_fault_t;

typedef struct {
    const search_setup_t *setup;
    const search_trace_t *trace;
    search_found_t *found;
    law_state_t law;
    law_in_t in;
    law_out_t out;
    monitor_t monitor;
    search_plant_t plant[TABLE_JOINTS_MAX];
    double hand[TABLE_JOINTS_MAX]; /* the operator, in the unit of the operator's curve */
    double hand_read[TABLE_JOINTS_MAX], position_read[TABLE_JOINTS_MAX];
    double pose_at[TABLE_JOINTS_MAX], pose[TABLE_JOINTS_MAX]; /* the operator's place for the arm's */
    bool posed[TABLE_JOINTS_MAX];
    uint16_t sound[TABLE_INPUTS_MAX]; /* counts without faults */
    script_fault_t fault[SEARCH_FAULTS];
    int32_t fault_count;
    uint8_t doubtful[TABLE_JOINTS_MAX];
    uint32_t digital; /* what is held, law_digital_t */
    uint32_t dice;
    int32_t noise;
    int64_t tick;
    bool starts, late, ended; /* of the next tick; ended: found something, or no more room in the trace */
} script_t;

void script_run(script_t *script, const uint8_t *genome);
void script_tick(script_t *script); /* search.c: one tick of everything */
void script_counts(script_t *script); /* fills script->in.counts */

#endif
