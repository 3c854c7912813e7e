/* The law, tick after tick, on a table that was accepted: a script of buttons, levers, wires that break and joints that slip, on a plain
 * arm that moves as it is told, more or less. In every tick: no failed assertion; outputs inside their limits; nothing moves but in
 * `running` and `stopping`; nothing is enabled with the stop open; `running` is entered from `matching` alone; a late tick, a
 * channel that hangs or a fault ends in zero drive.
 *
 * First byte: which table; second: how many bytes of it to change (place, value), with the CRC made right; where it is refused then, it
 * is taken as it was. The rest is the script. */
#include <stdlib.h>
#include <string.h>

#include "fuzz.h"
#include "fuzz_tables.h"
#include "law.h"

#define TICKS_MAX 200

typedef struct {
    int64_t value_e3;  /* thousandths: the arm's position in mdeg; what the operator does in the unit of the curve */
    int64_t wanted_e3; /* of the operator: where the hand goes */
    int64_t seen_e3;   /* the value that the counts were made of */
    bool seen;
} body_t;

typedef struct {
    table_t table;
    law_state_t state;
    law_in_t in;
    law_out_t out, before;
    body_t arm[TABLE_JOINTS_MAX], hand[TABLE_JOINTS_MAX];
    uint8_t gain; /* of the arm, hundredths: what it makes of the speed that it is told */
    uint16_t sound[TABLE_INPUTS_MAX], broken[TABLE_INPUTS_MAX];
    bool is_broken[TABLE_INPUTS_MAX];
    uint32_t buttons;
    int ticks;
} world_t;

/* -- the table ------------------------------------------------------------------------------------------------------ */

static void take_table(world_t *world, script_t *script)
{
    uint8_t bytes[FUZZ_TABLE_MAX];
    const fuzz_table_t *base = &fuzz_law_tables[script_u8(script) % FUZZ_LAW_TABLES];
    memcpy(bytes, base->bytes, base->n);
    const uint8_t changes = script_u8(script) & 7u;
    for (uint8_t i = 0; i < changes; i++) {
        const size_t at = 80u + script_u16(script) % (base->n - 84u);
        bytes[at] = script_u8(script);
    }
    fuzz_repair(bytes, base->n);
    if (table_parse(bytes, base->n, &world->table).result != TABLE_OK) {
        FUZZ_REQUIRE(table_parse(base->bytes, base->n, &world->table).result == TABLE_OK);
    }
}

/* -- bodies and counts ---------------------------------------------------------------------------------------------- */

static void ends_of(const table_sensor_t *sensor, int32_t *low, int32_t *high)
{
    const curve_t *curve = &sensor->track[0].curve;
    const int32_t first = curve->y[0];
    const int32_t last = curve->y[curve->count - 1];
    *low = first < last ? first : last;
    *high = first < last ? last : first;
}

