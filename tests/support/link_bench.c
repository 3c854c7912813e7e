/* The unmodified controller for Python, without a process: bytes in, bytes out, time given, flash in memory. For tests only. */
#include <string.h>

#include "../../firmware_stub/core/controller.h"

#define SECTOR_BYTES 4096u
#define SLOT_SECTORS_MAX 4u /* enough for the longest table */
#define SLOT_BYTES_MAX (SLOT_SECTORS_MAX * SECTOR_BYTES)
#define FLASH_BYTES (2u * SLOT_BYTES_MAX)
#define UNIT_BYTES 8u
#define END_BYTES (STORE_VERDICT_BYTES + STORE_COMMIT_BYTES + STORE_SETTLED_BYTES) /* a slot's last ones: its end records */

typedef struct {
    controller_t controller;
    controller_config_t config;
    uint8_t flash[FLASH_BYTES];
    uint8_t work[SLOT_SECTORS_MAX * SECTOR_BYTES];
    uint8_t out[8192];
    size_t out_count;
    size_t out_room;     /* what transmit takes in one call at most */
    size_t out_limit;    /* and all together until `out` is taken: the sender's buffer */
    uint32_t sectors;    /* in a slot */
    uint32_t operations; /* programs and erases since start */
    uint32_t cut_at;     /* the power goes in this one, from 1; 0 never */
    uint32_t cut_bytes;  /* after so many of its bytes */
    uint32_t busy;       /* so many times an erase answers busy */
    uint32_t busy_left;
    bool dead;
    uint8_t programmed[FLASH_BYTES / UNIT_BYTES / 8u]; /* a bit for a unit that was programmed, or spoilt, since it was erased */
    uint8_t ends[2][END_BYTES];                        /* what the end records were last programmed to be */
    const char *broken;                                /* the first rule of the flash that was broken; NULL: none */
} link_bench_t;

size_t link_bench_bytes(void);
void link_bench_erase_all(link_bench_t *bench);
int32_t link_bench_start(link_bench_t *bench, const uint8_t *machine_id, uint32_t cut_at);
void link_bench_set(link_bench_t *bench, size_t out_room, uint32_t busy);
void link_bench_tick(link_bench_t *bench, const int32_t *record, int32_t *head);
int32_t link_bench_ticks(link_bench_t *bench, const int32_t *record, int32_t *head, int32_t most, int32_t state);
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
void link_bench_geometry(link_bench_t *bench, uint32_t sectors, size_t out_limit, uint32_t cut_bytes);
uint64_t link_bench_exchange(link_bench_t *bench, uint32_t now_ms, const uint8_t *bytes, size_t n);
const uint8_t *link_bench_out(const link_bench_t *bench);
uint64_t link_bench_digest(const link_bench_t *bench);
uint64_t link_bench_law_digest(const link_bench_t *bench);
uint32_t link_bench_dropped(const link_bench_t *bench);
uint32_t link_bench_sequence(const link_bench_t *bench);
int32_t link_bench_presence(const link_bench_t *bench);
const uint8_t *link_bench_record(const link_bench_t *bench);
void link_bench_cut(link_bench_t *bench, uint32_t after, uint32_t cut_bytes);
const char *link_bench_broken(const link_bench_t *bench);
size_t link_bench_table_bytes(void);
uint64_t link_bench_reference(table_t *table, const uint8_t *bytes, size_t n, const int32_t *record, uint32_t ticks);
int32_t link_bench_is_live(const link_bench_t *bench, const table_t *table);
uint32_t link_bench_revision(const link_bench_t *bench);

static store_result_t on_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    const link_bench_t *bench = (const link_bench_t *)context;
    if (bench->dead || address > FLASH_BYTES || n > FLASH_BYTES - address) {
        return STORE_FAILED;
    }
    core_copy(bytes, bench->flash + address, n);
    return STORE_OK;
}

