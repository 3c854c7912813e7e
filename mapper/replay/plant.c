/* The joints and hydraulics behind the valves, stepped once a tick: the compiled twin of plant.py.
 *
 * plant.py is the definition and explains every line; this file does the same operations in the same order, so that the
 * two agree to the last bit (compile with -ffp-contract=off; the only library call is cos). Host only: the core never sees
 * this file, which is why it may use floating point.
 */
#include "law.h"

#include <math.h>
#include <string.h>

#define PLANT_POINTS_MAX 12
#define PLANT_DELAY_MAX 256
#define PLANT_IN_INTS (2 + TABLE_INPUTS_MAX)
#define PLANT_OUT_INTS (9 + 7 * TABLE_JOINTS_MAX)
#define PLANT_JOINT_DOUBLES 3 /* position deg, speed deg/s, flow m3/s */
#define PLANT_HEAD_DOUBLES 3  /* flow asked of the pump, flow given, factor */
#define PLANT_CLOSED 1e-9
#define PLANT_DEG (180.0 / 3.14159265358979323846)

typedef struct {
    int32_t input, count;
    double value[PLANT_POINTS_MAX], at[PLANT_POINTS_MAX], slope[PLANT_POINTS_MAX];
} plant_track_t;

typedef struct {
    int32_t kind; /* 0 cylinder, 1 motor, 2 electric */
    int32_t continuous, polarity, dead_ticks, track_count;
    int32_t side_count[TABLE_DIRECTIONS];
    double side_x[TABLE_DIRECTIONS][PLANT_POINTS_MAX], side_y[TABLE_DIRECTIONS][PLANT_POINTS_MAX];
    double side_slope[TABLE_DIRECTIONS][PLANT_POINTS_MAX];
    double play, alpha, gain[TABLE_DIRECTIONS], full_flow;
    double product, squares, included, sense, area[TABLE_DIRECTIONS]; /* cylinder */
    double speed_scale;                                        /* motor: rad/m3; electric: rad/s */
    double lower, upper;
    plant_track_t track[2];
} plant_joint_t;

typedef struct {
    int32_t joint_count, spare;
    double tick, pump_flow;
    plant_joint_t joint[TABLE_JOINTS_MAX];
} plant_t;

typedef struct {
    double spool, lag, position, delay[PLANT_DELAY_MAX];
    int32_t delay_at, spare;
} plant_joint_state_t;

typedef struct {
    plant_joint_state_t joint[TABLE_JOINTS_MAX];
} plant_state_t;

typedef struct {
    int32_t first_tick, end_tick, input, kind; /* kind 0: the input reads `count`; 1: it keeps what it read before */
    int32_t count;
} plant_fault_t;

typedef struct { /* one whole recording; `in` is filled in with what the law was given */
    const table_t *table;
    law_state_t *law;
    const plant_t *plant;
    plant_state_t *state;
    plant_fault_t *faults;
    int32_t *in;
    int32_t *out;    /* may be NULL: not kept */
    double *motion;  /* may be NULL: not kept */
    int64_t ticks;
    int32_t fault_count, first_tick;
} plant_run_t;

size_t plant_bytes(int32_t what);
void plant_counts(const plant_t *plant, const plant_state_t *state, int32_t *counts);
void plant_step(const plant_t *plant, plant_state_t *state, const int32_t *drives, double *motion);
void plant_replay(const plant_run_t *run);

/* For the binding: the layouts must be those that plant.py builds. */
size_t plant_bytes(int32_t what)
{
    const size_t sizes[4] = {sizeof(plant_t), sizeof(plant_state_t), sizeof(plant_fault_t), sizeof(plant_run_t)};
    return (what >= 0 && what < 4) ? sizes[what] : 0;
}

static double share_at(const plant_joint_t *joint, int32_t side, double x)
{
    const double *xs = joint->side_x[side];
    const double *ys = joint->side_y[side];
    const int32_t last = joint->side_count[side] - 1;
    int32_t i = 0;
    if (x <= xs[0]) {
        return ys[0];
    }
    if (x >= xs[last]) {
        return ys[last];
    }
    while (x >= xs[i + 1]) {
        i++;
    }
    return ys[i] + (x - xs[i]) * joint->side_slope[side][i];
}

static int32_t count_at(const plant_track_t *track, double value)
{
    const int32_t last = track->count - 1;
    int32_t i = 0;
    double count = track->at[0];
    if (value >= track->value[last]) {
        count = track->at[last];
    } else if (value > track->value[0]) {
        while (value >= track->value[i + 1]) {
            i++;
        }
        count = track->at[i] + (value - track->value[i]) * track->slope[i];
    }
    return (int32_t)(count + 0.5);
}

void plant_counts(const plant_t *plant, const plant_state_t *state, int32_t *counts)
{
    for (int32_t j = 0; j < plant->joint_count; j++) {
        const plant_joint_t *joint = &plant->joint[j];
        for (int32_t t = 0; t < joint->track_count; t++) {
            counts[joint->track[t].input] = count_at(&joint->track[t], state->joint[j].position);
        }
    }
}

