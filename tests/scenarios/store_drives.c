/* The whole controller after a cut: no drive and no enable output before a table is in use and the law has left powering_up. */
#include <string.h>

#include "controller.h"
#include "store_campaign.h"

#define DRIVE_GEOMETRY 6u /* sectors of 4096 bytes: a machine's table fits */
#define DRIVE_TICKS 12u
#define DRIVE_CUTS 40u /* operations, at most */
#define DRIVE_DRAWS 6u

static controller_t controller;
static controller_config_t config;

static size_t send_nothing(void *context, const uint8_t *bytes, size_t n)
{
    (void)context;
    (void)bytes;
    return n;
}

static bool is_still(const law_out_t *out)
{
    for (uint32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        if (out->joint[i].drive_e4 != 0) {
            return false;
        }
    }
    return out->enable == 0;
}

/* Ticks with any inputs at all: what an operator, a plug or a broken wire could do. */
static void tick(session_t *session, uint64_t seed)
{
    for (uint32_t k = 0; k < DRIVE_TICKS && !session->lost; k++) {
        law_in_t in;
        law_out_t out;
        memset(&in, 0, sizeof in);
        memset(&out, 0xA5, sizeof out);
        for (size_t i = 0; i < sizeof in / 8u; i++) {
            const uint64_t draw = nor_mix(seed, k * 1000u + i);
            memcpy((uint8_t *)&in + 8u * i, &draw, 8);
        }
        controller_tick(&controller, &in, &out);
        const bool may_drive = controller.table_state == LINK_TABLE_IN_USE && out.state != LAW_POWERING_UP;
        if (!may_drive && !is_still(&out)) {
            session_lose(session, "tick %u: a drive or the enable output is on, table state %u, law state %u", k + 1u,
                         (unsigned)controller.table_state, (unsigned)out.state);
        }
    }
}

static link_table_t start_controller(session_t *session)
{
    memset(&controller, 0xA5, sizeof controller);
    memset(&config, 0, sizeof config);
    config.store = session->config;
    config.firmware = "scenario";
    memcpy(config.machine_id, session->context->table[TABLE_OLD].bytes + 12, TABLE_MACHINE_ID_BYTES);
    config.transmit = send_nothing;
    nor_power_on(&session->nor, NULL);
    const link_table_t state = controller_start(&controller, &config);
    session_say(session, "  controller starts: table state %u\n", (unsigned)state);
    return state;
}

static uint32_t total_drv(void)
{
    return DRIVE_CUTS * SHORT_FORMS * DRIVE_DRAWS * 2u;
}

static bool play_drv(session_t *session, uint32_t number)
{
    const uint64_t seed = campaign_seed(10, number);
    const bool damaged = campaign_digit(&number, 2) != 0;
    nor_cut_t cut;
    campaign_short_form(&cut, 1u + number / (SHORT_FORMS * DRIVE_DRAWS), number % SHORT_FORMS, seed);
    (void)campaign_open(session, DRIVE_GEOMETRY, HISTORY_REAL, seed);
    session->nor.key = nor_mix(session->nor.key, damaged);
    (void)session_run(session, TABLE_NEW, &cut, true);
    if (!session->nor.happened) {
        return false;
    }
    if (damaged) { /* and the one in use has rotted: there is none then, and nothing may move */
        const uint32_t at = session->nor.geometry.slot[0] + STORE_HEADER_BYTES + (uint32_t)(seed % 40u);
        nor_flip(&session->nor, at, 1u + (uint32_t)(seed >> 20) % 255u, 0);
        if (start_controller(session) == LINK_TABLE_IN_USE && (session->may & MAY(TABLE_NEW)) == 0) {
            session_lose(session, "controller: a rotted table is in use");
        }
    } else if (start_controller(session) != LINK_TABLE_IN_USE) {
        session_lose(session, "controller: no table in use where one is stored");
    }
    tick(session, seed);
    core_assert_clear(); /* inputs drawn at random may latch what the law's own tests judge */
    if (!session->lost && !damaged) {
        session_judge(session);
    }
    return true;
}

const store_family_t family_drv = {
    "drv", "the whole controller after a cut, any inputs: no drive, no enable before a table is in use and powered up", 1000,
    total_drv, play_drv,
};
