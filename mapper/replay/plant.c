/* The joints and hydraulics behind the valves, under load, stepped once a tick: the compiled twin of plant.py.
 *
 * plant.py is the definition and explains every line, parameters.py every number; this file does the same operations in
 * the same order, so that the two agree to the last bit (compile with -ffp-contract=off; the only library calls are cos,
 * sin and sqrt). Host only: the core never sees this file, which is why it may use floating point.
 */
#include "law.h"

#include <math.h>
#include <string.h>

#define PLANT_POINTS_MAX 12
#define PLANT_DELAY_MAX 256
#define PLANT_IN_INTS (2 + TABLE_INPUTS_MAX)
#define PLANT_OUT_INTS (9 + 7 * TABLE_JOINTS_MAX)
#define PLANT_JOINT_DOUBLES 5 /* position deg, speed deg/s, flow m3/s, inlet pressure Pa, pressure factor */
#define PLANT_HEAD_DOUBLES 4  /* flow asked of the pump, flow given, factor, pump pressure Pa */
#define PLANT_CLOSED 1e-9
#define PLANT_DEG (180.0 / 3.14159265358979323846)
#define PLANT_LEVER_LEAST 0.001

enum { PLANT_CYLINDER, PLANT_MOTOR, PLANT_ELECTRIC };
enum { PLANT_YAWS, PLANT_PITCHES, PLANT_ROLLS };

typedef struct {
    int32_t input, count;
    double value[PLANT_POINTS_MAX], at[PLANT_POINTS_MAX], slope[PLANT_POINTS_MAX];
} plant_track_t;

typedef struct { /* one direction of a joint */
    double speed_scale, driving, overrunning, back, need, out, edge_per, both_per, ahead_per;
    double counter, counter_share, counter_need, counter_out, counter_per; /* of a counterbalance valve */
    int32_t holds, spare;
} plant_way_t;

typedef struct {
    int32_t kind, continuous, polarity, dead_ticks, track_count, compensated, weighed;
    int32_t side_count[TABLE_DIRECTIONS], spare;
    double side_x[TABLE_DIRECTIONS][PLANT_POINTS_MAX], side_y[TABLE_DIRECTIONS][PLANT_POINTS_MAX];
    double side_slope[TABLE_DIRECTIONS][PLANT_POINTS_MAX];
    double play, alpha, gain[TABLE_DIRECTIONS], full_flow;
    double product, squares, included_cosine, included_sine, sense; /* cylinder */
    double torque, lower, upper;
    plant_way_t way[TABLE_DIRECTIONS];
    plant_track_t track[2];
} plant_joint_t;

typedef struct { /* a joint that turns the rest of the arm */
    int32_t joint, axis;
    double along, up;
} plant_link_t;

typedef struct {
    int32_t joint_count, link_count, load_sensing, spare;
    double tick, pump_flow, relief, margin;
    plant_joint_t joint[TABLE_JOINTS_MAX];
    plant_link_t link[TABLE_JOINTS_MAX];
} plant_t;

typedef struct {
    double spool, lag, position, angle, cosine, sine, delay[PLANT_DELAY_MAX];
    int32_t delay_at, spare;
} plant_joint_state_t;

typedef struct {
    plant_joint_state_t joint[TABLE_JOINTS_MAX];
} plant_state_t;

typedef struct { /* what one joint wants of the pump in this tick */
    const plant_way_t *way; /* NULL: shut */
    double share, inverse_lever, base, counter, left, flow, free_flow, factor, inlet;
} plant_demand_t;

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

/* Through a pointer, so that the compiler does not join the two calls: their last bit is to be that of Python's. */
static double (*const volatile plant_cos)(double) = cos;
static double (*const volatile plant_sin)(double) = sin;

static void turn(plant_joint_state_t *own)
{
    if (own->position != own->angle) {
        own->angle = own->position;
        own->cosine = plant_cos(own->position);
        own->sine = plant_sin(own->position);
    }
}

