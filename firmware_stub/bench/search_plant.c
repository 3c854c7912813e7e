/* The joints behind the valves, one by one: drive to flow through the table's own valve curve backwards, dead time, flow to
 * speed through the table's own flow for speed at the true pose, times a gain; lag; steel at both ends. What a spool that
 * sticks does: its flow stays what it was.
 *
 * No oil spring, no load, no shared pump: the bounds that the check works out hold with all three, so they hold without.
 */
#include "search_parts.h"

enum { LOWEST = 0, MIDDLE = 1, HIGHEST = 2 };

/* Four corners a joint and byte: the joint's two bits, turned a little for every four joints. */
static uint32_t corner_bits(uint8_t byte, int32_t joint)
{
    const uint32_t word = (uint32_t)byte * 0x01010101u;
    return byte == 0 ? 0u : (word >> (2u * ((uint32_t)joint & 3u))) + (uint32_t)joint / 4u;
}

static double start_of(const search_setup_t *setup, int32_t joint, uint8_t byte)
{
    const table_joint_t *own = &setup->table->joint[joint];
    const double upper = own->continuous != 0 ? 179000.0 : (double)own->soft_stop_mdeg[TABLE_POSITIVE];
    const double lower = own->continuous != 0 ? -179000.0 : (double)own->soft_stop_mdeg[TABLE_NEGATIVE];
    if (byte == 0) {
        return own->continuous != 0 ? 0.0 : (lower + upper) / 2.0;
    }
    const double share = (double)(((uint32_t)byte + 61u * (uint32_t)joint) & 255u) / 255.0;
    if (own->continuous != 0) {
        return lower + (upper - lower) * share;
    }
    const double place = lower + (upper - lower) * (1.06 * share - 0.03); /* now and then beyond a soft stop: parked there */
    return search_between(place, setup->joint[joint].hard_mdeg[TABLE_NEGATIVE], setup->joint[joint].hard_mdeg[TABLE_POSITIVE]);
}

void search_plant_start(const search_setup_t *setup, const uint8_t *head, search_plant_t *plants)
{
    for (int32_t i = 0; i < setup->table->joint_count; i++) {
        const search_joint_t *joint = &setup->joint[i];
        const uint32_t bits = corner_bits(head[1], i);
        const int32_t gain = (bits & 1u) != 0 ? HIGHEST : ((bits & 2u) != 0 ? LOWEST : MIDDLE);
        const int32_t late = (bits & 3u) == 3u ? HIGHEST : ((bits & 3u) == 1u ? LOWEST : MIDDLE);
        search_plant_t *plant = &plants[i];
        core_fill((uint8_t *)plant, 0, sizeof *plant);
        plant->gain = joint->gain[gain];
        plant->alpha = joint->alpha[late];
        plant->dead_ticks = joint->dead_ticks[late];
        plant->position = start_of(setup, i, head[2]);
    }
}

static double flow_of(const table_joint_t *joint, int32_t drive_e4)
{
    const int32_t drive = drive_e4 * joint->polarity;
    const int32_t direction = drive > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
    const double flow = search_curve_inverse(&joint->valve[direction], (double)core_magnitude(drive));
    return drive > 0 ? flow : -flow;
}

static double delayed(search_plant_t *plant, double flow)
{
    if (flow != 0.0) {
        plant->busy = plant->dead_ticks + 1;
    }
    if (plant->busy == 0) {
        return 0.0;
    }
    plant->busy -= 1;
    if (plant->dead_ticks == 0) {
        return flow;
    }
    const double before = plant->delay[plant->at];
    plant->delay[plant->at] = flow;
    plant->at = plant->at + 1 == plant->dead_ticks ? 0 : plant->at + 1;
    return before;
}

static void move(const search_setup_t *setup, int32_t index, search_plant_t *plant)
{
    const search_joint_t *limits = &setup->joint[index];
    const bool turns = setup->table->joint[index].continuous != 0;
    plant->position += plant->speed / (double)setup->table->tick_hz;
    if (turns) {
        plant->position = search_wrap(plant->position);
        return;
    }
    const double lower = (double)limits->hard_mdeg[TABLE_NEGATIVE];
    const double upper = (double)limits->hard_mdeg[TABLE_POSITIVE];
    if (plant->position < lower || plant->position > upper) {
        plant->position = search_between(plant->position, lower, upper);
        plant->speed = 0.0;
    }
}

void search_plant_step(const search_setup_t *setup, const law_out_t *out, search_plant_t *plants)
{
    for (int32_t i = 0; i < setup->table->joint_count; i++) {
        const table_joint_t *joint = &setup->table->joint[i];
        search_plant_t *plant = &plants[i];
        const int32_t drive = out->joint[i].drive_e4;
        const double now = drive == 0 ? 0.0 : flow_of(joint, drive);
        const double flow = plant->stuck ? plant->stuck_flow : delayed(plant, now);
        plant->stuck_flow = flow;
        if (flow == 0.0 && plant->speed == 0.0) {
            continue;
        }
        double wanted = 0.0;
        if (flow != 0.0) {
            const int32_t direction = flow > 0.0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
            const double per_speed = search_curve_at(&joint->flow_per_speed_q16[direction], plant->position);
            wanted = plant->gain * flow * (double)CORE_Q16 / per_speed;
        }
        plant->speed += plant->alpha * (wanted - plant->speed);
        if (flow == 0.0 && search_size(plant->speed) < 1.0) {
            plant->speed = 0.0; /* a millidegree a second is no motion that anything could see */
        }
        move(setup, i, plant);
    }
}
