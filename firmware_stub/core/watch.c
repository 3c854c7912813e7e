#include "law_parts.h"

static uint32_t machine_cause(const table_t *table, const law_state_t *state, const law_in_t *in) /* L9a */
{
    if (in->elapsed_us > (uint32_t)table->tick_us + (uint32_t)table->late_us) {
        return LAW_CAUSE_LATE;
    }
    if (core_assert_line() != 0) {
        return LAW_CAUSE_ASSERTION;
    }
    if (state->discrepancy >= (uint32_t)table->discrepancy_ticks || state->both_must_open) {
        return LAW_CAUSE_DISCREPANCY;
    }
    return LAW_CAUSE_NONE;
}

static uint32_t sensor_cause(const table_joint_t *joint, const law_joint_state_t *state) /* L9b */
{
    if (sense_counts_bad(&joint->operator_sensor, &state->operator_sensor)) {
        return LAW_CAUSE_OPERATOR_COUNTS;
    }
    if (sense_disagrees(&joint->operator_sensor, &state->operator_sensor)) {
        return LAW_CAUSE_OPERATOR_DISAGREEMENT;
    }
    if (sense_counts_bad(&joint->position_sensor, &state->position_sensor)) {
        return LAW_CAUSE_POSITION_COUNTS;
    }
    if (sense_disagrees(&joint->position_sensor, &state->position_sensor)) {
        return LAW_CAUSE_POSITION_DISAGREEMENT;
    }
    return LAW_CAUSE_NONE;
}

static bool moved_without_drive(const table_joint_t *joint, law_joint_state_t *state) /* L9c */
{
    const int32_t position = state->position_sensor.value;
    const uint32_t settle = (uint32_t)joint->settle_ticks;
    state->quiet_ticks = state->drive_e4 == 0 ? core_count_up(state->quiet_ticks) : 0;
    if (state->quiet_ticks < settle) {
        return false;
    }
    if (state->quiet_ticks == settle) {
        state->quiet_anchor_mdeg = position;
        return false;
    }
    const int32_t moved = angle_difference(joint->continuous != 0, position, state->quiet_anchor_mdeg);
    if (core_magnitude(moved) > joint->still_mdeg) {
        return true;
    }
    if (state->quiet_ticks >= settle + (uint32_t)joint->still_ticks) {
        state->quiet_ticks = settle;
        state->quiet_anchor_mdeg = position;
    }
    return false;
}

static bool drive_without_motion(const table_joint_t *joint, law_joint_state_t *state) /* L9d */
{
    const int32_t position = state->position_sensor.value;
    CORE_ASSERT(state->flow_e4 == 0 || state->speed_mdeg_s != 0); /* no flow without a direction */
    if (state->flow_e4 < joint->stall_flow_e4) {
        state->busy_ticks = 0;
        return false;
    }
    if (state->busy_ticks == 0) {
        state->busy_anchor_mdeg = position;
    }
    state->busy_ticks = core_count_up(state->busy_ticks);
    const int32_t moved = angle_difference(joint->continuous != 0, position, state->busy_anchor_mdeg);
    const int32_t moved_as_asked = state->speed_mdeg_s < 0 ? -moved : moved; /* the other way is no motion */
    if (moved_as_asked >= joint->stall_mdeg) {
        state->busy_ticks = 0;
        return false;
    }
    return state->busy_ticks >= (uint32_t)joint->stall_ticks;
}

static bool not_at_rest_yet(const table_joint_t *joint, law_joint_state_t *state) /* L9e */
{
    const int32_t position = state->position_sensor.value;
    const int32_t moved = angle_difference(joint->continuous != 0, position, state->quiet_anchor_mdeg);
    if (core_magnitude(moved) > joint->still_mdeg) {
        state->quiet_anchor_mdeg = position;
        state->quiet_ticks = 0;
    } else {
        state->quiet_ticks = core_count_up(state->quiet_ticks);
    }
    CORE_ASSERT(joint->still_ticks >= 1);
    return state->quiet_ticks < (uint32_t)joint->still_ticks;
}

/* Which of the motion watches look at the joints in this tick. */
typedef enum { WATCH_NONE, WATCH_MOTION, WATCH_REST } watch_kind_t;

static watch_kind_t kind_of(const law_state_t *state)
{
    if (safety_enables(state->state)) {
        return WATCH_MOTION;
    }
    const bool by_motion = state->cause == LAW_CAUSE_MOVED || state->cause == LAW_CAUSE_STALLED;
    return state->state == LAW_FAULT && by_motion ? WATCH_REST : WATCH_NONE;
}

static uint32_t motion_cause(const table_joint_t *joint, law_joint_state_t *state, watch_kind_t kind)
{
    if (kind != WATCH_MOTION) {
        state->busy_ticks = 0;
    }
    if (kind == WATCH_NONE) {
        state->quiet_ticks = 0;
        return LAW_CAUSE_NONE;
    }
    if (kind == WATCH_REST) {
        return not_at_rest_yet(joint, state) ? LAW_CAUSE_MOVED : LAW_CAUSE_NONE;
    }
    const bool moved = moved_without_drive(joint, state);
    const bool stalled = drive_without_motion(joint, state);
    if (moved) {
        return LAW_CAUSE_MOVED;
    }
    return stalled ? LAW_CAUSE_STALLED : LAW_CAUSE_NONE;
}

law_fault_t watch_step(const table_t *table, law_state_t *state, const law_in_t *in)
{
    CORE_ASSERT(table->joint_count >= 1 && table->joint_count <= TABLE_JOINTS_MAX);
    const watch_kind_t kind = kind_of(state);
    law_fault_t fault = {machine_cause(table, state, in), LAW_NO_JOINT};
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        const uint32_t by_sensor = sensor_cause(joint, &state->joint[i]);
        const uint32_t by_motion = motion_cause(joint, &state->joint[i], kind); /* its counters run in any case */
        const uint32_t cause = by_sensor != LAW_CAUSE_NONE ? by_sensor : by_motion;
        if (fault.cause == LAW_CAUSE_NONE && cause != LAW_CAUSE_NONE) {
            fault.cause = cause;
            fault.joint = (uint32_t)i;
        }
    }
    return fault;
}
