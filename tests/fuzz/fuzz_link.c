/* The whole controller with flash in memory: a script of messages, ticks, buttons, polls, power cuts, failing flash and noise on the
 * line. After every step: no failed assertion; the law's state is what it was unless a commit put another table into use; the stored
 * table changes by a commit alone, which was asked for with the key on and at standstill, to one that parses and has its own digest;
 * no question gets more than one answer (INV-LINK-1 to 4); a start finds what was there before; without a table nothing is driven.
 *
 * First byte: what is in flash at the start. The rest is the script; fuzz_seeds.py has the numbers of its operations. */
#include <stdlib.h>
#include <string.h>

#include "controller.h"
#include "fuzz.h"
#include "fuzz_tables.h"

#define SECTOR_BYTES 256u
#define SECTORS 3u
#define SLOT_BYTES (SECTOR_BYTES * SECTORS)
#define FLASH_BYTES (2u * SLOT_BYTES)
#define STEPS_MAX 150

typedef struct {
    controller_t controller;
    controller_config_t config;
    uint8_t flash[FLASH_BYTES];
    uint8_t work[SLOT_BYTES];
    frame_receiver_t shadow, heard; /* of what was taken from the line, and of what was sent */
    uint32_t commits, questions, answers;
    size_t room;      /* what transmit takes in one call */
    uint32_t fail_in; /* flash operations until one fails; 0: none will */
    bool spoiled;     /* a bit was flipped behind the store's back: what is there may be damaged from now on */
    bool had_table;
    store_record_t record;
    law_state_t law;
    uint32_t now_ms, id, block_bytes, table;
} bench_t;

static bench_t bench;

/* -- memory and line ------------------------------------------------------------------------------------------------ */

static store_result_t on_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    (void)context;
    FUZZ_REQUIRE(address <= FLASH_BYTES && n <= FLASH_BYTES - address);
    memcpy(bytes, bench.flash + address, n);
    return STORE_OK;
}

static bool fails(void)
{
    if (bench.fail_in == 0) {
        return false;
    }
    bench.fail_in--;
    return bench.fail_in == 0;
}

static store_result_t on_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    (void)context;
    FUZZ_REQUIRE(address % 8u == 0 && n % 8u == 0 && address <= FLASH_BYTES && n <= FLASH_BYTES - address);
    if (fails()) {
        return STORE_FAILED;
    }
    for (uint32_t i = 0; i < n; i++) {
        bench.flash[address + i] &= bytes[i];
    }
    return STORE_OK;
}

static store_result_t on_erase(void *context, uint32_t address)
{
    (void)context;
    FUZZ_REQUIRE(address % SECTOR_BYTES == 0 && address < FLASH_BYTES);
    if (fails()) {
        return STORE_FAILED;
    }
    memset(bench.flash + address, 0xFF, SECTOR_BYTES);
    return STORE_OK;
}

static size_t on_transmit(void *context, const uint8_t *bytes, size_t n)
{
    (void)context;
    const size_t sent = n < bench.room ? n : bench.room;
    for (size_t i = 0; i < sent; i++) {
        frame_t frame;
        if (frame_receive(&bench.heard, bytes[i], &frame) == FRAME_READY) {
            bench.answers++;
            FUZZ_REQUIRE(frame.kind > LINK_ANSWER && frame.content_bytes >= 6u && frame.content[0] < LINK_RESULTS);
        }
    }
    return sent;
}

/* -- what must hold after every step -------------------------------------------------------------------------------- */

static void note(void)
{
    const store_t *store = &bench.controller.store;
    bench.had_table = store_has_table(store);
    if (bench.had_table) {
        bench.record = *store_record(store);
    }
    bench.law = bench.controller.law;
    bench.commits = 0;
}

static void check_table_in_use(void)
{
    static table_t table;
    const uint8_t *bytes = bench.flash + (bench.controller.store.choice == STORE_TAKE_1 ? SLOT_BYTES : 0u) + STORE_HEADER_BYTES;
    FUZZ_REQUIRE(table_parse(bytes, bench.record.table_bytes, &table).result == TABLE_OK);
    FUZZ_REQUIRE(memcmp(table.machine_id, bench.config.machine_id, TABLE_MACHINE_ID_BYTES) == 0);
    FUZZ_REQUIRE(memcmp(&table, &bench.controller.table, sizeof table) == 0);
    digest_t digest;
    uint8_t found[DIGEST_BYTES];
    digest_start(&digest);
    digest_update(&digest, bytes, bench.record.table_bytes);
    digest_finish(&digest, found);
    FUZZ_REQUIRE(memcmp(found, bench.record.digest, DIGEST_BYTES) == 0);
}

