/* Tables: whatever bytes come, the parser reads nothing outside them and takes them or leaves nothing (INV-PARSE-1, 3, INV-TABLE-1);
 * what it takes has every field in its range, is encoded into the same bytes again (INV-PARSE-2), and the law runs on it without a
 * failed assertion, within its largest drive (INV-TABLE-2).
 *
 * First byte: bit 0, length, number of sections and CRC are made right before the parser sees them. The rest are the table. */
#include <stdlib.h>
#include <string.h>

#include "fuzz.h"
#include "law.h"

/* Counts at, between and outside the ends of every track's window, and buttons, all from the bytes of the table itself. */
static void make_input(const table_t *table, script_t *script, law_in_t *in)
{
    memset(in, 0, sizeof *in);
    in->digital = script_u8(script);
    in->elapsed_us = script_u16(script);
    for (int32_t i = 0; i < table->joint_count; i++) {
        const table_sensor_t *sensors[2] = {&table->joint[i].operator_sensor, &table->joint[i].position_sensor};
        for (int32_t side = 0; side < 2; side++) {
            for (int32_t k = 0; k < sensors[side]->track_count; k++) {
                const table_track_t *track = &sensors[side]->track[k];
                const int32_t span = track->count_max - track->count_min;
                in->counts[track->input] = (uint16_t)(track->count_min + (int32_t)(script_u16(script) % (uint32_t)(span + 2)));
            }
        }
    }
}

/* Into a running law by force, so that every stage works on the table's numbers: L5 to L8. */
static void run_law(const table_t *table, script_t *script)
{
    law_state_t state;
    law_in_t in;
    law_out_t out;
    law_start(&state);
    for (int32_t tick = 0; tick < 6; tick++) {
        make_input(table, script, &in);
        if (tick == 2) {
            state.state = LAW_RUNNING;
            state.mode = script_u8(script) & 1u;
            state.authority_q16 = CORE_Q16;
            in.digital |= LAW_IN_STOP_1 | LAW_IN_STOP_2 | LAW_IN_ENABLING;
            in.elapsed_us = 0;
        }
        law_step(table, &state, &in, &out);
        for (int32_t i = 0; i < TABLE_JOINTS_MAX; i++) {
            const int32_t most = i < table->joint_count && out.enable != 0 ? table->joint[i].drive_max_e4 : 0;
            FUZZ_REQUIRE(out.joint[i].drive_e4 >= -most && out.joint[i].drive_e4 <= most);
        }
    }
    FUZZ_REQUIRE(core_assert_line() == 0);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static table_t table;
    static const table_t none; /* all zero */
    static uint8_t again[FUZZ_TABLE_MAX];
    if (n == 0 || n > FUZZ_TABLE_MAX) {
        return 0;
    }
    const size_t count = n - 1u;
    uint8_t *bytes = malloc(count > 0 ? count : 1u); /* its own size, so that a byte beyond it is seen */
    FUZZ_REQUIRE(bytes != NULL);
    memcpy(bytes, data + 1, count);
    if ((data[0] & 1u) != 0) {
        fuzz_repair(bytes, count);
    }
    memset(&table, 0xA5, sizeof table);
    const table_fault_t fault = table_parse(bytes, count, &table);
    FUZZ_REQUIRE(core_assert_line() == 0);
    if (fault.result != TABLE_OK) {
        FUZZ_REQUIRE(fault.result < TABLE_OTHER_MACHINE);
        FUZZ_REQUIRE(memcmp(&table, &none, sizeof table) == 0); /* INV-TABLE-1 */
    } else {
        fuzz_check_table(&table);
        FUZZ_REQUIRE(fuzz_encode_table(&table, again) == count && memcmp(again, bytes, count) == 0);
        script_t script = {bytes, count, 80};
        run_law(&table, &script);
    }
    free(bytes);
    return 0;
}

#ifdef FUZZ_MUTATOR
/* Half of the changes go into one section's payload, with the section's length made right: else nearly every changed table would be
 * refused for its structure and no value inside would be tried. */
size_t LLVMFuzzerMutate(uint8_t *data, size_t n, size_t most);
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t n, size_t most, unsigned int seed);

#define SECTIONS_MAX 200u

static size_t find_sections(const uint8_t *data, size_t n, size_t *at)
{
    size_t count = 0;
    size_t next = 81;
    while (count < SECTIONS_MAX && next + 4u <= n - 4u) {
        const size_t end = next + 4u + core_read_u16(data + next + 2);
        if (end > n - 4u) {
            break;
        }
        at[count++] = next;
        next = end;
    }
    return count;
}

static size_t change_payload(uint8_t *data, size_t n, size_t most, size_t at)
{
    uint8_t payload[1024];
    const size_t length = core_read_u16(data + at + 2);
    if (length > sizeof payload || most < n) {
        return n;
    }
    const size_t room = most - n < sizeof payload - length ? most - n : sizeof payload - length;
    memcpy(payload, data + at + 4, length);
    const size_t now = LLVMFuzzerMutate(payload, length, length + room);
    memmove(data + at + 4u + now, data + at + 4u + length, n - (at + 4u + length));
    memcpy(data + at + 4, payload, now);
    core_write_u16(data + at + 2, (uint16_t)now);
    return n - length + now;
}

/* A section goes, comes twice, or changes place with the one after it. */
static size_t change_order(uint8_t *data, size_t n, size_t most, size_t at, unsigned int seed)
{
    uint8_t copy[1024];
    const size_t length = 4u + core_read_u16(data + at + 2);
    if (length > sizeof copy) {
        return n;
    }
    memcpy(copy, data + at, length);
    if (seed % 3u == 0) {
        memmove(data + at, data + at + length, n - at - length);
        return n - length;
    }
    if (seed % 3u == 1u && n + length <= most) {
        memmove(data + at + length, data + at, n - at);
        return n + length;
    }
    const size_t next = at + length;
    if (next + 4u <= n - 4u && next + 4u + core_read_u16(data + next + 2) <= n - 4u) {
        const size_t other = 4u + core_read_u16(data + next + 2);
        memmove(data + at, data + next, other);
        memcpy(data + at + other, copy, length);
    }
    return n;
}

/* One field goes to an end of its bytes or one to the side of where it was. */
static size_t change_number(uint8_t *data, size_t n, size_t at, unsigned int seed)
{
    const size_t length = core_read_u16(data + at + 2);
    if (length == 0) {
        return n;
    }
    uint8_t *byte = data + at + 4u + (seed >> 8) % length;
    const uint8_t choices[] = {(uint8_t)(*byte + 1u), (uint8_t)(*byte - 1u), 0x00, 0xFF, 0x7F, 0x80, 0x01, (uint8_t)(*byte ^ 0x80u)};
    *byte = choices[seed % sizeof choices];
    return n;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t n, size_t most, unsigned int seed)
{
    size_t at[SECTIONS_MAX];
    const size_t sections = n > 89u ? find_sections(data, n, at) : 0;
    if (sections == 0 || seed % 16u < 3u) {
        return LLVMFuzzerMutate(data, n, most);
    }
    data[0] |= 1u;
    const size_t chosen = at[(seed >> 4) % sections];
    if (seed % 16u < 8u) {
        return change_payload(data, n, most, chosen);
    }
    if (seed % 16u < 14u) {
        return change_number(data, n, chosen, seed >> 6);
    }
    return change_order(data, n, most, chosen, seed >> 6);
}
#endif
