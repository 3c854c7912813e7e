#include "controller.h"

static table_fault_t parse_for_this_machine(controller_t *controller, const uint8_t *bytes, size_t n)
{
    CORE_ASSERT(bytes != NULL);
    table_fault_t fault = table_parse(bytes, n, &controller->table);
    if (fault.result == TABLE_OK && !table_is_for(&controller->table, controller->config->machine_id)) {
        fault.result = TABLE_OTHER_MACHINE;
        fault.section = 0xFFFFu;
        fault.field = 0;
    }
    return fault;
}

/* Makes the stored table the live one, or leaves none. */
static void load(controller_t *controller, store_result_t stored)
{
    const uint8_t *bytes = NULL;
    controller->table_state = stored == STORE_DAMAGED ? LINK_TABLE_DAMAGED : LINK_TABLE_NONE;
    controller->load_fault.result = TABLE_OK;
    if (stored != STORE_OK) {
        return;
    }
    if (store_view(&controller->store, false, &bytes) != STORE_OK) {
        controller->table_state = LINK_TABLE_DAMAGED;
        return;
    }
    controller->load_fault = parse_for_this_machine(controller, bytes, store_record(&controller->store)->table_bytes);
    controller->table_state = controller->load_fault.result == TABLE_OK ? LINK_TABLE_IN_USE : LINK_TABLE_NOT_TAKEN;
}

static store_result_t stored_now(const controller_t *controller)
{
    if (controller->store.choice == STORE_TAKE_DAMAGED) {
        return STORE_DAMAGED;
    }
    return store_has_table(&controller->store) ? STORE_OK : STORE_NONE;
}

static void no_output(law_out_t *out)
{
    core_fill((uint8_t *)out, 0, sizeof *out);
    out->state = LAW_POWERING_UP;
    out->cause = LAW_CAUSE_NONE;
    out->cause_joint = LAW_NO_JOINT;
    out->waits_joint = LAW_NO_JOINT;
    out->share_q16 = CORE_Q16;
}

/* ---- what the link asks of its owner ---- */

static void remember(controller_t *controller, uint32_t digital, const law_out_t *out)
{
    link_facts_t *facts = &controller->facts;
    facts->key = (digital & (uint32_t)LAW_IN_KEY) != 0;
    facts->enable = out->enable != 0;
    facts->state = (uint8_t)out->state;
    facts->cause = (uint8_t)out->cause;
    facts->cause_joint = (uint8_t)out->cause_joint;
    facts->waits_for = (uint8_t)out->waits_for;
    facts->waits_joint = (uint8_t)out->waits_joint;
}

static void facts_now(void *owner, link_facts_t *facts)
{
    CORE_ASSERT(facts != NULL);
    const controller_t *controller = (const controller_t *)owner;
    const bool live = controller->table_state == LINK_TABLE_IN_USE;
    *facts = controller->facts;
    facts->standstill = !live || law_at_standstill(&controller->law);
    facts->table = controller->table_state;
    facts->revision = live ? controller->table.revision : 0;
}

/* The room of the live table serves for the check: one table in memory is enough. No tick comes in between (controller_receive is
 * called from the same thread), and the table in use is read again before this returns. */
static table_fault_t check_table(void *owner, const uint8_t *bytes, size_t n)
{
    controller_t *controller = (controller_t *)owner;
    const table_fault_t fault = parse_for_this_machine(controller, bytes, n);
    load(controller, stored_now(controller));
    return fault;
}

static void take_table(void *owner)
{
    controller_t *controller = (controller_t *)owner;
    CORE_ASSERT(store_has_table(&controller->store));
    load(controller, stored_now(controller));
    law_out_t out;
    law_start(&controller->law);
    no_output(&out);
    remember(controller, controller->facts.key ? (uint32_t)LAW_IN_KEY : 0u, &out);
}

static size_t transmit(void *owner, const uint8_t *bytes, size_t n)
{
    const controller_t *controller = (const controller_t *)owner;
    return controller->config->transmit(controller->config->context, bytes, n);
}

/* ---- what the platform calls ---- */

link_table_t controller_start(controller_t *controller, const controller_config_t *config)
{
    CORE_ASSERT(controller != NULL);
    CORE_ASSERT(config != NULL);
    core_fill((uint8_t *)controller, 0, sizeof *controller);
    controller->config = config;
    const link_owner_t owner = {
        controller, config->machine_id, config->firmware, facts_now, check_table, take_table, transmit,
    };
    load(controller, store_start(&controller->store, &config->store));
    law_out_t out;
    law_start(&controller->law);
    no_output(&out);
    remember(controller, 0, &out);
    link_start(&controller->link, &controller->store, &owner);
    return controller->table_state;
}

void controller_tick(controller_t *controller, const law_in_t *in, law_out_t *out)
{
    CORE_ASSERT(controller != NULL);
    CORE_ASSERT(in != NULL);
    CORE_ASSERT(out != NULL);
    if (controller->table_state == LINK_TABLE_IN_USE) {
        law_step(&controller->table, &controller->law, in, out);
    } else {
        no_output(out);
    }
    remember(controller, in->digital, out);
    controller->facts.ticks++;
}

size_t controller_receive(controller_t *controller, const uint8_t *bytes, size_t n)
{
    CORE_ASSERT(controller != NULL);
    CORE_ASSERT(controller->config != NULL);
    return link_receive(&controller->link, bytes, n);
}

void controller_poll(controller_t *controller, uint32_t now_ms)
{
    CORE_ASSERT(controller != NULL);
    link_poll(&controller->link, now_ms);
}