/* How many of n bytes the operation still does. */
static uint32_t operate(link_bench_t *bench, uint32_t n)
{
    if (bench->dead) {
        return 0;
    }
    bench->operations++;
    if (bench->operations == bench->cut_at) {
        bench->dead = true;
        return bench->cut_bytes < n ? bench->cut_bytes : n;
    }
    return n;
}

static bool is_programmed(const link_bench_t *bench, uint32_t unit)
{
    return (bench->programmed[unit / 8u] & (1u << (unit % 8u))) != 0;
}

static void mark_units(link_bench_t *bench, uint32_t address, uint32_t n, bool programmed)
{
    for (uint32_t unit = address / UNIT_BYTES; unit < (address + n) / UNIT_BYTES; unit++) {
        const uint32_t bit = 1u << (unit % 8u);
        const uint32_t others = bench->programmed[unit / 8u] & ~bit;
        bench->programmed[unit / 8u] = (uint8_t)(programmed ? others | bit : others);
    }
}

/* Where a byte of an end record was last programmed to be what it is; NULL outside the end records. */
static uint8_t *end_at(link_bench_t *bench, uint32_t address)
{
    const uint32_t from = bench->sectors * SECTOR_BYTES - END_BYTES;
    const uint32_t at = address % SLOT_BYTES_MAX;
    return at >= from && at < from + END_BYTES ? &bench->ends[address / SLOT_BYTES_MAX][at - from] : NULL;
}

/* The rule of the flash that this program breaks; NULL: none. */
static const char *program_rule(link_bench_t *bench, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    if (address > FLASH_BYTES || n > FLASH_BYTES - address || n == 0 || address % UNIT_BYTES != 0 || n % UNIT_BYTES != 0) {
        return "a program outside it, or not of whole units";
    }
    for (uint32_t i = 0; i < n; i++) {
        if ((bench->flash[address + i] & bytes[i]) != bytes[i]) {
            return "a program that would have to set a bit";
        }
        if (is_programmed(bench, (address + i) / UNIT_BYTES)) {
            const uint8_t *end = end_at(bench, address + i);
            if (end == NULL) {
                return "a unit programmed twice";
            }
            if (*end != bytes[i]) {
                return "an end record programmed again with other bytes";
            }
        }
    }
    return NULL;
}

static store_result_t breaks(link_bench_t *bench, const char *rule)
{
    bench->broken = bench->broken == NULL ? rule : bench->broken;
    return STORE_FAILED;
}

static store_result_t on_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    link_bench_t *bench = (link_bench_t *)context;
    if (bench->dead) {
        return STORE_FAILED;
    }
    const char *rule = program_rule(bench, address, bytes, n);
    if (rule != NULL) {
        return breaks(bench, rule);
    }
    const uint32_t done = operate(bench, n);
    for (uint32_t i = 0; i < n; i++) {
        uint8_t *end = end_at(bench, address + i);
        if (end != NULL) {
            *end = bytes[i];
        }
        if (i < done) {
            bench->flash[address + i] = (uint8_t)(bench->flash[address + i] & bytes[i]);
        }
    }
    /* The unit in which the power went has been begun. */
    mark_units(bench, address, done < n ? (done / UNIT_BYTES + 1u) * UNIT_BYTES : n, true);
    return bench->dead ? STORE_FAILED : STORE_OK;
}

static store_result_t on_erase(void *context, uint32_t address)
{
    link_bench_t *bench = (link_bench_t *)context;
    if (bench->dead) {
        return STORE_FAILED;
    }
    if (address > FLASH_BYTES - SECTOR_BYTES) {
        return breaks(bench, "an erase outside it");
    }
    if (address % SECTOR_BYTES != 0) {
        (void)breaks(bench, "an erase across two sectors"); /* done all the same: a test shifts the slots to see what comes next */
    }
    if (bench->busy_left > 0) {
        bench->busy_left--;
        return STORE_BUSY;
    }
    bench->busy_left = bench->busy;
    const uint32_t done = operate(bench, SECTOR_BYTES);
    core_fill(bench->flash + address, 0xFF, done);
    mark_units(bench, address, SECTOR_BYTES, done < SECTOR_BYTES); /* half erased is not blank, whatever it reads as */
    return bench->dead ? STORE_FAILED : STORE_OK;
}