static void check_step(void)
{
    const store_t *store = &bench.controller.store;
    FUZZ_REQUIRE(core_assert_line() == 0);
    FUZZ_REQUIRE(bench.answers <= bench.questions);
    const bool has = store_has_table(store);
    const bool changed = has != bench.had_table || (has && memcmp(store_record(store), &bench.record, sizeof bench.record) != 0);
    if (!changed) {
        FUZZ_REQUIRE(memcmp(&bench.law, &bench.controller.law, sizeof bench.law) == 0); /* INV-LINK-1 */
        return;
    }
    FUZZ_REQUIRE(has && bench.commits > 0);
    FUZZ_REQUIRE(bench.controller.facts.key && law_at_standstill(&bench.law)); /* INV-LINK-2 */
    FUZZ_REQUIRE(!bench.had_table || store_record(store)->sequence > bench.record.sequence);
    FUZZ_REQUIRE(bench.controller.law.state == LAW_POWERING_UP); /* INV-CTRL-3 */
    FUZZ_REQUIRE(bench.controller.table_state == LINK_TABLE_IN_USE || bench.spoiled);
    note();
    if (!bench.spoiled) {
        check_table_in_use(); /* INV-LINK-3 */
    }
}

/* Bytes go in until all are taken or no more are: while an answer waits to go out (INV-LINK-4). */
static void feed(const uint8_t *bytes, size_t n)
{
    size_t at = 0;
    note();
    for (int tries = 0; at < n && tries < 40; tries++) {
        const size_t taken = controller_receive(&bench.controller, bytes + at, n - at);
        FUZZ_REQUIRE(taken <= n - at);
        for (size_t i = 0; i < taken; i++) {
            frame_t frame;
            if (frame_receive(&bench.shadow, bytes[at + i], &frame) == FRAME_READY) {
                bench.questions++;
                bench.commits += frame.kind == LINK_COMMIT ? 1u : 0u;
            }
        }
        at += taken;
    }
    check_step();
}

static void ask(uint8_t kind, const uint8_t *content, size_t n, size_t flipped, uint8_t bits)
{
    uint8_t line[FRAME_ENCODED_MAX];
    const frame_t frame = {FRAME_PROTOCOL, kind, (uint16_t)bench.now_ms, content, n};
    const size_t count = frame_encode(&frame, line, sizeof line);
    line[flipped % count] ^= bits;
    feed(line, count);
}

static void poll(uint32_t by_ms)
{
    bench.now_ms += by_ms;
    note();
    controller_poll(&bench.controller, bench.now_ms);
    check_step();
}

static void tick(uint32_t digital)
{
    law_in_t in;
    law_out_t out;
    in.digital = digital;
    in.elapsed_us = 10000;
    for (size_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        in.counts[i] = 500;
    }
    memset(&out, 0xA5, sizeof out);
    controller_tick(&bench.controller, &in, &out);
    FUZZ_REQUIRE(core_assert_line() == 0);
    FUZZ_REQUIRE(out.enable == 0 || bench.controller.table_state == LINK_TABLE_IN_USE);
    for (size_t i = 0; i < TABLE_JOINTS_MAX; i++) {
        FUZZ_REQUIRE(out.joint[i].drive_e4 == 0 || out.enable == 1u);
    }
}

static void start(void)
{
    const bool had = bench.controller.config != NULL && store_has_table(&bench.controller.store);
    const store_record_t before = had ? *store_record(&bench.controller.store) : (store_record_t){0};
    memset(&bench.controller, 0xA5, sizeof bench.controller);
    bench.questions = 0;
    bench.answers = 0;
    frame_start(&bench.shadow);
    frame_start(&bench.heard);
    const link_table_t found = controller_start(&bench.controller, &bench.config);
    if (had && !bench.spoiled) { /* INV-STORE-1, 2 */
        FUZZ_REQUIRE(found == LINK_TABLE_IN_USE);
        FUZZ_REQUIRE(memcmp(store_record(&bench.controller.store), &before, sizeof before) == 0);
    }
    FUZZ_REQUIRE(core_assert_line() == 0);
}

/* -- the messages of an upload -------------------------------------------------------------------------------------- */

static void ask_begin(void)
{
    const fuzz_table_t *table = &fuzz_link_tables[bench.table];
    uint8_t content[48] = {0};
    core_write_u32(content, bench.id);
    core_write_u32(content + 4, (uint32_t)table->n);
    core_write_u32(content + 8, fuzz_crc32(table->bytes, table->n));
    core_write_u16(content + 12, (uint16_t)bench.block_bytes);
    digest_t digest;
    digest_start(&digest);
    digest_update(&digest, table->bytes, table->n);
    digest_finish(&digest, content + 16);
    ask(LINK_BEGIN, content, sizeof content, 0, 0);
}

static void ask_block(uint32_t number, uint8_t bits)
{
    const fuzz_table_t *table = &fuzz_link_tables[bench.table];
    uint8_t content[8u + LINK_BLOCK_BYTES_MAX];
    const size_t offset = (size_t)number * bench.block_bytes;
    const size_t left = offset < table->n ? table->n - offset : 1u;
    const size_t length = left < bench.block_bytes ? left : bench.block_bytes;
    memset(content, 0x55, sizeof content);
    core_write_u32(content, bench.id);
    core_write_u16(content + 4, (uint16_t)number);
    core_write_u16(content + 6, (uint16_t)length);
    if (offset < table->n) {
        memcpy(content + 8, table->bytes + offset, length);
    }
    content[8] ^= bits;
    ask(LINK_BLOCK, content, 8u + length, 0, 0);
}

