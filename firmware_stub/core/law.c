/* The tick: the steps of rule L1 in their order. The rules are at the top of law.h. */
#include "law.h"
#include "law_parts.h"

void law_start(law_state_t *state)
{
    core_fill((uint8_t *)state, 0, sizeof *state);
    state->state = LAW_POWERING_UP;
    state->cause_joint = LAW_NO_JOINT;
    state->press_ticks = 65535u; /* L10c: a button held at start means nothing */
}

static void sense_all(const table_t *table, law_state_t *state, const law_in_t *in)
{
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        law_joint_state_t *own = &state->joint[i];
        sense_step(&joint->operator_sensor, false, in->counts, &own->operator_sensor);
        sense_step(&joint->position_sensor, joint->continuous != 0, in->counts, &own->position_sensor);
        demand_step(table, i, own);
    }
}

/*@ requires \valid_read(table) && \valid(look + (0 .. TABLE_JOINTS_MAX - 1)) && \separated(table, look + (0 .. TABLE_JOINTS_MAX - 1));
    requires 1 <= table->joint_count <= TABLE_JOINTS_MAX;
    assigns look[0 .. TABLE_JOINTS_MAX - 1];
    ensures nowhere: \forall integer i; 0 <= i < table->joint_count ==> look[i].sign == 0 && look[i].cap_mdeg_s == 0; */
static void look_nowhere(const table_t *table, motion_look_t *look)
{
    /*@ loop invariant 0 <= i <= table->joint_count;
        loop invariant \forall integer k; 0 <= k < i ==> look[k].sign == 0 && look[k].cap_mdeg_s == 0;
        loop assigns i, look[0 .. TABLE_JOINTS_MAX - 1];
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        look[i].sign = 0;
        look[i].cap_mdeg_s = 0;
    }
}

/* L5 and L6: what every joint is asked to do, in out->joint[].wanted_mdeg_s. */
static void ask_all(const table_t *table, const law_state_t *state, motion_look_t *look, law_out_t *out)
{
    int32_t wanted[TABLE_JOINTS_MAX];
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        const law_joint_state_t *own = &state->joint[i];
        uint32_t *flags = &out->joint[i].flags;
        const int32_t asked =
            state->state == LAW_STOPPING ? 0 : demand_speed(joint, own, state->mode, flags);
        motion_look(joint, own, asked, &look[i]);
        wanted[i] = motion_limit(joint, &look[i], state->mode, asked, flags);
    }
    coupled_step(table, state, wanted, out);
    if (state->authority_q16 != CORE_Q16) { /* all of it changes nothing */
        for (int32_t i = 0; i < table->joint_count; i++) {
            wanted[i] = motion_authority(wanted[i], state->authority_q16);
        }
    }
    tip_scale(table, state->mode, wanted, out);
    const int32_t share_q16 = motion_share_q16(table, look, wanted);
    out->share_q16 = share_q16;
    for (int32_t i = 0; i < table->joint_count; i++) {
        out->joint[i].wanted_mdeg_s = share_q16 == CORE_Q16 ? wanted[i] : motion_authority(wanted[i], share_q16);
        if (out->joint[i].wanted_mdeg_s != wanted[i]) {
            out->joint[i].flags |= LAW_FLAG_SHARED;
        }
    }
}

/* L7a to L7c for every joint, then what looks at several at once: L7f, L7g. The state still has the speeds of the tick before. */
static void ramp_all(const table_t *table, const law_state_t *state, motion_look_t *look, int32_t *speed_mdeg_s,
                     law_out_t *out)
{
    const bool stopping = state->state == LAW_STOPPING;
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        const law_joint_state_t *own = &state->joint[i];
        const int32_t decelerate = stopping ? joint->stop_mdeg_s : joint->decelerate_mdeg_s;
        const int32_t ramped = motion_ramp(joint, own, decelerate, out->joint[i].wanted_mdeg_s);
        motion_look(joint, own, ramped, &look[i]);
        speed_mdeg_s[i] = motion_soft_stop(&look[i], ramped, &out->joint[i].flags);
    }
    coupled_step(table, state, speed_mdeg_s, out);
    tip_hold(table, state, speed_mdeg_s, out);
}

/*@ requires \valid_read(joint) && \valid_read(look) && \valid(own) && \valid(out) && \separated(joint, look, own, out);
    requires joint_sound(joint) && look_fits(look, ramped_mdeg_s) && speed_sound(ramped_mdeg_s) && -1 <= own->last_direction <= 1;
    assigns own->speed_mdeg_s, own->zero_ticks, own->last_direction, own->flow_e4, own->drive_e4, out->flags;
    ensures limited: -joint->drive_max_e4 <= own->drive_e4 <= joint->drive_max_e4 && 0 <= own->flow_e4 <= TABLE_FULL_E4;
    ensures lowers: lowers(own->speed_mdeg_s, ramped_mdeg_s);
    ensures zero: ramped_mdeg_s == 0 ==> own->drive_e4 == 0 && own->flow_e4 == 0;
    ensures straight: joint->polarity == 1 && own->drive_e4 > 0 ==> ramped_mdeg_s > 0;
    ensures reversed: joint->polarity == -1 && own->drive_e4 < 0 ==> ramped_mdeg_s > 0; */
