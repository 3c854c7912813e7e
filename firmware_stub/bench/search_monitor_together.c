/* The monitor: what several joints owe one another: coupled stops, the tip's speed, the pump. */
#include "search_parts.h"

#define FLOAT_SHARE 1e-9

/* The least (or most) that the coupled stop's curve can allow, thousandths of mdeg/s. */
static double coupled_cap(const table_coupled_t *stop, const monitor_t *monitor, bool least)
{
    double room = 1000.0 * (double)stop->limit_mdeg;
    for (int32_t k = 0; k < 2; k++) {
        const monitor_joint_t *own = &monitor->joint[stop->joint[k]];
        const double weight = (double)stop->weight_e3[k];
        const double larger = least ? own->high_of_larger : own->low_of_larger;
        const double smaller = least ? own->low_of_smaller : own->high_of_smaller;
        room -= weight * (weight > 0.0 ? larger : smaller) + (least ? search_size(weight) * MONITOR_GRAIN_MDEG : -search_size(weight) * MONITOR_GRAIN_MDEG);
    }
    room = room / 1000.0 + (least ? -1.0 : 1.0);
    return room <= 0.0 ? 0.0 : 1000.0 * search_curve_at(&stop->brake, room);
}

static double closing_of(double weight, double speed)
{
    return weight * speed > 0.0 ? weight * speed : 0.0;
}

/* A coupled stop may be why this joint lost speed at once: the speeds before, each a step faster, would pass its curve. */
bool monitor_coupled_reason(const table_t *table, const monitor_t *monitor, int32_t index)
{
    for (int32_t c = 0; c < table->coupled_count; c++) {
        const table_coupled_t *stop = &table->coupled[c];
        double sum = 0.0;
        bool part = false;
        for (int32_t k = 0; k < 2; k++) {
            const monitor_joint_t *own = &monitor->joint[stop->joint[k]];
            const double weight = (double)stop->weight_e3[k];
            const double more = (double)table->joint[stop->joint[k]].accelerate_mdeg_s;
            sum += closing_of(weight, own->speed) + search_size(weight) * more;
            part = part || (stop->joint[k] == index && closing_of(weight, own->speed) > 0.0);
        }
        const bool fresh = monitor->joint[stop->joint[0]].fresh && monitor->joint[stop->joint[1]].fresh;
        if (part && (!fresh || sum > coupled_cap(stop, monitor, true))) {
            return true;
        }
    }
    return false;
}

static bool check_coupled(const table_t *table, const monitor_t *monitor, const law_out_t *out, search_found_t *found)
{
    for (int32_t c = 0; c < table->coupled_count; c++) {
        const table_coupled_t *stop = &table->coupled[c];
        double sum = 0.0;
        for (int32_t k = 0; k < 2; k++) {
            sum += closing_of((double)stop->weight_e3[k], (double)out->joint[stop->joint[k]].speed_mdeg_s);
        }
        const bool fresh = monitor->joint[stop->joint[0]].fresh && monitor->joint[stop->joint[1]].fresh;
        if (sum > 0.0 && fresh && sum > coupled_cap(stop, monitor, false) * (1.0 + FLOAT_SHARE)) {
            return monitor_name(found, SEARCH_COUPLED_STOP, stop->joint[0], sum / 1000.0, coupled_cap(stop, monitor, false) / 1000.0);
        }
    }
    return true;
}

static bool check_tip(const table_t *table, const monitor_t *monitor, const law_out_t *out, search_found_t *found)
{
    double wanted = 0.0;
    double moving = 0.0;
    if (out->mode != TABLE_REDUCED || table->tip_mdeg_mm_s == 0) {
        return true;
    }
    for (int32_t i = 0; i < table->joint_count; i++) {
        wanted += search_size(out->joint[i].wanted_mdeg_s) * (double)table->joint[i].reach_mm;
        moving += search_size(out->joint[i].speed_mdeg_s) * (double)table->joint[i].reach_mm;
    }
    if (wanted > (double)table->tip_mdeg_mm_s) {
        return monitor_name(found, SEARCH_TIP_SPEED, LAW_NO_JOINT, wanted, table->tip_mdeg_mm_s);
    }
    for (int32_t i = 0; i < table->joint_count && moving > (double)table->tip_mdeg_mm_s; i++) {
        if (table->joint[i].reach_mm > 0 && search_size(out->joint[i].speed_mdeg_s) > search_size(monitor->joint[i].speed)) {
            return monitor_name(found, SEARCH_TIP_SPEED, i, moving, table->tip_mdeg_mm_s);
        }
    }
    return true;
}

/* Positions as the law put them out: its choice among the samples of the last ticks changes the flow for a speed by little, but the
 * sum is exact only with the very ones. */
static bool check_pump(const table_t *table, const law_out_t *out, search_found_t *found)
{
    const double supply = (double)table->pump_ml_min * (double)TABLE_FULL_E4;
    double sum = 0.0;
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_joint_t *joint = &table->joint[i];
        const law_joint_out_t *own = &out->joint[i];
        if (own->wanted_mdeg_s != 0) {
            const curve_t *curve = &joint->flow_per_speed_q16[monitor_direction(own->wanted_mdeg_s)];
            const double flow = search_size(own->wanted_mdeg_s) * (search_curve_at(curve, own->position_mdeg) - 2.0) / (double)CORE_Q16;
            sum += flow * (double)joint->flow_full_ml_min;
        }
    }
    if (sum > supply * (1.0 + FLOAT_SHARE)) {
        return monitor_name(found, SEARCH_PUMP_SHARE, LAW_NO_JOINT, sum / (double)TABLE_FULL_E4, table->pump_ml_min);
    }
    return true;
}

bool monitor_together(const search_setup_t *setup, const monitor_t *monitor, const monitor_tick_t *tick, search_found_t *found)
{
    if (!monitor_moves(tick->out->state)) {
        return true;
    }
    return check_coupled(setup->table, monitor, tick->out, found) && check_tip(setup->table, monitor, tick->out, found) &&
           check_pump(setup->table, tick->out, found);
}
