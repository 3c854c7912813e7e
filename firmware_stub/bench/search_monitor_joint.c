/* The monitor: each joint. What it knows of a position is an interval: the law takes the median of a
 * track's last three counts, so whatever it takes lies between the least and the largest of the three; and only while every
 * sample of late was sound, since the law holds on to an older one for the ticks of a fault.
 */
#include "search_parts.h"

/* -- sensors ------------------------------------------------------------------------------------------------------ */

/* Of a joint that turns for ever the samples are not brought back into one turn: then least and largest mean something. */
static double short_way(double step_mdeg)
{
    double step = step_mdeg;
    while (step >= 180000.0) {
        step -= 360000.0;
    }
    while (step < -180000.0) {
        step += 360000.0;
    }
    return step;
}

/* True when counts have been outside the window for as long as is a fault. */
static bool watch_window(const table_sensor_t *sensor, const table_track_t *track, int32_t count, monitor_track_t *own)
{
    if (count >= track->count_min && count <= track->count_max) {
        own->outside = 0;
        return false;
    }
    own->outside = core_count_up(own->outside);
    return own->outside >= (uint32_t)sensor->bad_ticks;
}

static void take_sample(const table_sensor_t *sensor, const table_track_t *track, bool wraps, int32_t count, monitor_track_t *own)
{
    double *const s = own->sample;
    if (own->outside != 0) {
        own->sound = 0;
        return;
    }
    own->same = count == own->count ? own->same + 1u : 0;
    if (own->same > 2) { /* nothing new */
        own->sound = core_count_up(own->sound);
        return;
    }
    const double value = own->same > 0 ? s[0] : search_curve_at(&track->curve, (double)count);
    if (own->count < 0) {
        s[0] = value;
        s[1] = value;
        s[2] = value;
    }
    const double step = wraps ? short_way(value - s[0]) : value - s[0];
    own->sound = search_size(step) <= (double)sensor->step_max - MONITOR_GRAIN_MDEG ? core_count_up(own->sound) : 0;
    s[2] = s[1];
    s[1] = s[0];
    s[0] += step;
    own->count = count;
    own->low = s[0] < s[1] ? (s[0] < s[2] ? s[0] : s[2]) : (s[1] < s[2] ? s[1] : s[2]);
    own->high = s[0] > s[1] ? (s[0] > s[2] ? s[0] : s[2]) : (s[1] > s[2] ? s[1] : s[2]);
}

static void sense_position(const table_joint_t *joint, monitor_joint_t *own)
{
    const table_sensor_t *sensor = &joint->position_sensor;
    const monitor_track_t *a = &own->position_track[0];
    const monitor_track_t *b = &own->position_track[sensor->track_count - 1];
    const uint32_t enough = (uint32_t)sensor->bad_ticks + 3u;
    own->fresh = a->sound >= enough && b->sound >= enough;
    own->low = a->low;
    own->high = a->high;
    own->low_of_larger = a->low > b->low ? a->low : b->low;
    own->high_of_larger = a->high > b->high ? a->high : b->high;
    own->low_of_smaller = a->low < b->low ? a->low : b->low;
    own->high_of_smaller = a->high < b->high ? a->high : b->high;
    const bool apart = joint->continuous == 0 && own->fresh && sensor->track_count == 2 &&
                       (a->low - b->high > (double)sensor->disagreement + MONITOR_GRAIN_MDEG ||
                        b->low - a->high > (double)sensor->disagreement + MONITOR_GRAIN_MDEG);
    own->apart_ticks = apart ? core_count_up(own->apart_ticks) : 0;
}

/* True when no count of the joint has changed for long enough that nothing of what is known of it can change either. */
static bool reads_the_same(const table_joint_t *joint, const law_in_t *in, monitor_joint_t *own)
{
    bool same = true;
    for (int32_t t = 0; t < joint->operator_sensor.track_count; t++) {
        same = in->counts[joint->operator_sensor.track[t].input] == own->read[t] && same;
        own->read[t] = in->counts[joint->operator_sensor.track[t].input];
    }
    for (int32_t t = 0; t < joint->position_sensor.track_count; t++) {
        same = in->counts[joint->position_sensor.track[t].input] == own->read[2 + t] && same;
        own->read[2 + t] = in->counts[joint->position_sensor.track[t].input];
    }
    own->read_ticks = same ? core_count_up(own->read_ticks) : 0;
    return own->read_ticks > 4 && own->fresh && own->apart_ticks == 0 && !own->any_outside;
}

