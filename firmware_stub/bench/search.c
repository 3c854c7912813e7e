#include "search.h"

#include "bench.h"
#include "search_parts.h"

size_t search_bytes(int32_t what)
{
    const size_t sizes[5] = {sizeof(search_setup_t), sizeof(search_joint_t), sizeof(search_trace_t), sizeof(search_record_t),
                             sizeof(search_found_t)};
    return what >= 0 && what < 5 ? sizes[what] : 0;
}

void search_prepare(void *block, const void *table, const search_joint_t *joints, int32_t count_max)
{
    search_setup_t *setup = block;
    core_fill((uint8_t *)setup, 0, sizeof *setup);
    setup->table = table;
    setup->count_max = count_max;
    for (int32_t i = 0; i < setup->table->joint_count; i++) {
        setup->joint[i] = joints[i];
    }
}

static void keep(const script_t *script, const int32_t *true_mdeg)
{
    const search_trace_t *trace = script->trace;
    const int64_t row = script->tick;
    if (trace->in != NULL) {
        int32_t *in = trace->in + row * BENCH_IN_INTS;
        in[0] = (int32_t)script->in.elapsed_us;
        in[1] = (int32_t)script->in.digital;
        for (int32_t i = 0; i < TABLE_INPUTS_MAX; i++) {
            in[2 + i] = script->in.counts[i];
        }
    }
    if (trace->out != NULL) {
        bench_write_out(&script->out, trace->out + row * BENCH_OUT_INTS);
    }
    for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        if (trace->true_mdeg != NULL) {
            trace->true_mdeg[row * TABLE_JOINTS_MAX + i] = true_mdeg[i];
        }
        if (trace->doubtful != NULL) {
            trace->doubtful[row * TABLE_JOINTS_MAX + i] = script->doubtful[i];
        }
    }
    if (trace->power_up != NULL) {
        trace->power_up[row] = script->starts ? 1 : 0;
    }
}

void script_tick(script_t *script)
{
    const table_t *table = script->setup->table;
    int32_t true_mdeg[TABLE_JOINTS_MAX] = {0};
    if (script->ended || (script->trace != NULL && script->tick >= script->trace->capacity)) {
        script->ended = true;
        return;
    }
    if (script->starts) {
        law_start(&script->law);
        monitor_start(&script->monitor);
    }
    script->in.digital = script->digital;
    script->in.elapsed_us = (uint32_t)(table->tick_us + (script->late ? table->late_us + 1 : 0));
    for (int32_t i = 0; i < table->joint_count; i++) {
        true_mdeg[i] = (int32_t)script->plant[i].position;
    }
    script_counts(script);
    law_step(table, &script->law, &script->in, &script->out);
    if (script->trace != NULL) {
        keep(script, true_mdeg);
    }
    const monitor_tick_t tick = {&script->in, &script->out, true_mdeg, script->doubtful, core_assert_line()};
    if (!monitor_step(script->setup, &script->monitor, &tick, script->found)) {
        script->found->tick = (int32_t)script->tick;
        script->ended = true;
    }
    search_plant_step(script->setup, &script->out, script->plant);
    script->starts = false;
    script->late = false;
    script->tick += 1;
}

int64_t search_run(const void *block, const uint8_t *genome, const search_trace_t *trace, search_found_t *found)
{
    script_t script;
    core_fill((uint8_t *)&script, 0, sizeof script);
    *found = (search_found_t){SEARCH_NOTHING, LAW_NO_JOINT, 0, 0, 0};
    script.setup = block;
    script.trace = trace;
    script.found = found;
    script.starts = true;
    script.dice = genome[3];
    core_assert_clear();
    search_plant_start(script.setup, genome, script.plant);
    for (int32_t i = 0; i < script.setup->table->joint_count; i++) { /* the bound of a position speaks of a start inside */
        const table_joint_t *joint = &script.setup->table->joint[i];
        const double at = script.plant[i].position;
        const bool beyond = at > joint->soft_stop_mdeg[TABLE_POSITIVE] || at < joint->soft_stop_mdeg[TABLE_NEGATIVE];
        script.doubtful[i] = joint->continuous == 0 && beyond ? 1 : 0;
    }
    script_run(&script, genome);
    core_assert_clear();
    return script.tick;
}

void search_again(const void *block, const search_record_t *record, search_found_t *found)
{
    const search_setup_t *setup = block;
    monitor_t monitor;
    law_state_t law;
    law_in_t in;
    law_out_t out;
    *found = (search_found_t){SEARCH_NOTHING, LAW_NO_JOINT, 0, 0, 0};
    core_assert_clear();
    for (int64_t row = 0; row < record->ticks && found->rule == SEARCH_NOTHING; row++) {
        if (row == 0 || record->power_up[row] != 0) {
            law_start(&law);
            monitor_start(&monitor);
        }
        bench_read_in(record->in + row * BENCH_IN_INTS, &in);
        law_step(setup->table, &law, &in, &out);
        const int64_t joints = row * TABLE_JOINTS_MAX;
        const monitor_tick_t tick = {&in, &out, record->true_mdeg == NULL ? NULL : record->true_mdeg + joints,
                                     record->doubtful == NULL ? NULL : record->doubtful + joints, core_assert_line()};
        if (!monitor_step(setup, &monitor, &tick, found)) {
            found->tick = (int32_t)row;
        }
    }
    core_assert_clear();
}