/* Gravity's direction in the frame of each link. */
static void look_down(const plant_t *plant, plant_state_t *state, double down[][3])
{
    double x = 0.0;
    double y = 0.0;
    double z = -1.0;
    for (int32_t i = 0; i < plant->link_count; i++) {
        plant_joint_state_t *own = &state->joint[plant->link[i].joint];
        const double before_x = x;
        const double before_y = y;
        turn(own);
        if (plant->link[i].axis == PLANT_PITCHES) {
            x = own->cosine * x + own->sine * z;
            z = own->cosine * z - own->sine * before_x;
        } else if (plant->link[i].axis == PLANT_ROLLS) {
            y = own->cosine * y + own->sine * z;
            z = own->cosine * z - own->sine * before_y;
        } else {
            x = own->cosine * x + own->sine * y;
            y = own->cosine * y - own->sine * before_x;
        }
        down[i][0] = x;
        down[i][1] = y;
        down[i][2] = z;
    }
}

static void gravity(const plant_t *plant, plant_state_t *state, double *torques)
{
    double down[TABLE_JOINTS_MAX][3];
    double along = 0.0;
    double left = 0.0;
    double up = 0.0;
    look_down(plant, state, down);
    for (int32_t j = 0; j < plant->joint_count; j++) {
        torques[j] = 0.0;
    }
    for (int32_t i = plant->link_count - 1; i >= 0; i--) {
        const plant_link_t *link = &plant->link[i];
        const plant_joint_state_t *own = &state->joint[link->joint];
        double torque;
        double before;
        along = link->along + along;
        up = link->up + up;
        if (link->axis == PLANT_PITCHES) {
            torque = along * down[i][2] - up * down[i][0];
            before = along;
            along = own->cosine * along - own->sine * up;
            up = own->sine * before + own->cosine * up;
        } else if (link->axis == PLANT_ROLLS) {
            torque = left * down[i][2] - up * down[i][1];
            before = left;
            left = own->cosine * left - own->sine * up;
            up = own->sine * before + own->cosine * up;
        } else {
            torque = along * down[i][1] - left * down[i][0];
            before = along;
            along = own->cosine * along - own->sine * left;
            left = own->sine * before + own->cosine * left;
        }
        torques[link->joint] = plant->joint[link->joint].weighed != 0 ? torque : 0.0;
    }
}

static double inverse_lever(const plant_joint_t *joint, plant_joint_state_t *own)
{
    double turned;
    double cosine;
    double length;
    double product;
    turn(own);
    turned = joint->sense * own->sine;
    cosine = joint->included_cosine * own->cosine - joint->included_sine * turned;
    length = sqrt(joint->squares - 2.0 * joint->product * cosine);
    product = joint->product * (joint->included_sine * own->cosine + joint->included_cosine * turned);
    if (product < PLANT_LEVER_LEAST * length) {
        product = PLANT_LEVER_LEAST * length;
    }
    return length / product;
}

/* Fills in all but what `meter` does; returns the inlet pressure that the asked flow needs, 0 for none. `torque`: of
 * gravity in the joint's positive direction.
 */
static double demand_of(const plant_joint_t *joint, plant_joint_state_t *own, double torque, plant_demand_t *demand)
{
    const int32_t direction = demand->share > 0.0 ? 0 : 1;
    const plant_way_t *way = &joint->way[direction];
    const double against = direction == 0 ? -torque : torque;
    double load;
    double need;
    demand->way = NULL;
    demand->inverse_lever = 1.0;
    demand->counter = 0.0;
    demand->flow = 0.0;
    demand->free_flow = 0.0;
    demand->inlet = 0.0;
    demand->factor = 1.0;
    if (demand->share == 0.0) {
        return 0.0;
    }
    demand->way = way;
    if (joint->kind == PLANT_ELECTRIC) {
        demand->factor = against > joint->torque ? 0.0 : 1.0;
        return 0.0;
    }
    if (joint->kind == PLANT_CYLINDER) {
        demand->inverse_lever = inverse_lever(joint, own);
    }
    load = against * demand->inverse_lever * (against > 0.0 ? way->driving : way->overrunning);
    demand->base = load + way->back;
    need = demand->base + way->need;
    if (way->holds != 0) {
        demand->counter = way->counter + load * way->counter_share;
        if (demand->counter + way->counter_need > need) {
            need = demand->counter + way->counter_need;
        }
    }
    return need;
}