static size_t on_transmit(void *context, const uint8_t *bytes, size_t n)
{
    link_bench_t *bench = (link_bench_t *)context;
    size_t room = bench->out_limit > bench->out_count ? bench->out_limit - bench->out_count : 0;
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
    core_fill(bench->programmed, 0, sizeof bench->programmed);
    bench->broken = NULL;
    bench->out_room = sizeof bench->out;
    bench->out_limit = sizeof bench->out;
    bench->sectors = 2;
    bench->cut_bytes = 0;
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
                                  {0, SLOT_SECTORS_MAX * SECTOR_BYTES}, SECTOR_BYTES, bench->sectors, 8, 0xFF, true};
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

static law_in_t input_of(const int32_t *record)
{
    law_in_t in;
    in.elapsed_us = (uint32_t)record[0];
    in.digital = (uint32_t)record[1];
    for (size_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        in.counts[i] = (uint16_t)record[2 + i];
    }
    return in;
}

void link_bench_tick(link_bench_t *bench, const int32_t *record, int32_t *head)
{
    const law_in_t in = input_of(record);
    law_out_t out;
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

/* sectors: of a slot, from the next start on; out_limit: bytes of the sender's buffer; cut_bytes: what is done of the operation that
 * is cut. */
void link_bench_geometry(link_bench_t *bench, uint32_t sectors, size_t out_limit, uint32_t cut_bytes)
{
    bench->sectors = sectors < SLOT_SECTORS_MAX ? sectors : SLOT_SECTORS_MAX;
    bench->out_limit = out_limit < sizeof bench->out ? out_limit : sizeof bench->out;
    bench->cut_bytes = cut_bytes;
}

/* What a port's loop does: poll, bytes from the line, poll. The answers are in `link_bench_out`. Returns how many bytes they have, and
 * from bit 32 on the phase of the transfer, from bit 40 on whether the power is gone. */
uint64_t link_bench_exchange(link_bench_t *bench, uint32_t now_ms, const uint8_t *bytes, size_t n)
{
    size_t taken = 0;
    bench->out_count = 0;
    link_bench_poll(bench, now_ms);
    for (uint32_t i = 0; i < 10000u && taken < n; i++) {
        taken += link_bench_receive(bench, bytes + taken, n - taken);
    }
    link_bench_poll(bench, now_ms);
    return (uint64_t)bench->out_count | (uint64_t)bench->controller.link.transfer.phase << 32 | (uint64_t)(bench->dead ? 1 : 0) << 40;
}

const uint8_t *link_bench_out(const link_bench_t *bench)
{
    return bench->out;
}

static uint64_t fold(uint64_t digest, const uint8_t *bytes, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        digest = (digest ^ bytes[i]) * 1099511628211u; /* FNV-1a, 64 bits */
    }
    return digest;
}

static uint64_t law_digest(const law_state_t *law)
{
    return fold(14695981039346656037u, (const uint8_t *)law, sizeof *law);
}

uint64_t link_bench_law_digest(const link_bench_t *bench)
{
    return law_digest(&bench->controller.law);
}

size_t link_bench_table_bytes(void)
{
    return sizeof(table_t);
}

/* Apart from any controller: the table of those bytes, and the digest of a law that so many ticks ago was started on it. n = 0: no
 * table, and so no ticks. */
uint64_t link_bench_reference(table_t *table, const uint8_t *bytes, size_t n, const int32_t *record, uint32_t ticks)
{
    const law_in_t in = input_of(record);
    law_out_t out;
    law_state_t law;
    law_start(&law);
    if (n > 0 && table_parse(bytes, n, table).result == TABLE_OK) {
        for (uint32_t i = 0; i < ticks; i++) {
            law_step(table, &law, &in, &out);
        }
    }
    return law_digest(&law);
}

