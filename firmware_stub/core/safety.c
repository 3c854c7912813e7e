#include "law_parts.h"

typedef struct {
    bool stop_open, held, reset_edge, key, mode_full;
} buttons_t;

bool safety_moves(uint32_t state_name)
{
    return state_name == LAW_RUNNING || state_name == LAW_STOPPING;
}

bool safety_enables(uint32_t state_name) /* L10r */
{
    return state_name == LAW_MATCHING || safety_moves(state_name);
}

bool law_at_standstill(const law_state_t *state)
{
    return !safety_enables(state->state);
}

void safety_discrepancy(const table_t *table, law_state_t *state, uint32_t digital) /* L10b */
{
    const bool first_closed = (digital & LAW_IN_STOP_1) != 0;
    const bool second_closed = (digital & LAW_IN_STOP_2) != 0;
    if (!first_closed && !second_closed) {
        state->both_must_open = false;
    }
    if (first_closed == second_closed) {
        state->discrepancy = 0;
        return;
    }
    if (state->discrepancy < (uint32_t)table->discrepancy_ticks) {
        state->discrepancy += 1;
    }
    if (state->discrepancy >= (uint32_t)table->discrepancy_ticks) {
        state->both_must_open = true;
    }
    CORE_ASSERT(state->discrepancy <= (uint32_t)table->discrepancy_ticks);
}

/*@ requires \valid_read(table) && \valid(state) && \separated(table, state) && machine_sound(table);
    assigns state->press_ticks;
    ensures let_go: \result ==> (digital & LAW_IN_RESET) == 0 &&
        table->reset_min_ticks <= \old(state->press_ticks) <= table->reset_max_ticks; */
static bool reset_edge(const table_t *table, law_state_t *state, uint32_t digital) /* L10c */
{
    if ((digital & LAW_IN_RESET) != 0) {
        state->press_ticks = core_count_up(state->press_ticks);
        return false;
    }
    const uint32_t pressed = state->press_ticks;
    state->press_ticks = 0;
    return pressed >= (uint32_t)table->reset_min_ticks && pressed <= (uint32_t)table->reset_max_ticks;
}

/*@ requires \valid(state) && next < LAW_STATES && cause < LAW_CAUSES;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures entered: state->state == next && state->cause == cause && state->cause_joint == cause_joint;
    ensures anew: state->state_ticks == 0 && state->match_ticks == 0;
    ensures reset_needed: next == LAW_EMERGENCY_STOP || next == LAW_FAULT ==> !state->permit && !state->seen_released;
    ensures release_needed: next == LAW_STOPPED && \old(state->state) != LAW_EMERGENCY_STOP && \old(state->state) != LAW_FAULT ==>
        !state->seen_released; */
static void enter(law_state_t *state, uint32_t next, uint32_t cause, uint32_t cause_joint) /* L10p */
{
    CORE_ASSERT(next < LAW_STATES && cause < LAW_CAUSES);
    const uint32_t from = state->state;
    const bool acknowledged = from == LAW_EMERGENCY_STOP || from == LAW_FAULT;
    if (next == LAW_STOPPED) {
        state->seen_released = acknowledged;
        state->permit = acknowledged || (state->permit && from != LAW_POWERING_UP);
    } else if (next == LAW_EMERGENCY_STOP || next == LAW_FAULT) {
        state->seen_released = false;
        state->permit = false;
    }
    state->state = next;
    state->cause = cause;
    state->cause_joint = cause_joint;
    state->state_ticks = 0;
    state->match_ticks = 0;
}

/*@ requires \valid_read(table) && \valid_read(state) && machine_sound(table);
    assigns \nothing; */
