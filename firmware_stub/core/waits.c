/* What the present state waits for, in the order in which a person can do it. For people only: no decision of the law
 * reads it. */
#include "law_parts.h"

static bool sensor_waits(const table_t *table, const law_state_t *state, uint32_t *joint)
{
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *entry = &table->joint[i];
        if (!sense_ready(&entry->operator_sensor, &state->joint[i].operator_sensor, table->power_up_ticks) ||
            !sense_ready(&entry->position_sensor, &state->joint[i].position_sensor, table->power_up_ticks)) {
            *joint = (uint32_t)i;
            return true;
        }
    }
    return false;
}

static bool match_waits(const table_t *table, const law_state_t *state, uint32_t *joint)
{
    for (int32_t i = 0; i < table->joint_count; i++) {
        if (!state->joint[i].matched) {
            *joint = (uint32_t)i;
            return true;
        }
    }
    return false;
}

static bool all_at_rest(const table_t *table, const law_state_t *state, uint32_t *joint) /* L9e */
{
    if (state->cause != LAW_CAUSE_MOVED && state->cause != LAW_CAUSE_STALLED) {
        return true;
    }
    for (int32_t i = 0; i < table->joint_count; i++) {
        if (state->joint[i].quiet_ticks < (uint32_t)table->joint[i].still_ticks) {
            *joint = (uint32_t)i;
            return false;
        }
    }
    return true;
}

static uint32_t latched_waits(const table_t *table, const law_state_t *state, uint32_t digital, uint32_t *joint)
{
    const bool stop_open = (digital & LAW_IN_STOP_1) == 0 || (digital & LAW_IN_STOP_2) == 0;
    if (state->state == LAW_FAULT && state->both_must_open) {
        return LAW_WAITS_BOTH_OPEN;
    }
    if (stop_open) {
        return LAW_WAITS_STOP_CLOSED;
    }
    if (state->state == LAW_FAULT && sensor_waits(table, state, joint)) {
        return LAW_WAITS_SENSORS;
    }
    if (state->cause == LAW_CAUSE_ASSERTION) {
        return LAW_WAITS_CAUSE_GONE;
    }
    if (state->state == LAW_FAULT && !all_at_rest(table, state, joint)) {
        return LAW_WAITS_STANDSTILL;
    }
    return (digital & LAW_IN_ENABLING) != 0 ? LAW_WAITS_RELEASE : LAW_WAITS_RESET;
}

static uint32_t stopped_waits(const law_state_t *state, uint32_t digital)
{
    if ((digital & LAW_IN_ENABLING) != 0) {
        if (!state->permit || !state->seen_released) {
            return LAW_WAITS_RELEASE;
        }
    } else if (!state->permit) {
        return LAW_WAITS_RESET;
    }
    return (digital & LAW_IN_KEY) != 0 ? LAW_WAITS_KEY_OFF : LAW_WAITS_PRESS;
}

void safety_waits(const table_t *table, const law_state_t *state, uint32_t digital, law_out_t *out)
{
    uint32_t joint = LAW_NO_JOINT;
    uint32_t waits = LAW_WAITS_NOTHING;
    CORE_ASSERT(state->state < LAW_STATES);
    if (state->state == LAW_POWERING_UP) {
        (void)sensor_waits(table, state, &joint);
        waits = LAW_WAITS_SENSORS;
    } else if (state->state == LAW_STOPPED) {
        waits = stopped_waits(state, digital);
    } else if (state->state == LAW_MATCHING) {
        const bool loading = state->state_ticks < (uint32_t)table->load_ticks;
        const bool unmatched = match_waits(table, state, &joint);
        waits = loading ? LAW_WAITS_PUMP : LAW_WAITS_OPERATOR;
        joint = loading || !unmatched ? LAW_NO_JOINT : joint;
    } else if (state->state == LAW_STOPPING) {
        waits = LAW_WAITS_STANDSTILL;
    } else if (state->state != LAW_RUNNING) {
        waits = latched_waits(table, state, digital, &joint);
    }
    CORE_ASSERT(waits < LAW_WAITS_COUNT);
    out->waits_for = waits;
    out->waits_joint = joint;
}