/* Drive to the share of rated flow, signed in the joint's direction, behind hysteresis, crack point, dead time and lag. */
static double valve_share(const plant_joint_t *joint, plant_joint_state_t *state, int32_t drive_e4)
{
    const double drive = (double)(drive_e4 * joint->polarity) / 10000.0;
    double share = 0.0;
    if (drive_e4 == 0) {
        state->spool = 0.0;
    } else if (drive - joint->play > state->spool) {
        state->spool = drive - joint->play;
    } else if (drive + joint->play < state->spool) {
        state->spool = drive + joint->play;
    }
    if (state->spool > 0.0) {
        share = share_at(joint, TABLE_POSITIVE, state->spool);
    } else if (state->spool < 0.0) {
        share = -share_at(joint, TABLE_NEGATIVE, -state->spool);
    }
    if (joint->dead_ticks > 0) {
        const double now = share;
        share = state->delay[state->delay_at];
        state->delay[state->delay_at] = now;
        state->delay_at = state->delay_at + 1 == joint->dead_ticks ? 0 : state->delay_at + 1;
    }
    state->lag = state->lag + joint->alpha * (share - state->lag);
    if (share == 0.0 && state->lag < PLANT_CLOSED && state->lag > -PLANT_CLOSED) {
        state->lag = 0.0;
    }
    return state->lag * (state->lag > 0.0 ? joint->gain[0] : joint->gain[1]);
}

/* Joint speed in rad/s for a signed flow (electric: a signed share of full speed). */
static double joint_speed(const plant_joint_t *joint, double position, double flow)
{
    double cosine;
    double length;
    double product;
    if (flow == 0.0 || joint->kind != 0) {
        return flow * joint->speed_scale;
    }
    cosine = cos(joint->included + joint->sense * position);
    length = sqrt(joint->squares - 2.0 * joint->product * cosine);
    product = joint->product * sqrt(1.0 - cosine * cosine);
    if (product < 0.001 * length) {
        product = 0.001 * length;
    }
    return flow * length / (joint->area[flow > 0.0 ? 0 : 1] * product);
}

static double moved(const plant_joint_t *joint, double position)
{
    const double turn = 2.0 * 3.14159265358979323846;
    if (joint->continuous != 0) {
        if (position >= 3.14159265358979323846) {
            position = position - turn;
        } else if (position < -3.14159265358979323846) {
            position = position + turn;
        }
        return position;
    }
    if (position > joint->upper) {
        position = joint->upper;
    } else if (position < joint->lower) {
        position = joint->lower;
    }
    return position;
}

void plant_step(const plant_t *plant, plant_state_t *state, const int32_t *drives, double *motion)
{
    double flow[TABLE_JOINTS_MAX];
    double asked = 0.0;
    double factor = 1.0;
    for (int32_t j = 0; j < plant->joint_count; j++) {
        const plant_joint_t *joint = &plant->joint[j];
        const double share = valve_share(joint, &state->joint[j], drives[j]);
        flow[j] = share;
        if (joint->kind != 2) {
            flow[j] = share * joint->full_flow;
            asked = asked + fabs(flow[j]);
        }
    }
    if (asked > plant->pump_flow) {
        factor = plant->pump_flow / asked;
    }
    for (int32_t j = 0; j < plant->joint_count; j++) {
        const plant_joint_t *joint = &plant->joint[j];
        plant_joint_state_t *own = &state->joint[j];
        const double before = own->position;
        double speed;
        if (joint->kind != 2) {
            flow[j] = flow[j] * factor;
        }
        speed = joint_speed(joint, before, flow[j]);
        own->position = moved(joint, before + plant->tick * speed);
        if (motion != NULL) {
            double *row = motion + PLANT_HEAD_DOUBLES + PLANT_JOINT_DOUBLES * j;
            if (joint->continuous == 0 && own->position == before) {
                speed = 0.0; /* against a hard stop, or standing */
            }
            row[0] = own->position * PLANT_DEG;
            row[1] = speed * PLANT_DEG;
            row[2] = joint->kind != 2 ? flow[j] : 0.0;
        }
    }
    if (motion != NULL) {
        motion[0] = asked;
        motion[1] = asked * factor;
        motion[2] = factor;
    }
}

static void apply_faults(const plant_run_t *run, int64_t tick, int32_t *row)
{
    for (int32_t f = 0; f < run->fault_count; f++) {
        plant_fault_t *fault = &run->faults[f];
        if (tick < fault->first_tick || tick >= fault->end_tick) {
            if (fault->kind == 1 && tick < fault->first_tick) {
                fault->count = row[2 + fault->input];
            }
            continue;
        }
        row[2 + fault->input] = fault->count;
    }
}

/* One recording: sensors from the plant, faults, the law, the plant, and so on to the end. */
void plant_replay(const plant_run_t *run)
{
    const int32_t joint_count = run->plant->joint_count;
    const size_t motion_doubles = (size_t)(PLANT_HEAD_DOUBLES + PLANT_JOINT_DOUBLES * joint_count);
    for (int64_t k = 0; k < run->ticks; k++) {
        int32_t *row = run->in + k * PLANT_IN_INTS;
        int32_t drives[TABLE_JOINTS_MAX];
        law_in_t in;
        law_out_t out;
        plant_counts(run->plant, run->state, row + 2);
        apply_faults(run, k + run->first_tick, row);
        in.elapsed_us = (uint32_t)row[0];
        in.digital = (uint32_t)row[1];
        for (int32_t i = 0; i < TABLE_INPUTS_MAX; i++) {
            in.counts[i] = (uint16_t)row[2 + i];
        }
        law_step(run->table, run->law, &in, &out);
        for (int32_t j = 0; j < joint_count; j++) {
            drives[j] = out.joint[j].drive_e4;
        }
        plant_step(run->plant, run->state, drives, run->motion == NULL ? NULL : run->motion + (size_t)k * motion_doubles);
        if (run->out != NULL) {
            memcpy(run->out + k * PLANT_OUT_INTS, &out, sizeof(int32_t) * PLANT_OUT_INTS);
        }
    }
}

/* law_out_t is nothing but 32-bit words, so a trace line is a copy of it. */
typedef char plant_out_is_words[sizeof(law_out_t) == sizeof(int32_t) * PLANT_OUT_INTS ? 1 : -1];
