/* More handles on the controller of link_bench.c: memory that stops answering reads, memory that is read in place, a long name, a
 * failed assertion. For tests only. */
#include "link_bench.c"

#include "../../firmware_stub/core/law_parts.h"
#include "../../firmware_stub/core/table_read.h"

void branch_bench_fail_reads(link_bench_t *bench, int32_t fail);
void branch_bench_fail_programs(link_bench_t *bench, int32_t fail);
void branch_bench_fail_read_number(link_bench_t *bench, uint32_t number);
uint32_t branch_bench_reads(void);
void branch_bench_map(link_bench_t *bench);
void branch_bench_work(link_bench_t *bench, uint32_t work_bytes);
uint32_t branch_bench_capacity(const link_bench_t *bench);
int32_t branch_bench_start_again(link_bench_t *bench, const char *firmware);
void branch_bench_write_flash(link_bench_t *bench, uint32_t at, const uint8_t *bytes, uint32_t n);
void branch_bench_lie(link_bench_t *bench);
void branch_bench_shift_slot(link_bench_t *bench, uint32_t by);
int32_t branch_bench_drives(link_bench_t *bench, const int32_t *record, int32_t *enable);
int32_t branch_bench_view(link_bench_t *bench, int32_t fresh, uint32_t offset, uint32_t n);
int32_t branch_bench_valve(const link_bench_t *bench, int32_t speed_mdeg_s, int32_t flow_e4);
int32_t branch_bench_need(int32_t flow_per_speed_q16, int32_t wanted_mdeg_s);
void branch_bench_refuse_twice(int32_t found[3]);

static store_result_t no_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    (void)context;
    (void)address;
    (void)bytes;
    (void)n;
    return STORE_FAILED;
}

static const uint8_t *on_map(void *context, uint32_t address)
{
    return ((const link_bench_t *)context)->flash + address;
}

void branch_bench_fail_reads(link_bench_t *bench, int32_t fail)
{
    bench->config.store.read = fail != 0 ? no_read : on_read;
}

static store_result_t no_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    (void)context;
    (void)address;
    (void)bytes;
    (void)n;
    return STORE_FAILED;
}

/* The memory does no program and says so; the power stays. */
void branch_bench_fail_programs(link_bench_t *bench, int32_t fail)
{
    bench->config.store.program = fail != 0 ? no_program : on_program;
}

static uint32_t reads, failing_read;

static store_result_t counted_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    reads++;
    return reads == failing_read ? STORE_FAILED : on_read(context, address, bytes, n);
}

/* Counts reads from now on; the one of this number fails, from 1, 0 none. */
void branch_bench_fail_read_number(link_bench_t *bench, uint32_t number)
{
    reads = 0;
    failing_read = number;
    bench->config.store.read = counted_read;
}

uint32_t branch_bench_reads(void)
{
    return reads;
}

/* No room of its own from now on: the table is looked at where it lies. */
void branch_bench_map(link_bench_t *bench)
{
    bench->config.store.map = on_map;
    bench->config.store.work = NULL;
    bench->config.store.work_bytes = 0;
}

void branch_bench_work(link_bench_t *bench, uint32_t work_bytes)
{
    bench->config.store.work_bytes = work_bytes;
}

uint32_t branch_bench_capacity(const link_bench_t *bench)
{
    return store_capacity(&bench->config.store);
}

/* `firmware` is kept. */
int32_t branch_bench_start_again(link_bench_t *bench, const char *firmware)
{
    bench->config.firmware = firmware;
    return (int32_t)controller_start(&bench->controller, &bench->config);
}

void branch_bench_write_flash(link_bench_t *bench, uint32_t at, const uint8_t *bytes, uint32_t n)
{
    core_copy(bench->flash + at, bytes, n);
}

static size_t lying_transmit(void *context, const uint8_t *bytes, size_t n)
{
    (void)context;
    (void)bytes;
    return n + 1u;
}

/* A platform with a fault: its transmit says that it took more than it was given. */
void branch_bench_lie(link_bench_t *bench)
{
    bench->config.transmit = lying_transmit;
}

/* A configuration that is overwritten while it is in use. */
void branch_bench_shift_slot(link_bench_t *bench, uint32_t by)
{
    bench->config.store.slot_address[0] += by;
    bench->config.store.slot_address[1] += by;
}

/* One tick; how many drives are not zero. */
int32_t branch_bench_drives(link_bench_t *bench, const int32_t *record, int32_t *enable)
{
    law_in_t in;
    law_out_t out;
    in.elapsed_us = (uint32_t)record[0];
    in.digital = (uint32_t)record[1];
    for (size_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        in.counts[i] = (uint16_t)record[2 + i];
    }
    core_fill((uint8_t *)&out, 0xA5, sizeof out);
    controller_tick(&bench->controller, &in, &out);
    *enable = (int32_t)out.enable;
    int32_t driven = 0;
    for (size_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        driven += out.joint[i].drive_e4 != 0 ? 1 : 0;
    }
    return driven;
}

/* store_read of n bytes, or store_view where n is 0. */
int32_t branch_bench_view(link_bench_t *bench, int32_t fresh, uint32_t offset, uint32_t n)
{
    uint8_t bytes[256];
    const uint8_t *seen = NULL;
    store_t *store = &bench->controller.store;
    return (int32_t)(n == 0 ? store_view(store, fresh != 0, &seen) : store_read(store, fresh != 0, offset, bytes, n));
}

int32_t branch_bench_valve(const link_bench_t *bench, int32_t speed_mdeg_s, int32_t flow_e4)
{
    return valve_drive_e4(&bench->controller.table.joint[0], speed_mdeg_s, flow_e4);
}

int32_t branch_bench_need(int32_t flow_per_speed_q16, int32_t wanted_mdeg_s)
{
    const motion_look_t look = {.sign = wanted_mdeg_s < 0 ? -1 : 1, .flow_per_speed_q16 = flow_per_speed_q16};
    return motion_need_e4(&look, wanted_mdeg_s);
}

/* result, section and field of the fault that is kept when two are reported. */
void branch_bench_refuse_twice(int32_t found[3])
{
    table_reader_t reader = {NULL, 0, 0, 0, {TABLE_OK, 0xFFFFu, TABLE_FIELD_NONE}, 7, 0};
    (void)table_refuse_value(&reader, 3);
    reader.section = 8;
    (void)table_refuse_structure(&reader, 4);
    found[0] = (int32_t)reader.fault.result;
    found[1] = reader.fault.section;
    found[2] = reader.fault.field;
}