static bool sense_joint(const table_joint_t *joint, const law_in_t *in, monitor_joint_t *own)
{
    bool bad = false;
    own->any_outside = false;
    for (int32_t t = 0; t < joint->operator_sensor.track_count; t++) {
        const table_track_t *track = &joint->operator_sensor.track[t];
        bad = watch_window(&joint->operator_sensor, track, in->counts[track->input], &own->operator_track[t]) || bad;
        own->any_outside = own->any_outside || own->operator_track[t].outside != 0;
    }
    for (int32_t t = 0; t < joint->position_sensor.track_count; t++) {
        const table_track_t *track = &joint->position_sensor.track[t];
        const int32_t count = in->counts[track->input];
        bad = watch_window(&joint->position_sensor, track, count, &own->position_track[t]) || bad;
        own->any_outside = own->any_outside || own->position_track[t].outside != 0;
        take_sample(&joint->position_sensor, track, joint->continuous != 0, count, &own->position_track[t]);
    }
    sense_position(joint, own);
    return bad;
}

void monitor_sense(const search_setup_t *setup, monitor_t *monitor, const law_in_t *in)
{
    monitor->bad_joint = LAW_NO_JOINT;
    for (int32_t i = 0; i < setup->table->joint_count; i++) {
        const table_joint_t *joint = &setup->table->joint[i];
        monitor_joint_t *own = &monitor->joint[i];
        if (!reads_the_same(joint, in, own) && sense_joint(joint, in, own)) {
            monitor->bad_joint = i;
        }
    }
}

/* -- one joint ---------------------------------------------------------------------------------------------------- */

int32_t monitor_direction(int32_t speed)
{
    return speed > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
}

/* Most that the braking curve can allow that way; least: with the reading that is nearest to the stop. */
static double brake_cap(const table_joint_t *joint, const monitor_joint_t *own, int32_t direction, bool least)
{
    const double upper = (double)joint->soft_stop_mdeg[TABLE_POSITIVE];
    const double lower = (double)joint->soft_stop_mdeg[TABLE_NEGATIVE];
    double room = 0.0;
    if (direction == TABLE_POSITIVE) {
        room = upper - (least ? own->high_of_larger : own->low_of_larger);
    } else {
        room = (least ? own->low_of_smaller : own->high_of_smaller) - lower;
    }
    room += least ? -MONITOR_GRAIN_MDEG : MONITOR_GRAIN_MDEG;
    return room <= 0.0 ? 0.0 : search_curve_at(&joint->brake[direction], room);
}

static bool check_drive(const table_joint_t *joint, int32_t index, const law_out_t *all, search_found_t *found)
{
    const law_joint_out_t *out = &all->joint[index];
    const int32_t drive = core_magnitude(out->drive_e4);
    if (drive > joint->drive_max_e4) {
        return monitor_name(found, SEARCH_DRIVE_RANGE, index, drive, joint->drive_max_e4);
    }
    if (!monitor_moves(all->state) && (out->drive_e4 != 0 || out->flow_e4 != 0 || out->speed_mdeg_s != 0 || out->wanted_mdeg_s != 0)) {
        return monitor_name(found, SEARCH_MOVES_WHERE_NONE_MAY, index, out->drive_e4 != 0 ? out->drive_e4 : out->speed_mdeg_s, 0);
    }
    const int32_t way = (out->speed_mdeg_s > 0) - (out->speed_mdeg_s < 0);
    const int32_t driven = ((out->drive_e4 > 0) - (out->drive_e4 < 0)) * joint->polarity;
    const bool flows = out->flow_e4 != 0;
    if ((driven != 0 && driven != way) || (driven != 0) != flows || out->flow_e4 < 0 ||
        out->flow_e4 > joint->flow_max_e4[monitor_direction(out->speed_mdeg_s)]) {
        return monitor_name(found, SEARCH_DRIVE_AGAINST_SPEED, index, out->drive_e4, out->speed_mdeg_s);
    }
    return true;
}

