/* The monitor: the machine as a whole. It knows the rules at the top of law.h and the table, and keeps its own record of what
 * went in; of what the law puts out it uses only what the world sees: state, mode, enable, authority, speeds, flows, drives.
 */
#include "search_parts.h"

#define NOT_RUNNING (-1)

bool monitor_name(search_found_t *found, search_rule_t rule, int32_t joint, double value, double bound)
{
    const double most = 2147483647.0;
    found->rule = (int32_t)rule;
    found->joint = joint;
    found->value = (int32_t)search_between(value, -most, most);
    found->bound = (int32_t)search_between(bound, -most, most);
    return false;
}

bool monitor_moves(uint32_t state)
{
    return state == LAW_RUNNING || state == LAW_STOPPING;
}

void monitor_start(monitor_t *monitor)
{
    core_fill((uint8_t *)monitor, 0, sizeof *monitor);
    monitor->state = LAW_POWERING_UP;
    monitor->press_ticks = 65535u; /* a button held at power-up means nothing */
    monitor->stop_clock = NOT_RUNNING;
    monitor->release_clock = NOT_RUNNING;
    monitor->bad_joint = LAW_NO_JOINT;
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        for (int32_t t = 0; t < 2; t++) {
            monitor->joint[i].operator_track[t].count = -1;
            monitor->joint[i].position_track[t].count = -1;
        }
    }
}

/* -- what the buttons ask for ------------------------------------------------------------------------------------- */

typedef struct {
    bool open, differ, held, key, edge, late;
} asked_t;

static asked_t read_buttons(const table_t *table, monitor_t *monitor, const law_in_t *in)
{
    const bool first = (in->digital & LAW_IN_STOP_1) != 0;
    const bool second = (in->digital & LAW_IN_STOP_2) != 0;
    const bool pressed = (in->digital & LAW_IN_RESET) != 0;
    asked_t asked = {!(first && second), first != second, (in->digital & LAW_IN_ENABLING) != 0, (in->digital & LAW_IN_KEY) != 0,
                     false, in->elapsed_us > (uint32_t)(table->tick_us + table->late_us)};
    if (pressed) {
        monitor->press_ticks = core_count_up(monitor->press_ticks);
    } else {
        asked.edge = monitor->press_ticks >= (uint32_t)table->reset_min_ticks &&
                     monitor->press_ticks <= (uint32_t)table->reset_max_ticks;
        monitor->press_ticks = 0;
    }
    monitor->differ_ticks = asked.differ ? core_count_up(monitor->differ_ticks) : 0;
    monitor->must_open = monitor->must_open && (first || second);
    return asked;
}

static int32_t clock_after(int32_t clock, bool begins, bool enabled)
{
    if (!enabled) {
        return NOT_RUNNING;
    }
    if (clock != NOT_RUNNING) {
        return clock + 1;
    }
    return begins ? 0 : NOT_RUNNING;
}

/* Emergency stop and enabling device: at once, or slowing until the deadline. */
static bool check_stops(const table_t *table, monitor_t *monitor, const asked_t *asked, const monitor_tick_t *tick,
                        search_found_t *found)
{
    const law_out_t *out = tick->out;
    const bool on = out->enable != 0;
    const bool at_once = table->stop_category == 0 || !monitor_moves(monitor->state);
    if (asked->open && on && at_once) {
        return monitor_name(found, SEARCH_STOP_LATE, LAW_NO_JOINT, 1, 0);
    }
    if (!asked->held && on && !monitor_moves(monitor->state)) {
        return monitor_name(found, SEARCH_RELEASE_LATE, LAW_NO_JOINT, 1, 0);
    }
    monitor->stop_clock = clock_after(monitor->stop_clock, asked->open, on);
    monitor->release_clock = clock_after(monitor->release_clock, !asked->held, on);
    if (monitor->stop_clock > table->stop_ticks) {
        return monitor_name(found, SEARCH_STOP_LATE, LAW_NO_JOINT, monitor->stop_clock, table->stop_ticks);
    }
    if (monitor->stop_clock == NOT_RUNNING && monitor->release_clock > table->release_ticks) {
        return monitor_name(found, SEARCH_RELEASE_LATE, LAW_NO_JOINT, monitor->release_clock, table->release_ticks);
    }
    const bool stopping = monitor->stop_clock != NOT_RUNNING || monitor->release_clock != NOT_RUNNING;
    if (stopping && out->state == LAW_RUNNING) {
        return monitor_name(found, monitor->stop_clock != NOT_RUNNING ? SEARCH_STOP_LATE : SEARCH_RELEASE_LATE, LAW_NO_JOINT, 1, 0);
    }
    for (int32_t i = 0; i < table->joint_count && (stopping || out->state == LAW_STOPPING); i++) {
        const double before = search_size(monitor->joint[i].speed);
        if (search_size(out->joint[i].speed_mdeg_s) > before) {
            return monitor_name(found, SEARCH_STOP_SPEEDS_UP, i, out->joint[i].speed_mdeg_s, before);
        }
    }
    return true;
}

/* The permit: given by reset with the device let go and the stop closed, after power-up; taken by stop, fault and power-up. */
static bool check_restart(monitor_t *monitor, const asked_t *asked, const law_out_t *out, search_found_t *found)
{
    const bool on = out->enable != 0;
    if (on && monitor->enable == 0) {
        const bool allowed = monitor->permit && monitor->released && asked->held && !asked->open && !asked->key &&
                             out->state == LAW_MATCHING;
        if (!allowed) {
            return monitor_name(found, SEARCH_RESTART, LAW_NO_JOINT, 1, 0);
        }
    }
    if (on) {
        monitor->released = false;
    }
    const bool out_of_order = asked->open || out->state == LAW_EMERGENCY_STOP || out->state == LAW_FAULT ||
                              out->state == LAW_POWERING_UP || monitor->state == LAW_POWERING_UP;
    if (out_of_order) {
        monitor->permit = false;
        monitor->released = false;
    } else if (!asked->held && out->state == LAW_STOPPED) {
        monitor->released = true;
        monitor->permit = monitor->permit || asked->edge;
    }
    return true;
}