/* The count in the window at which the track comes nearest to the value from below its direction. */
static uint16_t count_of(const table_track_t *track, int32_t value)
{
    const curve_t *curve = &track->curve;
    const bool rises = curve->y[curve->count - 1] > curve->y[0];
    int32_t low = track->count_min;
    int32_t high = track->count_max;
    while (low < high) {
        const int32_t middle = (low + high) / 2;
        const int32_t there = curve_at(curve, middle);
        if (rises ? there >= value : there <= value) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    return (uint16_t)low;
}

static void set_counts(world_t *world, const table_sensor_t *sensor, body_t *body)
{
    if (body->seen && body->seen_e3 == body->value_e3) {
        return;
    }
    body->seen = true;
    body->seen_e3 = body->value_e3;
    for (int32_t i = 0; i < sensor->track_count; i++) {
        world->sound[sensor->track[i].input] = count_of(&sensor->track[i], (int32_t)(body->value_e3 / 1000));
    }
}

static int64_t limited(int64_t value, int64_t low, int64_t high)
{
    return value < low ? low : value > high ? high : value;
}

/* Where the hand has to be for the joint to be matched, as near as 65 places tell. */
static int32_t matching_hand(const table_joint_t *joint, int32_t position)
{
    int32_t low;
    int32_t high;
    ends_of(&joint->operator_sensor, &low, &high);
    if (joint->control == TABLE_SPEED) {
        return (int32_t)limited(0, low, high);
    }
    int32_t best = low;
    int64_t least = INT64_MAX;
    for (int32_t i = 0; i <= 64; i++) {
        const int32_t hand = low + (int32_t)((int64_t)(high - low) * i / 64);
        const int64_t gap = llabs((int64_t)curve_at(&joint->response, hand) - position);
        if (gap < least) {
            least = gap;
            best = hand;
        }
    }
    return best;
}

static void move_bodies(world_t *world)
{
    for (int32_t i = 0; i < world->table.joint_count; i++) {
        const table_joint_t *joint = &world->table.joint[i];
        const law_joint_out_t *told = &world->before.joint[i];
        int32_t low;
        int32_t high;
        ends_of(&joint->position_sensor, &low, &high);
        body_t *arm = &world->arm[i];
        const int64_t step_e3 = (int64_t)told->speed_mdeg_s * 10 * world->gain / world->table.tick_hz;
        arm->value_e3 += told->drive_e4 != 0 ? step_e3 : 0;
        if (joint->continuous != 0 && (arm->value_e3 > 1000LL * high || arm->value_e3 < 1000LL * low)) {
            arm->value_e3 += arm->value_e3 > 1000LL * high ? -360000000LL : 360000000LL;
        }
        arm->value_e3 = limited(arm->value_e3, 1000LL * low, 1000LL * high);
        body_t *hand = &world->hand[i];
        const int64_t reach = 500LL * joint->operator_sensor.step_max;
        hand->value_e3 += limited(hand->wanted_e3 - hand->value_e3, -reach, reach);
        set_counts(world, &joint->operator_sensor, hand);
        set_counts(world, &joint->position_sensor, arm);
    }
    for (size_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        world->in.counts[i] = world->is_broken[i] ? world->broken[i] : world->sound[i];
    }
}

/* What leads on: the stop closed, reset pressed for its least time, hands to the arm's pose, the enabling device held. */
static uint32_t leading_buttons(world_t *world)
{
    const law_state_t *state = &world->state;
    const uint32_t name = state->state;
    const bool press = state->press_ticks < (uint32_t)world->table.reset_min_ticks;
    uint32_t buttons = LAW_IN_STOP_1 | LAW_IN_STOP_2 | (world->buttons & (uint32_t)LAW_IN_MODE_FULL);
    if (name != LAW_RUNNING) {
        for (int32_t i = 0; i < world->table.joint_count; i++) {
            if (world->state.joint[i].matched) {
                continue;
            }
            world->hand[i].wanted_e3 = 1000LL * matching_hand(&world->table.joint[i], (int32_t)(world->arm[i].value_e3 / 1000));
        }
    }
    if (state->both_must_open) {
        return buttons & (uint32_t)LAW_IN_MODE_FULL;
    }
    if (name == LAW_MATCHING || name == LAW_RUNNING || (name == LAW_STOPPED && state->permit && state->seen_released)) {
        return buttons | (uint32_t)LAW_IN_ENABLING;
    }
    const bool asks = name == LAW_EMERGENCY_STOP || name == LAW_FAULT || (name == LAW_STOPPED && !state->permit);
    return buttons | (asks && press ? (uint32_t)LAW_IN_RESET : 0u);
}

/* -- what must hold in every tick ----------------------------------------------------------------------------------- */

static void check_joint(const world_t *world, int32_t i)
{
    const law_joint_out_t *out = &world->out.joint[i];
    const bool moves = world->out.state == LAW_RUNNING || world->out.state == LAW_STOPPING;
    if (i >= world->table.joint_count || !moves) {
        FUZZ_REQUIRE(out->drive_e4 == 0 && out->flow_e4 == 0 && out->speed_mdeg_s == 0 && out->wanted_mdeg_s == 0);
        return;
    }
    const table_joint_t *joint = &world->table.joint[i];
    const int32_t side = out->speed_mdeg_s > 0 ? TABLE_POSITIVE : TABLE_NEGATIVE;
    FUZZ_REQUIRE(abs(out->drive_e4) <= joint->drive_max_e4);
    FUZZ_REQUIRE(out->flow_e4 >= 0 && out->flow_e4 <= joint->flow_max_e4[side]);
    FUZZ_REQUIRE(abs(out->speed_mdeg_s) <= joint->speed_mdeg_s[TABLE_FULL_SPEED][side]);
    FUZZ_REQUIRE(out->drive_e4 == 0 || (out->drive_e4 > 0) == (out->speed_mdeg_s * joint->polarity > 0));
    const law_sensor_state_t *position = &world->state.joint[i].position_sensor;
    if (joint->continuous == 0) {
        FUZZ_REQUIRE(out->speed_mdeg_s <= 0 || position->larger < joint->soft_stop_mdeg[TABLE_POSITIVE]);
        FUZZ_REQUIRE(out->speed_mdeg_s >= 0 || position->smaller > joint->soft_stop_mdeg[TABLE_NEGATIVE]);
    }
}

static void check_tick(const world_t *world)
{
    const law_out_t *out = &world->out;
    const uint32_t digital = world->in.digital;
    const bool closed = (digital & LAW_IN_STOP_1) != 0 && (digital & LAW_IN_STOP_2) != 0;
    const bool enabled = out->state == LAW_MATCHING || out->state == LAW_RUNNING || out->state == LAW_STOPPING;
    const bool late = world->in.elapsed_us > (uint32_t)(world->table.tick_us + world->table.late_us);
    FUZZ_REQUIRE(core_assert_line() == 0);
    FUZZ_REQUIRE(out->state < LAW_STATES && out->cause < LAW_CAUSES && out->waits_for < LAW_WAITS_COUNT);
    FUZZ_REQUIRE(out->enable == (enabled ? 1u : 0u));
    FUZZ_REQUIRE(closed || !enabled || (out->state == LAW_STOPPING && world->table.stop_category == 1));
    FUZZ_REQUIRE(!late || !enabled);
    FUZZ_REQUIRE(out->state != LAW_RUNNING || world->before.state == LAW_RUNNING || world->before.state == LAW_MATCHING);
    FUZZ_REQUIRE(out->state != LAW_RUNNING || (digital & LAW_IN_ENABLING) != 0);
    FUZZ_REQUIRE(out->authority_q16 >= 0 && out->authority_q16 <= CORE_Q16);
    FUZZ_REQUIRE(out->share_q16 >= 0 && out->share_q16 <= CORE_Q16);
    FUZZ_REQUIRE(out->mode <= world->before.mode || !enabled || out->state == LAW_MATCHING);
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        check_joint(world, i);
    }
}