static bool check_wanted(const table_joint_t *joint, int32_t index, const law_out_t *all, search_found_t *found)
{
    const law_joint_out_t *out = &all->joint[index];
    const double wanted = search_size(out->wanted_mdeg_s);
    const double limit = (double)joint->speed_mdeg_s[all->mode == TABLE_REDUCED ? TABLE_REDUCED : TABLE_FULL_SPEED]
                                                    [monitor_direction(out->wanted_mdeg_s)];
    if (wanted > limit) {
        return monitor_name(found, SEARCH_SPEED_LIMIT, index, out->wanted_mdeg_s, limit);
    }
    if (wanted * (double)CORE_Q16 > limit * (double)all->authority_q16) {
        return monitor_name(found, SEARCH_AUTHORITY_SHARE, index, wanted, limit * (double)all->authority_q16 / (double)CORE_Q16);
    }
    const double gap = (double)out->target - (double)out->position_mdeg;
    const double apart = search_size(joint->continuous != 0 ? search_wrap(gap) : gap);
    if (joint->control == TABLE_FOLLOW && joint->gap_mdeg > 0 && apart > (double)joint->gap_mdeg && out->wanted_mdeg_s != 0) {
        return monitor_name(found, SEARCH_GAP, index, out->wanted_mdeg_s, 0);
    }
    return true;
}

/* Faster: by one step of acceleration, and never beyond what is wanted. Through zero: only after its ticks there. */
static bool check_faster(const table_joint_t *joint, int32_t index, const monitor_joint_t *own, const law_joint_out_t *out,
                         search_found_t *found)
{
    const double before = search_size(own->speed);
    const double now = search_size(out->speed_mdeg_s);
    const int32_t sign = (out->speed_mdeg_s > 0) - (out->speed_mdeg_s < 0);
    if (sign != 0 && own->last_sign != 0 && sign != own->last_sign && own->zero_ticks < (uint32_t)joint->reversal_ticks) {
        return monitor_name(found, SEARCH_REVERSAL, index, own->zero_ticks, joint->reversal_ticks);
    }
    if (now - before > (double)joint->accelerate_mdeg_s) {
        return monitor_name(found, SEARCH_RAMP_UP, index, now - before, joint->accelerate_mdeg_s);
    }
    const double wanted = sign * out->wanted_mdeg_s > 0 ? search_size(out->wanted_mdeg_s) : 0.0;
    if (now > before && now > wanted) {
        return monitor_name(found, SEARCH_RAMP_UP, index, now, wanted);
    }
    return true;
}

/* Slower than by one step of deceleration: only where a stop or the valve's end is the reason. `coupled`: such a stop may be. */
static bool check_slower(const table_joint_t *joint, int32_t index, const monitor_joint_t *own, const law_out_t *all, bool coupled,
                         search_found_t *found)
{
    const law_joint_out_t *out = &all->joint[index];
    const double drop = search_size(own->speed) - search_size(out->speed_mdeg_s);
    const double step = (double)(all->state == LAW_STOPPING ? joint->stop_mdeg_s : joint->decelerate_mdeg_s);
    const int32_t direction = monitor_direction(own->speed);
    const bool at_flow_end = out->flow_e4 == joint->flow_max_e4[direction];
    if (drop <= step || at_flow_end || coupled || (joint->continuous == 0 && !own->fresh)) {
        return true;
    }
    if (joint->continuous == 0 && search_size(out->speed_mdeg_s) >= brake_cap(joint, own, direction, true) - 3.0) {
        return true;
    }
    return monitor_name(found, SEARCH_RAMP_DOWN, index, drop, step);
}

static bool check_stop(const table_joint_t *joint, int32_t index, const monitor_joint_t *own, const law_joint_out_t *out,
                       search_found_t *found)
{
    if (joint->continuous != 0 || !own->fresh || out->speed_mdeg_s == 0) {
        return true;
    }
    const double cap = brake_cap(joint, own, monitor_direction(out->speed_mdeg_s), false);
    if (search_size(out->speed_mdeg_s) > cap) {
        return monitor_name(found, SEARCH_SOFT_STOP, index, out->speed_mdeg_s, cap);
    }
    return true;
}

static bool check_place(const search_setup_t *setup, int32_t index, const monitor_tick_t *tick, search_found_t *found)
{
    const search_joint_t *limits = &setup->joint[index];
    if (tick->true_mdeg == NULL || (tick->doubtful != NULL && tick->doubtful[index] != 0)) {
        return true;
    }
    const int32_t at = tick->true_mdeg[index];
    const int32_t upper = limits->bound_mdeg[TABLE_POSITIVE];
    const int32_t lower = limits->bound_mdeg[TABLE_NEGATIVE];
    if (upper != SEARCH_NO_BOUND && at > upper) {
        return monitor_name(found, SEARCH_POSITION, index, at, upper);
    }
    if (lower != SEARCH_NO_BOUND && at < lower) {
        return monitor_name(found, SEARCH_POSITION, index, at, lower);
    }
    return true;
}

/* -- watches: motion without drive, drive without motion ------------------------------------------------------------ */

