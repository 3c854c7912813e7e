#include "law_parts.h"

static int32_t value_at(const table_track_t *track, bool wraps, int32_t count)
{
    const int32_t value = curve_at(&track->curve, count);
    return wraps ? angle_wrap(value) : value;
}

/* L3c: the curve's value at the median of a count and the two before it, whose values are kept. Where two counts are equal their values
 * are too. */
static int32_t value_at_median(const law_track_state_t *state, uint16_t count, int32_t value_now)
{
    const uint16_t newer = state->older[0];
    const uint16_t older = state->older[1];
    if (newer <= older) {
        if (count < newer) {
            return state->last_value;
        }
        return count > older ? state->older_value : value_now;
    }
    if (count < older) {
        return state->older_value;
    }
    return count > newer ? state->last_value : value_now;
}

/* L3b, the window. */
static bool is_inside(const table_track_t *track, uint16_t count)
{
    return count >= track->count_min && count <= track->count_max;
}

/* L3b, the step. */
static bool is_step_good(const table_sensor_t *sensor, bool wraps, int32_t value_now, const law_track_state_t *state)
{
    const int32_t step = angle_difference(wraps, value_now, state->last_value);
    return !state->primed || (step <= sensor->step_max && step >= -sensor->step_max);
}

static void accept(uint16_t count, int32_t value_now, law_track_state_t *state) /* L3c */
{
    if (!state->primed) {
        state->older[0] = count;
        state->older[1] = count;
        state->last_value = value_now;
        state->primed = true;
    }
    state->value = value_at_median(state, count, value_now);
    state->older[1] = state->older[0];
    state->older_value = state->last_value;
    state->older[0] = count;
    state->last_value = value_now;
    state->bad = state->bad > 0 ? state->bad - 1 : 0; /* samples lost again and again add up */
    state->good = core_count_up(state->good);
}

static void refuse(const table_sensor_t *sensor, law_track_state_t *state) /* L3d */
{
    CORE_ASSERT(sensor->bad_ticks >= 1);
    state->good = 0;
    if (state->bad < (uint32_t)sensor->bad_ticks) {
        state->bad += 1;
    }
    if (state->bad == (uint32_t)sensor->bad_ticks) {
        state->primed = false;
    }
}

static void compare(const table_sensor_t *sensor, bool wraps, law_sensor_state_t *state) /* L3e */
{
    const law_track_state_t *a = &state->track[0];
    const law_track_state_t *b = &state->track[1];
    const int32_t difference = angle_difference(wraps, a->value, b->value);
    if (a->primed && b->primed && (difference > sensor->disagreement || difference < -sensor->disagreement)) {
        if (state->disagreement < (uint32_t)sensor->bad_ticks) {
            state->disagreement += 1;
        }
    } else {
        state->disagreement -= state->disagreement > 0 ? 1 : 0; /* as with lost samples: what comes and goes adds up */
    }
    CORE_ASSERT(state->disagreement <= (uint32_t)sensor->bad_ticks);
}

static inline void sense(const table_sensor_t *sensor, bool wraps, const uint16_t *counts, law_sensor_state_t *state)
{
    CORE_ASSERT(sensor->track_count == 1 || sensor->track_count == 2);
    for (int32_t i = 0; i < sensor->track_count; i++) {
        const table_track_t *track = &sensor->track[i];
        CORE_ASSERT(track->input >= 0 && track->input < TABLE_INPUTS_MAX);
        const uint16_t count = counts[track->input];
        law_track_state_t *own = &state->track[i];
        const bool inside = is_inside(track, count);
        const int32_t value_now = inside ? value_at(track, wraps, count) : 0;
        if (inside && is_step_good(sensor, wraps, value_now, own)) {
            accept(count, value_now, own);
        } else {
            refuse(sensor, own);
        }
    }
    state->value = state->track[0].value;
    state->larger = state->value;
    state->smaller = state->value;
    if (sensor->track_count == 2) {
        const int32_t other = state->track[1].value;
        compare(sensor, wraps, state);
        state->larger = other > state->value ? other : state->value;
        state->smaller = other < state->value ? other : state->value;
    }
    CORE_ASSERT(state->smaller <= state->value && state->value <= state->larger);
}

/* Twice, so that what does not wrap pays nothing for what does. */
void sense_step(const table_sensor_t *sensor, bool wraps, const uint16_t *counts, law_sensor_state_t *state)
{
    if (wraps) {
        sense(sensor, true, counts, state);
    } else {
        sense(sensor, false, counts, state);
    }
}

bool sense_ready(const table_sensor_t *sensor, const law_sensor_state_t *state, int32_t good_ticks)
{
    CORE_ASSERT(good_ticks >= 1);
    /*@ loop invariant 0 <= i <= sensor->track_count;
        loop invariant \forall integer k; 0 <= k < i ==> state->track[k].good >= good_ticks;
        loop assigns i;
        loop variant sensor->track_count - i; */
    for (int32_t i = 0; i < sensor->track_count; i++) {
        if (state->track[i].good < (uint32_t)good_ticks) {
            return false;
        }
    }
    return true;
}

bool sense_counts_bad(const table_sensor_t *sensor, const law_sensor_state_t *state)
{
    const uint32_t fault = (uint32_t)sensor->bad_ticks; /* >= 1; the counter of a track that is not there stays 0 */
    return state->track[0].bad >= fault || state->track[1].bad >= fault;
}

bool sense_disagrees(const table_sensor_t *sensor, const law_sensor_state_t *state)
{
    return state->disagreement >= (uint32_t)sensor->bad_ticks;
}