static bool matches(const table_joint_t *joint, const law_joint_out_t *out)
{
    const double gap = (double)out->target - (double)out->position_mdeg;
    if (joint->control == TABLE_SPEED) {
        return out->target == 0;
    }
    return search_size(joint->continuous != 0 ? search_wrap(gap) : gap) <= (double)joint->match_window_mdeg;
}

/* From matching to running: pump loaded, everything matched for its ticks. */
static bool check_matching(const table_t *table, monitor_t *monitor, const law_out_t *out, search_found_t *found)
{
    bool matched = true;
    for (int32_t i = 0; i < table->joint_count; i++) {
        matched = matched && matches(&table->joint[i], &out->joint[i]);
    }
    monitor->matched_ticks = matched ? core_count_up(monitor->matched_ticks) : 0;
    if (out->state == LAW_RUNNING && monitor->state != LAW_RUNNING) {
        const double waited = (double)monitor->matching_ticks;
        const double least = (double)table->load_ticks + (double)table->match_ticks;
        if (monitor->state != LAW_MATCHING || waited < least) {
            return monitor_name(found, SEARCH_UNMATCHED, LAW_NO_JOINT, waited, least);
        }
        if (monitor->matched_ticks < (uint32_t)table->match_ticks) {
            return monitor_name(found, SEARCH_UNMATCHED, LAW_NO_JOINT, monitor->matched_ticks, table->match_ticks);
        }
    }
    monitor->matching_ticks = out->state == LAW_MATCHING ? core_count_up(monitor->matching_ticks) : 0;
    return true;
}

static bool check_mode(monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found)
{
    const law_out_t *out = tick->out;
    const bool full_asked = (tick->in->digital & LAW_IN_MODE_FULL) != 0;
    const bool rises = out->mode > monitor->mode && out->enable != 0 && monitor->enable != 0;
    if (rises || (!full_asked && out->mode != TABLE_REDUCED)) {
        return monitor_name(found, SEARCH_MODE_RISE, LAW_NO_JOINT, out->mode, monitor->mode);
    }
    return true;
}

static bool check_authority(const table_t *table, const monitor_t *monitor, const law_out_t *out, search_found_t *found)
{
    double most = 0.0;
    if (out->state == LAW_RUNNING && monitor->state == LAW_RUNNING) {
        most = (double)monitor->authority + (double)table->authority_step_q16;
    } else if (out->state == LAW_STOPPING) {
        most = (double)monitor->authority;
    }
    most = most < (double)CORE_Q16 ? most : (double)CORE_Q16;
    if ((double)out->authority_q16 > most) {
        return monitor_name(found, SEARCH_AUTHORITY_RISE, LAW_NO_JOINT, out->authority_q16, most);
    }
    return true;
}

static bool check_enable(const law_out_t *out, uint32_t failed_line, search_found_t *found)
{
    if (failed_line != 0) {
        return monitor_name(found, SEARCH_ASSERTION, LAW_NO_JOINT, failed_line, 0);
    }
    const bool allowed = out->state == LAW_MATCHING || monitor_moves(out->state);
    if ((out->enable != 0) != allowed) {
        return monitor_name(found, SEARCH_ENABLE_WRONG, LAW_NO_JOINT, out->enable, allowed ? 1 : 0);
    }
    return true;
}

/* A fault that anybody can see at the inputs has switched off by now. */
static bool check_seen_faults(const table_t *table, monitor_t *monitor, const asked_t *asked, const law_out_t *out,
                              search_found_t *found)
{
    const bool on = out->enable != 0;
    bool faulty = false;
    if (asked->late) {
        faulty = true;
        if (on) {
            return monitor_name(found, SEARCH_LATE_TICK, LAW_NO_JOINT, 1, 0);
        }
    }
    if (monitor->differ_ticks >= (uint32_t)table->discrepancy_ticks) {
        monitor->must_open = true;
        if (on) {
            return monitor_name(found, SEARCH_DISCREPANCY, LAW_NO_JOINT, monitor->differ_ticks, table->discrepancy_ticks);
        }
    }
    if (monitor->bad_joint != LAW_NO_JOINT) {
        faulty = true;
        if (on) {
            return monitor_name(found, SEARCH_WINDOW, monitor->bad_joint, 1, 0);
        }
    }
    if (faulty || monitor->must_open) {
        monitor->permit = false;
        monitor->released = false;
    }
    return true;
}

bool monitor_step(const search_setup_t *setup, monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found)
{
    const table_t *table = setup->table;
    const law_out_t *out = tick->out;
    const asked_t asked = read_buttons(table, monitor, tick->in);
    monitor_sense(setup, monitor, tick->in);
    const bool well = check_enable(out, tick->failed_line, found) && check_stops(table, monitor, &asked, tick, found) &&
                      check_restart(monitor, &asked, out, found) && check_matching(table, monitor, out, found) &&
                      check_seen_faults(table, monitor, &asked, out, found) && check_mode(monitor, tick, found) &&
                      check_authority(table, monitor, out, found) && monitor_together(setup, monitor, tick, found) &&
                      monitor_joints(setup, monitor, tick, found);
    monitor->state = out->state;
    monitor->mode = out->mode;
    monitor->enable = out->enable;
    monitor->authority = out->authority_q16;
    return well;
}