/* `flow` is what the law put out in the tick before. The law's windows are at most stall_ticks long and follow one another: the first
 * begins with the flow; later, twice as long without motion holds a whole one. */
static bool check_stall(const table_joint_t *joint, int32_t index, monitor_joint_t *own, bool on, search_found_t *found)
{
    own->busy_ticks = on && own->flow >= joint->stall_flow_e4 ? core_count_up(own->busy_ticks) : 0;
    if (own->busy_ticks == 0 || !own->fresh) {
        own->stall_ticks = 0;
        return true;
    }
    const double at = own->position_track[0].sample[0];
    if (own->stall_ticks == 0) {
        own->stall_first = own->busy_ticks == 1;
        own->stall_low = at;
        own->stall_high = at;
    }
    own->stall_low = at < own->stall_low ? at : own->stall_low;
    own->stall_high = at > own->stall_high ? at : own->stall_high;
    own->stall_ticks = own->stall_high - own->stall_low >= (double)joint->stall_mdeg - MONITOR_GRAIN_MDEG ? 0 : own->stall_ticks + 1;
    const double most = (own->stall_first ? 1.0 : 2.0) * (double)joint->stall_ticks + 8.0;
    if ((double)own->stall_ticks > most) {
        return monitor_name(found, SEARCH_STALLED, index, own->stall_ticks, most);
    }
    return true;
}

/* Twice still_mdeg inside a window of still_ticks is more than still_mdeg inside one of the law's. */
static bool check_still(const table_joint_t *joint, int32_t index, monitor_joint_t *own, bool on, search_found_t *found)
{
    if (!on || !own->fresh || own->drive != 0) {
        own->quiet_ticks = 0;
        return true;
    }
    own->quiet_ticks = core_count_up(own->quiet_ticks);
    if (own->quiet_ticks <= (uint32_t)joint->settle_ticks + 3u) {
        own->window_ticks = 0;
        return true;
    }
    if (own->window_ticks == 0) {
        own->anchor_low = own->low;
        own->anchor_high = own->high;
    }
    own->window_ticks = own->window_ticks + 1 >= (uint32_t)joint->still_ticks ? 0 : own->window_ticks + 1;
    const double up = own->low - own->anchor_high;
    const double down = own->anchor_low - own->high;
    const double moved = (up > down ? up : down) - 2.0 * MONITOR_GRAIN_MDEG;
    if (moved > 2.0 * (double)joint->still_mdeg) {
        return monitor_name(found, SEARCH_MOVED, index, moved, 2.0 * (double)joint->still_mdeg);
    }
    return true;
}

static void remember(monitor_joint_t *own, const law_joint_out_t *out)
{
    own->speed = out->speed_mdeg_s;
    own->flow = out->flow_e4;
    own->drive = out->drive_e4;
    own->zero_ticks = out->speed_mdeg_s == 0 ? core_count_up(own->zero_ticks) : 0;
    if (out->speed_mdeg_s != 0) {
        own->last_sign = out->speed_mdeg_s > 0 ? 1 : -1;
    }
}

bool monitor_joints(const search_setup_t *setup, monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found)
{
    const law_out_t *out = tick->out;
    const bool moves = monitor_moves(out->state);
    const bool on = out->enable != 0 && monitor->enable != 0;
    bool well = true;
    for (int32_t i = 0; i < setup->table->joint_count && well; i++) {
        const table_joint_t *joint = &setup->table->joint[i];
        monitor_joint_t *own = &monitor->joint[i];
        const law_joint_out_t *now = &out->joint[i];
        well = check_drive(joint, i, out, found) && check_place(setup, i, tick, found) && check_stall(joint, i, own, on, found) &&
               check_still(joint, i, own, on, found);
        if (well && own->apart_ticks > (uint32_t)joint->position_sensor.bad_ticks && out->enable != 0) {
            well = monitor_name(found, SEARCH_DISAGREEMENT, i, own->apart_ticks, joint->position_sensor.bad_ticks);
        }
        if (well && moves && (own->speed != 0 || now->speed_mdeg_s != 0 || now->wanted_mdeg_s != 0)) {
            const bool coupled = monitor_coupled_reason(setup->table, monitor, i);
            well = check_wanted(joint, i, out, found) && check_faster(joint, i, own, now, found) &&
                   check_slower(joint, i, own, out, coupled, found) && check_stop(joint, i, own, now, found);
        }
    }
    for (int32_t i = 0; i < setup->table->joint_count; i++) {
        remember(&monitor->joint[i], &out->joint[i]);
    }
    return well;
}