static void run_ticks(world_t *world, int count, bool lead)
{
    for (int i = 0; i < count && world->ticks < TICKS_MAX; i++) {
        world->ticks++;
        world->before = world->out;
        move_bodies(world);
        world->in.digital = lead ? leading_buttons(world) : world->buttons;
        law_step(&world->table, &world->state, &world->in, &world->out);
        check_tick(world);
        world->in.elapsed_us = (uint32_t)world->table.tick_us;
    }
}

/* -- the script ----------------------------------------------------------------------------------------------------- */

static void move_hand(world_t *world, script_t *script)
{
    const int32_t i = script_u8(script) % world->table.joint_count;
    int32_t low;
    int32_t high;
    ends_of(&world->table.joint[i].operator_sensor, &low, &high);
    world->hand[i].wanted_e3 = 1000LL * low + (int64_t)(high - low) * 1000 * script_u8(script) / 255;
}

static void do_next(world_t *world, script_t *script)
{
    const uint8_t what = script_u8(script);
    const int32_t count = world->table.joint_count;
    switch (what & 7u) {
        case 0:
            world->buttons = script_u8(script);
            run_ticks(world, 1 + (what >> 3), false);
            break;
        case 1: run_ticks(world, 1 + (what >> 3), false); break;
        case 2: run_ticks(world, 1 + 2 * (what >> 3), true); break;
        case 3: move_hand(world, script); break;
        case 4: {
            const int32_t first = world->table.joint[0].position_sensor.track[0].input;
            const int32_t input = (what & 8u) != 0 ? script_u8(script) % TABLE_INPUTS_MAX : first;
            world->is_broken[input] = (what & 16u) == 0;
            world->broken[input] = script_u16(script);
            break;
        }
        case 5: world->in.elapsed_us = script_u16(script); break;
        case 6: world->arm[script_u8(script) % count].value_e3 += 100LL * (int16_t)script_u16(script); break;
        default: world->gain = script_u8(script); break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static world_t world;
    script_t script = {data, n, 0};
    memset(&world, 0, sizeof world);
    take_table(&world, &script);
    world.gain = 100;
    world.buttons = LAW_IN_STOP_1 | LAW_IN_STOP_2;
    world.in.elapsed_us = (uint32_t)world.table.tick_us;
    for (int32_t i = 0; i < world.table.joint_count; i++) {
        const table_joint_t *joint = &world.table.joint[i];
        world.arm[i].value_e3 = 500LL * ((int64_t)joint->soft_stop_mdeg[0] + joint->soft_stop_mdeg[1]);
        world.hand[i].value_e3 = 1000LL * matching_hand(joint, (int32_t)(world.arm[i].value_e3 / 1000));
        world.hand[i].wanted_e3 = world.hand[i].value_e3;
    }
    law_start(&world.state);
    while (!script_ended(&script) && world.ticks < TICKS_MAX) {
        do_next(&world, &script);
    }
    return 0;
}