/* Whether the controller runs on this table, to the last byte. */
int32_t link_bench_is_live(const link_bench_t *bench, const table_t *table)
{
    const controller_t *controller = &bench->controller;
    return controller->table_state == LINK_TABLE_IN_USE && memcmp(&controller->table, table, sizeof *table) == 0 ? 1 : 0;
}

uint32_t link_bench_revision(const link_bench_t *bench)
{
    return bench->controller.table.revision;
}

const char *link_bench_broken(const link_bench_t *bench)
{
    return bench->broken;
}

/* Of everything that what comes next can depend on while no transfer is open: flash, store, table, law, what the link remembers, and
 * the bytes of a frame that has not ended. */
uint64_t link_bench_digest(const link_bench_t *bench)
{
    const controller_t *controller = &bench->controller;
    const frame_receiver_t *receiver = &controller->link.receiver;
    const uint8_t flags[6] = {bench->dead ? 1u : 0u, (uint8_t)controller->table_state, receiver->code, receiver->remaining,
                              receiver->too_long ? 1u : 0u, (uint8_t)controller->link.transfer.dropped};
    uint64_t digest = link_bench_law_digest(bench);
    digest = fold(digest, flags, sizeof flags);
    for (uint32_t slot = 0; slot < 2; slot++) {
        digest = fold(digest, bench->flash + slot * SLOT_SECTORS_MAX * SECTOR_BYTES, bench->sectors * SECTOR_BYTES);
    }
    digest = fold(digest, bench->programmed, sizeof bench->programmed);
    digest = fold(digest, (const uint8_t *)&controller->store.slot_class, sizeof controller->store.slot_class);
    digest = fold(digest, (const uint8_t *)&controller->store.record, sizeof controller->store.record);
    digest = fold(digest, (const uint8_t *)&controller->store.choice, sizeof controller->store.choice);
    digest = fold(digest, (const uint8_t *)&controller->link.transfer.phase, sizeof controller->link.transfer.phase);
    digest = fold(digest, (const uint8_t *)&controller->link.transfer.committed_id, sizeof controller->link.transfer.committed_id);
    digest = fold(digest, (const uint8_t *)&controller->link.out_count, sizeof controller->link.out_count);
    return fold(digest, receiver->bytes, receiver->count);
}

uint32_t link_bench_dropped(const link_bench_t *bench)
{
    return (uint32_t)bench->controller.link.transfer.dropped;
}

/* Of the record in use; 0 without one. */
uint32_t link_bench_sequence(const link_bench_t *bench)
{
    return store_has_table(&bench->controller.store) ? store_record(&bench->controller.store)->sequence : 0;
}

int32_t link_bench_presence(const link_bench_t *bench)
{
    return (int32_t)bench->controller.table_state;
}

/* SHA-256 of the record in use, 32 bytes; NULL without one. */
const uint8_t *link_bench_record(const link_bench_t *bench)
{
    return store_has_table(&bench->controller.store) ? store_record(&bench->controller.store)->digest : NULL;
}

/* The power goes in the operation number `after` from now (1: the next one), after so many of its bytes. */
void link_bench_cut(link_bench_t *bench, uint32_t after, uint32_t cut_bytes)
{
    bench->operations = 0;
    bench->cut_at = after;
    bench->cut_bytes = cut_bytes;
}

/* The same input for up to `most` ticks, until the state is `state` (-1: none). Returns how many ticks; head as of the last one, but
 * head[3]: ticks in which any output was not zero. */
int32_t link_bench_ticks(link_bench_t *bench, const int32_t *record, int32_t *head, int32_t most, int32_t state)
{
    int32_t driven = 0;
    int32_t count = 0;
    do {
        link_bench_tick(bench, record, head);
        driven += head[3] != 0 ? 1 : 0;
        count++;
    } while (count < most && head[0] != state);
    head[3] = driven;
    return count;
}