static bool all_ready(const table_t *table, const law_state_t *state)
{
    /*@ loop invariant 0 <= i <= table->joint_count;
        loop assigns i;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        if (!sense_ready(&joint->operator_sensor, &state->joint[i].operator_sensor, table->power_up_ticks) ||
            !sense_ready(&joint->position_sensor, &state->joint[i].position_sensor, table->power_up_ticks)) {
            return false;
        }
    }
    return true;
}

/*@ requires \valid_read(table) && \valid_read(state) && machine_sound(table);
    assigns \nothing;
    ensures exact: \result <==> \forall integer i; 0 <= i < table->joint_count ==> state->joint[i].speed_mdeg_s == 0; */
static bool all_stand(const table_t *table, const law_state_t *state)
{
    /*@ loop invariant 0 <= i <= table->joint_count;
        loop invariant \forall integer k; 0 <= k < i ==> state->joint[k].speed_mdeg_s == 0;
        loop assigns i;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        if (state->joint[i].speed_mdeg_s != 0) {
            return false;
        }
    }
    return true;
}

/*@ requires \valid_read(table) && \valid_read(state) && machine_sound(table);
    assigns \nothing;
    ensures exact: \result <==> \forall integer i; 0 <= i < table->joint_count ==> state->joint[i].matched; */
static bool all_matched(const table_t *table, const law_state_t *state)
{
    /*@ loop invariant 0 <= i <= table->joint_count;
        loop invariant \forall integer k; 0 <= k < i ==> state->joint[k].matched;
        loop assigns i;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        if (!state->joint[i].matched) {
            return false;
        }
    }
    return true;
}

/*@ requires \valid_read(table) && \valid(state) && \separated(table, state) && machine_sound(table);
    assigns state->joint[0 .. TABLE_JOINTS_MAX - 1].quiet_ticks, state->joint[0 .. TABLE_JOINTS_MAX - 1].quiet_anchor_mdeg;
    ensures \forall integer i; 0 <= i < table->joint_count ==> state->joint[i].quiet_ticks == 0; */
static void anchor_all(const table_t *table, law_state_t *state) /* L10p, entering fault */
{
    /*@ loop invariant 0 <= i <= table->joint_count;
        loop invariant \forall integer k; 0 <= k < i ==> state->joint[k].quiet_ticks == 0;
        loop assigns i, state->joint[0 .. TABLE_JOINTS_MAX - 1].quiet_ticks,
            state->joint[0 .. TABLE_JOINTS_MAX - 1].quiet_anchor_mdeg;
        loop variant table->joint_count - i; */
    for (int32_t i = 0; i < table->joint_count; i++) {
        state->joint[i].quiet_ticks = 0;
        state->joint[i].quiet_anchor_mdeg = state->joint[i].position_sensor.value;
    }
}

/*@ requires \valid_read(table) && \valid(state) && \valid_read(buttons) && \separated(table, state, buttons) && machine_sound(table);
    requires state->state == LAW_POWERING_UP;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_POWERING_UP || state->state == LAW_STOPPED || state->state == LAW_EMERGENCY_STOP;
    ensures stops: buttons->stop_open ==> state->state != LAW_STOPPED; */
static void in_powering_up(const table_t *table, law_state_t *state, const buttons_t *buttons) /* L10d */
{
    if (!all_ready(table, state)) {
        return;
    }
    if (buttons->stop_open) {
        enter(state, LAW_EMERGENCY_STOP, LAW_CAUSE_STOP, LAW_NO_JOINT);
    } else {
        enter(state, LAW_STOPPED, LAW_CAUSE_NONE, LAW_NO_JOINT);
    }
}

/*@ requires \valid(state) && \valid_read(buttons) && \separated(state, buttons);
    requires state->state == LAW_STOPPED;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_STOPPED || state->state == LAW_MATCHING || state->state == LAW_EMERGENCY_STOP;
    ensures stops: buttons->stop_open ==> state->state == LAW_EMERGENCY_STOP;
    ensures matching: state->state == LAW_MATCHING ==>
        buttons->held && !buttons->key && !buttons->stop_open && \old(state->permit) && \old(state->seen_released); */
static void in_stopped(law_state_t *state, const buttons_t *buttons) /* L10f, L10l */
{
    if (buttons->stop_open) {
        enter(state, LAW_EMERGENCY_STOP, LAW_CAUSE_STOP, LAW_NO_JOINT);
        return;
    }
    if (!buttons->held) {
        state->seen_released = true;
        state->permit = state->permit || buttons->reset_edge;
    }
    if (state->permit && state->seen_released && buttons->held && !buttons->key) {
        enter(state, LAW_MATCHING, LAW_CAUSE_NONE, LAW_NO_JOINT);
    }
}

/*@ requires \valid_read(table) && \valid(state) && \valid_read(buttons) && \separated(table, state, buttons) && machine_sound(table);
    requires state->state == LAW_MATCHING;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_MATCHING || state->state == LAW_RUNNING || state->state == LAW_STOPPED ||
        state->state == LAW_EMERGENCY_STOP;
    ensures stops: buttons->stop_open ==> state->state == LAW_EMERGENCY_STOP;
    ensures hold_to_run: !buttons->stop_open && !buttons->held ==> state->state == LAW_STOPPED;
    ensures matched: state->state == LAW_RUNNING ==>
        \forall integer i; 0 <= i < table->joint_count ==> state->joint[i].matched; */
static void in_matching(const table_t *table, law_state_t *state, const buttons_t *buttons) /* L10f, L10k, L10o */
{
    if (buttons->stop_open) {
        enter(state, LAW_EMERGENCY_STOP, LAW_CAUSE_STOP, LAW_NO_JOINT);
        return;
    }
    if (!buttons->held) {
        enter(state, LAW_STOPPED, LAW_CAUSE_NONE, LAW_NO_JOINT);
        return;
    }
    if (state->state_ticks >= (uint32_t)table->load_ticks) {
        state->match_ticks = all_matched(table, state) ? core_count_up(state->match_ticks) : 0;
        if (state->match_ticks >= (uint32_t)table->match_ticks) {
            enter(state, LAW_RUNNING, LAW_CAUSE_NONE, LAW_NO_JOINT);
            return;
        }
    }
    state->state_ticks = core_count_up(state->state_ticks);
}

/*@ requires \valid_read(table) && \valid(state) && \valid_read(buttons) && \separated(table, state, buttons) && machine_sound(table);
    requires state->state == LAW_RUNNING;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_RUNNING || state->state == LAW_STOPPING || state->state == LAW_EMERGENCY_STOP;
    ensures cause: state->state != LAW_RUNNING ==> state->cause == LAW_CAUSE_STOP || state->cause == LAW_CAUSE_RELEASED;
    ensures stops: buttons->stop_open ==> state->cause == LAW_CAUSE_STOP &&
        state->state == (table->stop_category == 0 ? LAW_EMERGENCY_STOP : LAW_STOPPING);
    ensures hold_to_run: !buttons->stop_open && !buttons->held ==> state->state == LAW_STOPPING && state->cause == LAW_CAUSE_RELEASED; */
static void in_running(const table_t *table, law_state_t *state, const buttons_t *buttons) /* L10g, L10j */
{
    if (buttons->stop_open) {
        const uint32_t next = table->stop_category == 0 ? LAW_EMERGENCY_STOP : LAW_STOPPING;
        enter(state, next, LAW_CAUSE_STOP, LAW_NO_JOINT);
    } else if (!buttons->held) {
        enter(state, LAW_STOPPING, LAW_CAUSE_RELEASED, LAW_NO_JOINT);
    }
}

/*@ requires \valid_read(table) && \valid(state) && \valid_read(buttons) && \separated(table, state, buttons) && machine_sound(table);
    requires state->cause == LAW_CAUSE_STOP || state->cause == LAW_CAUSE_RELEASED;
    requires state->state == LAW_STOPPING;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_STOPPING || state->state == LAW_STOPPED || state->state == LAW_EMERGENCY_STOP;
    ensures cause: state->state == LAW_STOPPING ==> state->cause == LAW_CAUSE_STOP || state->cause == LAW_CAUSE_RELEASED;
    ensures stops: buttons->stop_open ==> state->cause == LAW_CAUSE_STOP;
    ensures category_0: buttons->stop_open && table->stop_category == 0 ==> state->state == LAW_EMERGENCY_STOP;
    ensures deadline: state->state == LAW_STOPPING ==>
        state->state_ticks <= (state->cause == LAW_CAUSE_STOP ? table->stop_ticks : table->release_ticks); */
static void in_stopping(const table_t *table, law_state_t *state, const buttons_t *buttons) /* L10h, L10i */
{
    if (buttons->stop_open && table->stop_category == 0) {
        enter(state, LAW_EMERGENCY_STOP, LAW_CAUSE_STOP, LAW_NO_JOINT);
        return;
    }
    if (buttons->stop_open && state->cause != LAW_CAUSE_STOP) {
        state->cause = LAW_CAUSE_STOP;
        state->state_ticks = 0;
    }
    const bool by_stop = state->cause == LAW_CAUSE_STOP;
    CORE_ASSERT(by_stop || state->cause == LAW_CAUSE_RELEASED);
    const uint32_t deadline = (uint32_t)(by_stop ? table->stop_ticks : table->release_ticks);
    if (all_stand(table, state) || state->state_ticks >= deadline) {
        enter(state, by_stop ? LAW_EMERGENCY_STOP : LAW_STOPPED, by_stop ? LAW_CAUSE_STOP : LAW_CAUSE_NONE,
              LAW_NO_JOINT);
        return;
    }
    state->state_ticks = core_count_up(state->state_ticks);
}

/*@ requires \valid(state) && \valid_read(buttons) && \separated(state, buttons);
    requires state->state == LAW_EMERGENCY_STOP;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_EMERGENCY_STOP || state->state == LAW_STOPPED;
    ensures leaves: state->state != LAW_EMERGENCY_STOP ==> !buttons->stop_open && !buttons->held && buttons->reset_edge; */
static void in_emergency_stop(law_state_t *state, const buttons_t *buttons) /* L10m */
{
    if (!buttons->stop_open && !buttons->held && buttons->reset_edge) {
        enter(state, LAW_STOPPED, LAW_CAUSE_NONE, LAW_NO_JOINT);
    }
}

/*@ requires \valid_read(table) && \valid(state) && \valid_read(buttons) && \valid_read(fault);
    requires \separated(table, state, buttons, fault) && machine_sound(table);
    requires state->state == LAW_FAULT;
    assigns state->state, state->cause, state->cause_joint, state->permit, state->seen_released, state->state_ticks, state->match_ticks;
    ensures next: state->state == LAW_FAULT || state->state == LAW_STOPPED;
    ensures leaves: state->state != LAW_FAULT ==> fault->cause == LAW_CAUSE_NONE && !buttons->stop_open && !buttons->held &&
        buttons->reset_edge; */
static void in_fault(const table_t *table, law_state_t *state, const buttons_t *buttons, const law_fault_t *fault) /* L10n */
{
    const bool cause_gone = fault->cause == LAW_CAUSE_NONE && all_ready(table, state);
    if (cause_gone && !buttons->stop_open && !buttons->held && buttons->reset_edge) {
        enter(state, LAW_STOPPED, LAW_CAUSE_NONE, LAW_NO_JOINT);
    }
}

/*@ requires \valid_read(table) && \valid(state) && \separated(table, state) && machine_sound(table);
    requires state->state < LAW_STATES && state->mode < TABLE_MODES && 0 <= state->authority_q16 <= CORE_Q16;
    requires moving(state->state) ==> moving(from) || from == LAW_MATCHING;
    assigns state->mode, state->authority_q16;
    ensures range: 0 <= state->authority_q16 <= CORE_Q16 && state->mode < TABLE_MODES;
    ensures none: !moving(state->state) || from == LAW_MATCHING ==> state->authority_q16 == 0;
    ensures slow: state->authority_q16 <= \old(state->authority_q16) + table->authority_step_q16;
    ensures falls: moving(state->state) ==> state->mode == TABLE_REDUCED || state->mode == \old(state->mode); */
static void keep_mode_and_authority(const table_t *table, law_state_t *state, uint32_t from, bool mode_full) /* L10p, L10q */
{
    const uint32_t asked = mode_full ? TABLE_FULL_SPEED : TABLE_REDUCED;
    const bool entered_matching = state->state == LAW_MATCHING && from != LAW_MATCHING;
    if (!safety_enables(state->state) || entered_matching || asked == TABLE_REDUCED) {
        state->mode = asked;
    }
    if (!safety_moves(state->state) || from == LAW_MATCHING) {
        state->authority_q16 = 0;
    } else if (state->state == LAW_RUNNING) {
        state->authority_q16 = core_clamp(state->authority_q16 + table->authority_step_q16, 0, CORE_Q16);
    }
}

void safety_step(const table_t *table, law_state_t *state, uint32_t digital, const law_fault_t *fault)
{
    const uint32_t from = state->state;
    CORE_ASSERT(from < LAW_STATES);
    const bool both_closed = (digital & LAW_IN_STOP_1) != 0 && (digital & LAW_IN_STOP_2) != 0;
    const buttons_t buttons = {!both_closed, (digital & LAW_IN_ENABLING) != 0, reset_edge(table, state, digital),
                               (digital & LAW_IN_KEY) != 0, (digital & LAW_IN_MODE_FULL) != 0};
    if (from != LAW_POWERING_UP && from != LAW_FAULT && fault->cause != LAW_CAUSE_NONE) { /* L10e */
        enter(state, LAW_FAULT, fault->cause, fault->joint);
        anchor_all(table, state);
        /*@ assert table_kept: machine_sound(table); */
    } else if (from == LAW_POWERING_UP) {
        in_powering_up(table, state, &buttons);
    } else if (from == LAW_STOPPED) {
        in_stopped(state, &buttons);
    } else if (from == LAW_MATCHING) {
        in_matching(table, state, &buttons);
    } else if (from == LAW_RUNNING) {
        in_running(table, state, &buttons);
    } else if (from == LAW_STOPPING) {
        in_stopping(table, state, &buttons);
    } else if (from == LAW_EMERGENCY_STOP) {
        in_emergency_stop(state, &buttons);
    } else {
        in_fault(table, state, &buttons, fault);
    }
    keep_mode_and_authority(table, state, from, buttons.mode_full);
    CORE_ASSERT(safety_moves(state->state) || state->authority_q16 == 0);
    CORE_ASSERT(state->mode < TABLE_MODES);
}
