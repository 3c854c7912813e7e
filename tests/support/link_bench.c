/* The unmodified controller for Python, without a process: bytes in, bytes out, time given, flash in memory. For tests only. */
#include "../../firmware_stub/core/controller.h"

#define SECTOR_BYTES 4096u
#define SLOT_SECTORS 2u
#define FLASH_BYTES (2u * SLOT_SECTORS * SECTOR_BYTES)

typedef struct {
    controller_t controller;
    controller_config_t config;
    uint8_t flash[FLASH_BYTES];
    uint8_t work[SLOT_SECTORS * SECTOR_BYTES];
    uint8_t out[8192];
    size_t out_count;
    size_t out_room;     /* what transmit takes in one call at most */
    uint32_t operations; /* programs and erases since start */
    uint32_t cut_at;     /* the power goes before this one, from 1; 0 never */
    uint32_t busy;       /* so many times an erase answers busy */
    uint32_t busy_left;
    bool dead;
} link_bench_t;

size_t link_bench_bytes(void);
void link_bench_erase_all(link_bench_t *bench);
int32_t link_bench_start(link_bench_t *bench, const uint8_t *machine_id, uint32_t cut_at);
void link_bench_set(link_bench_t *bench, size_t out_room, uint32_t busy);
void link_bench_tick(link_bench_t *bench, const int32_t *record, int32_t *head);
size_t link_bench_receive(link_bench_t *bench, const uint8_t *bytes, size_t n);
void link_bench_poll(link_bench_t *bench, uint32_t now_ms);
size_t link_bench_take(link_bench_t *bench, uint8_t *bytes, size_t n);
uint32_t link_bench_operations(const link_bench_t *bench);
int32_t link_bench_dead(const link_bench_t *bench);
int32_t link_bench_phase(const link_bench_t *bench);
int32_t link_bench_law_state(const link_bench_t *bench);
void link_bench_force_state(link_bench_t *bench, int32_t state);
void link_bench_law_bytes(const link_bench_t *bench, uint8_t *bytes);
size_t link_bench_law_size(void);
void link_bench_flash(link_bench_t *bench, uint32_t at, uint8_t flip);

static store_result_t on_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    const link_bench_t *bench = (const link_bench_t *)context;
    if (bench->dead || address > FLASH_BYTES || n > FLASH_BYTES - address) {
        return STORE_FAILED;
    }
    core_copy(bytes, bench->flash + address, n);
    return STORE_OK;
}

static bool operate(link_bench_t *bench)
{
    bench->operations++;
    if (bench->operations == bench->cut_at) {
        bench->dead = true;
    }
    return !bench->dead;
}

static store_result_t on_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    link_bench_t *bench = (link_bench_t *)context;
    if (!operate(bench)) {
        return STORE_FAILED;
    }
    for (uint32_t i = 0; i < n; i++) {
        bench->flash[address + i] = (uint8_t)(bench->flash[address + i] & bytes[i]);
    }
    return STORE_OK;
}

static store_result_t on_erase(void *context, uint32_t address)
{
    link_bench_t *bench = (link_bench_t *)context;
    if (bench->busy_left > 0) {
        bench->busy_left--;
        return STORE_BUSY;
    }
    bench->busy_left = bench->busy;
    if (!operate(bench)) {
        return STORE_FAILED;
    }
    core_fill(bench->flash + address, 0xFF, SECTOR_BYTES);
    return STORE_OK;
}

static size_t on_transmit(void *context, const uint8_t *bytes, size_t n)
{
    link_bench_t *bench = (link_bench_t *)context;
    size_t room = sizeof bench->out - bench->out_count;
    room = room < bench->out_room ? room : bench->out_room;
    const size_t sent = bench->dead ? n : (n < room ? n : room);
    if (!bench->dead) {
        core_copy(bench->out + bench->out_count, bytes, sent);
        bench->out_count += sent;
    }
    return sent;
}

size_t link_bench_bytes(void)
{
    return sizeof(link_bench_t);
}

void link_bench_erase_all(link_bench_t *bench)
{
    core_fill(bench->flash, 0xFF, sizeof bench->flash);
    bench->out_room = sizeof bench->out;
    bench->busy = 0;
}

int32_t link_bench_start(link_bench_t *bench, const uint8_t *machine_id, uint32_t cut_at)
{
    bench->out_count = 0;
    bench->operations = 0;
    bench->cut_at = cut_at;
    bench->dead = false;
    bench->busy_left = bench->busy;
    const store_config_t store = {bench, on_read, on_program, on_erase, NULL, bench->work, sizeof bench->work,
                                  {0, SLOT_SECTORS * SECTOR_BYTES}, SECTOR_BYTES, SLOT_SECTORS, 8, 0xFF, true};
    bench->config.store = store;
    core_copy(bench->config.machine_id, machine_id, TABLE_MACHINE_ID_BYTES);
    bench->config.firmware = "test";
    bench->config.context = bench;
    bench->config.transmit = on_transmit;
    core_fill((uint8_t *)&bench->controller, 0xA5, sizeof bench->controller);
    return (int32_t)controller_start(&bench->controller, &bench->config);
}

void link_bench_set(link_bench_t *bench, size_t out_room, uint32_t busy)
{
    bench->out_room = out_room;
    bench->busy = busy;
    bench->busy_left = busy;
}

void link_bench_tick(link_bench_t *bench, const int32_t *record, int32_t *head)
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
    head[0] = (int32_t)out.state;
    head[1] = (int32_t)out.cause;
    head[2] = (int32_t)out.enable;
    head[3] = 0;
    for (size_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        const law_joint_out_t *joint = &out.joint[i];
        if (joint->drive_e4 != 0 || joint->flow_e4 != 0 || joint->speed_mdeg_s != 0 || joint->wanted_mdeg_s != 0) {
            head[3]++;
        }
    }
}

size_t link_bench_receive(link_bench_t *bench, const uint8_t *bytes, size_t n)
{
    return bench->dead ? n : controller_receive(&bench->controller, bytes, n);
}

void link_bench_poll(link_bench_t *bench, uint32_t now_ms)
{
    if (!bench->dead) {
        controller_poll(&bench->controller, now_ms);
    }
}

size_t link_bench_take(link_bench_t *bench, uint8_t *bytes, size_t n)
{
    const size_t count = bench->out_count < n ? bench->out_count : n;
    core_copy(bytes, bench->out, count);
    bench->out_count = 0;
    return count;
}

uint32_t link_bench_operations(const link_bench_t *bench)
{
    return bench->operations;
}

int32_t link_bench_dead(const link_bench_t *bench)
{
    return bench->dead ? 1 : 0;
}

int32_t link_bench_phase(const link_bench_t *bench)
{
    return (int32_t)bench->controller.link.transfer.phase;
}

int32_t link_bench_law_state(const link_bench_t *bench)
{
    return (int32_t)bench->controller.law.state;
}

void link_bench_force_state(link_bench_t *bench, int32_t state)
{
    bench->controller.law.state = (uint32_t)state;
}

size_t link_bench_law_size(void)
{
    return sizeof(law_state_t);
}

void link_bench_law_bytes(const link_bench_t *bench, uint8_t *bytes)
{
    core_copy(bytes, (const uint8_t *)&bench->controller.law, sizeof(law_state_t));
}

void link_bench_flash(link_bench_t *bench, uint32_t at, uint8_t flip)
{
    bench->flash[at] = (uint8_t)(bench->flash[at] ^ flip);
}