static void meter(const plant_joint_t *joint, plant_demand_t *demand, double pump)
{
    const plant_way_t *way = demand->way;
    double left = (pump - demand->base) * way->both_per;
    double root = 1.0;
    if (way->holds != 0 && (pump - demand->counter) * way->counter_per < left) {
        left = (pump - demand->counter) * way->counter_per;
    }
    if (pump * way->edge_per < left) {
        left = pump * way->edge_per;
    }
    if (left <= 0.0) {
        left = 0.0;
        root = 0.0;
    } else if (joint->compensated != 0 && left >= 1.0) {
        left = 1.0;
    } else {
        root = sqrt(left);
    }
    demand->left = left;
    demand->factor = root;
    demand->flow = demand->share * joint->full_flow * root;
    if (demand->base < 0.0 && way->holds == 0) {
        demand->free_flow = demand->share * joint->full_flow * sqrt(-demand->base * way->ahead_per);
    }
}

/* Joint speed in rad/s once the pump's flow is shared by `factor`; leaves flow, inlet pressure and pressure factor. */
static double shared_speed(const plant_joint_t *joint, plant_demand_t *demand, double factor)
{
    const plant_way_t *way = demand->way;
    double moving = demand->share * demand->factor;
    if (joint->kind != PLANT_ELECTRIC) {
        const double part = factor * factor * demand->left;
        demand->flow = demand->flow * factor;
        demand->inlet = demand->base + way->out * part;
        if (way->holds != 0 && demand->counter + way->counter_out * part > demand->inlet) {
            demand->inlet = demand->counter + way->counter_out * part;
        }
        if (demand->inlet < 0.0) {
            demand->inlet = 0.0;
        }
        moving = demand->flow;
        if (fabs(demand->free_flow) > fabs(moving)) {
            moving = demand->free_flow;
            demand->factor = moving / (demand->share * joint->full_flow * factor);
        }
    }
    return moving * way->speed_scale * demand->inverse_lever;
}

static double moved(const plant_joint_t *joint, double position)
{
    const double turn_rad = 2.0 * 3.14159265358979323846;
    if (joint->continuous != 0) {
        if (position >= 3.14159265358979323846) {
            position = position - turn_rad;
        } else if (position < -3.14159265358979323846) {
            position = position + turn_rad;
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

static void move(const plant_t *plant, plant_state_t *state, plant_demand_t *demands, double factor, double *motion)
{
    for (int32_t j = 0; j < plant->joint_count; j++) {
        const plant_joint_t *joint = &plant->joint[j];
        plant_joint_state_t *own = &state->joint[j];
        plant_demand_t *demand = &demands[j];
        const double before = own->position;
        double speed = 0.0;
        if (demand->way != NULL) {
            speed = shared_speed(joint, demand, factor);
            own->position = moved(joint, before + plant->tick * speed);
        }
        if (motion != NULL) {
            double *row = motion + PLANT_HEAD_DOUBLES + PLANT_JOINT_DOUBLES * j;
            if (joint->continuous == 0 && own->position == before) {
                speed = 0.0; /* against a hard stop, or standing */
            }
            row[0] = own->position * PLANT_DEG;
            row[1] = speed * PLANT_DEG;
            row[2] = demand->flow;
            row[3] = demand->inlet;
            row[4] = demand->factor;
        }
    }
}

void plant_step(const plant_t *plant, plant_state_t *state, const int32_t *drives, double *motion)
{
    plant_demand_t demands[TABLE_JOINTS_MAX];
    double torques[TABLE_JOINTS_MAX];
    double highest = 0.0;
    double pump = plant->relief;
    double asked = 0.0;
    double factor = 1.0;
    gravity(plant, state, torques);
    for (int32_t j = 0; j < plant->joint_count; j++) {
        double need;
        demands[j].share = valve_share(&plant->joint[j], &state->joint[j], drives[j]);
        need = demand_of(&plant->joint[j], &state->joint[j], torques[j], &demands[j]);
        if (need > highest) {
            highest = need;
        }
    }
    if (plant->load_sensing != 0 && highest + plant->margin < plant->relief) {
        pump = highest + plant->margin;
    }
    for (int32_t j = 0; j < plant->joint_count; j++) {
        if (demands[j].way != NULL && plant->joint[j].kind != PLANT_ELECTRIC) {
            meter(&plant->joint[j], &demands[j], pump);
            asked = asked + fabs(demands[j].flow);
        }
    }
    if (asked > plant->pump_flow) {
        factor = plant->pump_flow / asked;
    }
    move(plant, state, demands, factor, motion);
    if (motion != NULL) {
        motion[0] = asked;
        motion[1] = asked * factor;
        motion[2] = factor;
        motion[3] = pump;
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