/* L7d, L7e and L8 for one joint. */
static void move(const table_joint_t *joint, const motion_look_t *look, int32_t ramped_mdeg_s, law_joint_state_t *own,
                 law_joint_out_t *out)
{
    int32_t speed = ramped_mdeg_s;
    const int32_t flow = motion_flow_e4(joint, look, &speed, &out->flags);
    CORE_ASSERT(speed == ramped_mdeg_s || core_magnitude(speed) < core_magnitude(ramped_mdeg_s));
    motion_keep(own, speed);
    own->flow_e4 = flow;
    own->drive_e4 = valve_drive_e4(joint, speed, flow);
    CORE_ASSERT(own->drive_e4 <= joint->drive_max_e4 && own->drive_e4 >= -joint->drive_max_e4);
}

/*@ requires \valid(own) && -1 <= own->last_direction <= 1;
    assigns own->speed_mdeg_s, own->zero_ticks, own->last_direction, own->flow_e4, own->drive_e4;
    ensures zero: own->drive_e4 == 0 && own->flow_e4 == 0 && own->speed_mdeg_s == 0; */
static void stand(law_joint_state_t *own)
{
    motion_keep(own, 0);
    own->flow_e4 = 0;
    own->drive_e4 = 0;
}

/*@ requires \valid(out);
    assigns out->joint[0 .. TABLE_JOINTS_MAX - 1].drive_e4, out->enable;
    ensures off: out->enable == 0 && \forall integer i; 0 <= i < TABLE_JOINTS_MAX ==> out->joint[i].drive_e4 == 0; */
/* A failed assertion acts in its own tick; the next tick is a fault (L9a). */
static void stop_all(law_out_t *out)
{
    /*@ loop invariant 0 <= i <= TABLE_JOINTS_MAX;
        loop invariant \forall integer k; 0 <= k < i ==> out->joint[k].drive_e4 == 0;
        loop assigns i, out->joint[0 .. TABLE_JOINTS_MAX - 1].drive_e4;
        loop variant TABLE_JOINTS_MAX - i; */
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        out->joint[i].drive_e4 = 0;
    }
    out->enable = 0;
}

/* All joints, whatever the table says; the rest of the record is written in every tick. A fill byte by byte would cost as much as
 * six joints' sensors. */
/*@ requires \valid(out);
    assigns out->joint[0 .. TABLE_JOINTS_MAX - 1], out->share_q16;
    ensures nothing: \forall integer i; 0 <= i < TABLE_JOINTS_MAX ==> out->joint[i].drive_e4 == 0 && out->joint[i].flags == 0;
    ensures share: out->share_q16 == CORE_Q16; */
static void clear(law_out_t *out)
{
    static const law_joint_out_t nothing = {0, 0, 0, 0, 0, 0, 0};
    /*@ loop invariant 0 <= i <= TABLE_JOINTS_MAX;
        loop invariant \forall integer k; 0 <= k < i ==> out->joint[k].drive_e4 == 0 && out->joint[k].flags == 0;
        loop assigns i, out->joint[0 .. TABLE_JOINTS_MAX - 1];
        loop variant TABLE_JOINTS_MAX - i; */
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        out->joint[i] = nothing;
    }
    out->share_q16 = CORE_Q16;
}

/*@ requires \valid_read(state) && \valid(out) && \separated(state, out);
    assigns out->state, out->cause, out->cause_joint, out->mode, out->enable, out->authority_q16;
    ensures told: out->state == state->state && out->cause == state->cause && out->mode == state->mode;
    ensures enable: out->enable != 0 <==> state->state == LAW_MATCHING || moving(state->state); */
static void report(const law_state_t *state, law_out_t *out)
{
    out->state = state->state;
    out->cause = state->cause;
    out->cause_joint = state->cause_joint;
    out->mode = state->mode;
    out->enable = safety_enables(state->state) ? 1u : 0u;
    out->authority_q16 = state->authority_q16;
}

void law_step(const table_t *table, law_state_t *state, const law_in_t *in, law_out_t *out)
{
    CORE_ASSERT(table->joint_count >= 1 && table->joint_count <= TABLE_JOINTS_MAX);
    clear(out);
    sense_all(table, state, in);
    safety_discrepancy(table, state, in->digital);
    const law_fault_t fault = watch_step(table, state, in);
    safety_step(table, state, in->digital, &fault);
    const bool moves = safety_moves(state->state);
    motion_look_t look[TABLE_JOINTS_MAX]; /* these two are written, and read, where something moves and for the table's joints */
    int32_t ramped[TABLE_JOINTS_MAX];
    if (moves) {
        look_nowhere(table, look);
        ask_all(table, state, look, out);
        ramp_all(table, state, look, ramped, out);
    }
    for (int32_t i = 0; i < table->joint_count; i++) {
        law_joint_state_t *own = &state->joint[i];
        law_joint_out_t *joint_out = &out->joint[i];
        if (moves) {
            move(&table->joint[i], &look[i], ramped[i], own, joint_out);
        } else {
            stand(own);
        }
        joint_out->target = own->target;
        joint_out->position_mdeg = own->position_sensor.value;
        joint_out->speed_mdeg_s = own->speed_mdeg_s;
        joint_out->flow_e4 = own->flow_e4;
        joint_out->drive_e4 = own->drive_e4;
        joint_out->flags |= own->matched ? (uint32_t)LAW_FLAG_MATCHED : 0u;
    }
    safety_waits(table, state, in->digital, out);
    report(state, out);
    if (core_assert_line() != 0) {
        stop_all(out);
    }
}