static void ask_transfer(uint8_t kind, uint32_t id)
{
    uint8_t content[4];
    core_write_u32(content, id);
    ask(kind, content, sizeof content, 0, 0);
}

static void choose(script_t *script)
{
    static const uint16_t sizes[8] = {256, 64, 128, 32, 224, 96, 0, 48};
    bench.table = script_u8(script) % FUZZ_LINK_TABLES;
    bench.block_bytes = sizes[script_u8(script) & 7u];
    bench.id = script_u8(script);
}

/* As far as `upto`: 0 erased, 1 all blocks, 2 finished, 3 committed. */
static void upload(uint8_t upto, uint32_t table)
{
    bench.table = table % FUZZ_LINK_TABLES;
    bench.block_bytes = 256;
    bench.id++;
    ask_begin();
    for (uint32_t i = 0; i < SECTORS + 1u; i++) {
        poll(1);
    }
    for (uint32_t number = 0; upto >= 1u && number < 2u; number++) {
        ask_block(number, 0);
    }
    if (upto >= 2u) {
        ask_transfer(LINK_FINISH, bench.id);
    }
    if (upto >= 3u) {
        ask_transfer(LINK_COMMIT, bench.id);
    }
}

/* -- the script ----------------------------------------------------------------------------------------------------- */

static void do_ticks(script_t *script)
{
    const uint8_t digital = script_u8(script);
    const uint8_t count = script_u8(script) & 15u;
    for (uint8_t i = 0; i < count; i++) {
        tick(digital);
    }
}

static void do_bytes(script_t *script, bool in_frame)
{
    uint8_t bytes[FRAME_CONTENT_MAX];
    const uint8_t kind = in_frame ? script_u8(script) : 0;
    const size_t n = script_u8(script);
    for (size_t i = 0; i < n; i++) {
        bytes[i] = script_u8(script);
    }
    if (in_frame) {
        ask(kind, bytes, n, 0, 0);
    } else {
        feed(bytes, n);
    }
}

static void do_read(script_t *script)
{
    uint8_t content[8] = {0};
    content[0] = script_u8(script);
    content[4] = script_u8(script);
    content[6] = script_u8(script);
    content[7] = script_u8(script);
    ask(LINK_READ, content, sizeof content, 0, 0);
}

static void flip_bit(script_t *script)
{
    const size_t at = script_u16(script) % FLASH_BYTES;
    const uint8_t bits = script_u8(script);
    bench.flash[at] ^= bits;
    bench.spoiled = bench.spoiled || bits != 0;
}

static void do_next(script_t *script)
{
    switch (script_u8(script) & 15u) {
        case 0: do_ticks(script); break;
        case 1: poll(16u * script_u8(script)); break;
        case 2: do_bytes(script, false); break;
        case 3: do_bytes(script, true); break;
        case 4:
            choose(script);
            ask_begin();
            break;
        case 5: {
            const uint8_t number = script_u8(script);
            ask_block(number, script_u8(script));
            break;
        }
        case 6: ask_transfer(LINK_FINISH, script_u8(script)); break;
        case 7: ask_transfer(LINK_COMMIT, script_u8(script)); break;
        case 8: do_read(script); break;
        case 9: ask_transfer(LINK_ABORT, script_u8(script)); break;
        case 10: {
            const uint8_t upto = script_u8(script) & 3u;
            upload(upto, script_u8(script));
            break;
        }
        case 11:
            (void)script_u8(script);
            start();
            break;
        case 12: bench.room = script_u8(script); break;
        case 13: bench.fail_in = script_u8(script); break;
        case 14: flip_bit(script); break;
        default: {
            const uint8_t at = script_u8(script);
            ask(LINK_STATUS, NULL, 0, at, script_u8(script));
            break;
        }
    }
}

static void prepare(uint8_t what)
{
    static const char machine[] = "bench-1";
    memset(&bench, 0, sizeof bench);
    memset(bench.flash, 0xFF, sizeof bench.flash);
    const store_config_t store = {NULL, on_read, on_program, on_erase, NULL, bench.work, sizeof bench.work, {0, SLOT_BYTES},
                                  SECTOR_BYTES, SECTORS, 8, 0xFF, true};
    bench.config.store = store;
    memcpy(bench.config.machine_id, machine, sizeof machine - 1u);
    bench.config.firmware = "fuzz";
    bench.config.transmit = on_transmit;
    bench.room = FRAME_ENCODED_MAX;
    bench.now_ms = 1000;
    bench.block_bytes = 256;
    start();
    const uint8_t uploads = what % 3u;
    for (uint8_t i = 0; i < uploads; i++) {
        tick(LAW_IN_KEY | LAW_IN_STOP_1 | LAW_IN_STOP_2);
        upload(3, i);
        FUZZ_REQUIRE(bench.controller.table_state == LINK_TABLE_IN_USE);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    script_t script = {data, n, 0};
    prepare(script_u8(&script));
    for (int step = 0; step < STEPS_MAX && !script_ended(&script); step++) {
        do_next(&script);
    }
    return 0;
}
