#include "nor_parts.h"

#include <string.h>

enum { STATE_OPERATIONS, STATE_BROKEN, STATE_BROKEN_AT, STATE_DEAD, STATE_HAPPENED };
enum { PEEK_CELLS, PEEK_WEAK, PEEK_UNITS };

uint64_t nor_mix(uint64_t a, uint64_t b)
{
    uint64_t z = a ^ (b + 0x9E3779B97F4A7C15u + (a << 6) + (a >> 2));
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}

size_t nor_bytes(void)
{
    return sizeof(nor_t);
}

void nor_blank(nor_t *nor, const nor_geometry_t *geometry)
{
    memset(nor, 0, sizeof *nor);
    nor->geometry = *geometry;
    nor->guard = NOR_NOBODY;
    memset(nor->cells, (int)geometry->erased, geometry->byte_count);
}

/* `weak` of both is zero outside their ranges, so only those are touched. */
void nor_copy(nor_t *target, const nor_t *source)
{
    const uint32_t n = source->geometry.byte_count;
    memset(target->weak + target->weak_from, 0, target->weak_to - target->weak_from);
    memcpy(target, source, offsetof(nor_t, cells));
    memcpy(target->cells, source->cells, n);
    memcpy(target->weak + source->weak_from, source->weak + source->weak_from, source->weak_to - source->weak_from);
    memcpy(target->units, source->units, n / source->geometry.unit);
}

void nor_seed(nor_t *nor, uint64_t seed)
{
    nor->seed = seed;
}

void nor_power_on(nor_t *nor, const nor_cut_t *cut)
{
    nor->dead = false;
    nor->operations = 0;
    nor->powers++;
    nor->busy_left = nor->busy;
    memset(&nor->cut, 0, sizeof nor->cut);
    if (cut != NULL) {
        nor->cut = *cut;
    }
}

void nor_set_fault(nor_t *nor, const nor_fault_t *fault)
{
    nor->fault_operations = 0;
    memset(&nor->fault, 0, sizeof nor->fault);
    if (fault != NULL) {
        nor->fault = *fault;
    }
}

static void breaks(nor_t *nor, nor_rule_t rule)
{
    if (nor->broken == NOR_KEEPS_RULES) {
        nor->broken = rule;
        nor->broken_at = nor->operations;
    }
}

static bool inside(const nor_t *nor, uint32_t address, uint32_t n)
{
    return address <= nor->geometry.byte_count && n <= nor->geometry.byte_count - address;
}

/* ---- cells that read at random ---- */

void nor_make_weak(nor_t *nor, uint32_t at, uint8_t bits)
{
    if (bits == 0) {
        return;
    }
    if (nor->weak_from == nor->weak_to) {
        nor->weak_from = at;
        nor->weak_to = at + 1u;
    }
    nor->weak_from = at < nor->weak_from ? at : nor->weak_from;
    nor->weak_to = at + 1u > nor->weak_to ? at + 1u : nor->weak_to;
    nor->weak[at] |= bits;
}

void nor_tear_unit(nor_t *nor, uint32_t at)
{
    uint8_t *unit = &nor->units[at / nor->geometry.unit];
    if ((*unit & UNIT_TORN) == 0) {
        *unit |= UNIT_TORN;
        nor->torn++;
    }
}

static bool is_reported(const nor_t *nor, uint32_t address, uint32_t n)
{
    const uint32_t unit = nor->geometry.unit;
    for (uint32_t i = address / unit; i * unit < address + n; i++) {
        if ((nor->units[i] & UNIT_TORN) != 0) {
            return true;
        }
    }
    return false;
}

static uint8_t level_of(const nor_t *nor, uint32_t at, uint32_t level)
{
    const uint64_t held = nor_mix(nor->seed, 0x200000000u + at);
    uint8_t done = 0;
    for (uint32_t bit = 0; bit < 8u; bit++) {
        done |= (uint8_t)(((held >> (8u * bit)) & 0xFFu) < level ? 1u << bit : 0u);
    }
    return done;
}

/* Cells of the byte that read as done, were all of them weak. `weak` cells hold what was there before. */
static uint8_t drawn_cells(const nor_t *nor, uint64_t draw, uint32_t at)
{
    switch (nor->per_start) {
    case NOR_DRAW_TOGETHER: return (draw >> 17) % 2u != 0 ? 0xFFu : 0;
    case NOR_DRAW_LEVEL: return level_of(nor, at, (uint32_t)(draw >> 17) % 257u);
    default: return (uint8_t)nor_mix(draw, at);
    }
}

store_result_t nor_read(void *context, uint32_t address, uint8_t *bytes, uint32_t n)
{
    nor_t *nor = (nor_t *)context;
    if (!inside(nor, address, n)) {
        breaks(nor, NOR_READ_OUTSIDE);
        return STORE_FAILED;
    }
    if (nor->dead) {
        return STORE_FAILED;
    }
    memcpy(bytes, nor->cells + address, n);
    nor->reads++;
    if (nor->geometry.reports != 0 && nor->torn > 0 && is_reported(nor, address, n)) {
        return STORE_FAILED;
    }
    if (address < nor->weak_to && address + n > nor->weak_from) {
        const uint64_t draw = nor_mix(nor->seed, nor->per_start != NOR_DRAW_READ ? nor->powers : 0x100000000u + nor->reads);
        for (uint32_t i = 0; i < n; i++) {
            if (nor->weak[address + i] != 0) {
                bytes[i] ^= (uint8_t)(drawn_cells(nor, draw, address + i) & nor->weak[address + i]);
            }
        }
    }
    return STORE_OK;
}

/* ---- rules ---- */

static bool takes_again(const nor_t *nor, uint32_t at, const uint8_t *bytes)
{
    for (uint32_t i = 0; i < nor->geometry.unit; i++) {
        const uint8_t set = (uint8_t)((nor->cells[at + i] ^ nor->geometry.erased) & ~(uint32_t)nor->weak[at + i]);
        if ((set & ~(bytes[i] ^ nor->geometry.erased) & 0xFFu) != 0) {
            return false;
        }
    }
    return nor->geometry.program_twice != 0;
}

static bool in_slot(const nor_t *nor, uint32_t slot, uint32_t address)
{
    const uint32_t n = nor->geometry.sector_bytes * nor->geometry.sectors;
    return slot < STORE_SLOTS && address >= nor->geometry.slot[slot] && address - nor->geometry.slot[slot] < n;
}

store_result_t nor_program(void *context, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    nor_t *nor = (nor_t *)context;
    const uint32_t unit = nor->geometry.unit;
    if (!inside(nor, address, n)) {
        breaks(nor, NOR_PROGRAM_OUTSIDE);
        return STORE_FAILED;
    }
    if (nor->dead) {
        return STORE_FAILED;
    }
    nor->operations++;
    if (n == 0 || address % unit != 0 || n % unit != 0) {
        breaks(nor, NOR_PROGRAM_NOT_UNITS);
        return STORE_FAILED;
    }
    for (uint32_t i = 0; i < n; i += unit) {
        const uint8_t flags = nor->units[(address + i) / unit];
        if ((flags & UNIT_LIED) == 0 && (flags & UNIT_PROGRAMMED) != 0 && !takes_again(nor, address + i, bytes + i)) {
            breaks(nor, NOR_PROGRAM_TWICE);
            return STORE_FAILED;
        }
    }
    if (in_slot(nor, nor->guard, address)) {
        const uint32_t end = nor->geometry.slot[nor->guard] + nor->geometry.sector_bytes * nor->geometry.sectors;
        if (address < end - STORE_VERDICT_BYTES - STORE_COMMIT_BYTES - STORE_SETTLED_BYTES) {
            breaks(nor, NOR_PROGRAM_IN_USE);
            return STORE_FAILED;
        }
    }
    const operation_t operation = {address, n, bytes};
    return nor_operate(nor, &operation);
}

store_result_t nor_erase(void *context, uint32_t address)
{
    nor_t *nor = (nor_t *)context;
    if (nor->dead) {
        return STORE_FAILED;
    }
    if (nor->never_ends || nor->busy_left > 0) {
        nor->polls++;
        nor->busy_left -= nor->never_ends ? 0 : 1u;
        return STORE_BUSY;
    }
    nor->busy_left = nor->busy;
    nor->operations++;
    if (address % nor->geometry.sector_bytes != 0) {
        breaks(nor, NOR_ERASE_NOT_SECTOR);
        return STORE_FAILED;
    }
    if (!in_slot(nor, 0, address) && !in_slot(nor, 1, address)) {
        breaks(nor, NOR_ERASE_OUTSIDE);
        return STORE_FAILED;
    }
    if (in_slot(nor, nor->guard, address)) {
        breaks(nor, NOR_ERASE_IN_USE);
        return STORE_FAILED;
    }
    const operation_t operation = {address, nor->geometry.sector_bytes, NULL};
    return nor_operate(nor, &operation);
}

/* ---- rot, and what Python looks at ---- */

void nor_flip(nor_t *nor, uint32_t address, uint32_t bits, uint32_t reported)
{
    nor->cells[address] ^= (uint8_t)bits;
    nor->happened = true;
    nor->key = nor_mix(nor->key, ((uint64_t)address << 16) | (bits << 1) | reported);
    if (reported != 0) {
        nor_tear_unit(nor, address);
    }
}

uint32_t nor_state(const nor_t *nor, uint32_t what)
{
    switch (what) {
    case STATE_OPERATIONS: return nor->operations;
    case STATE_BROKEN: return (uint32_t)nor->broken;
    case STATE_BROKEN_AT: return nor->broken_at;
    case STATE_DEAD: return nor->dead ? 1u : 0u;
    case STATE_HAPPENED: return nor->happened ? 1u : 0u;
    default: return nor->polls;
    }
}

void nor_peek(const nor_t *nor, uint32_t what, uint8_t *bytes)
{
    const uint32_t n = nor->geometry.byte_count;
    if (what == PEEK_UNITS) {
        memcpy(bytes, nor->units, n / nor->geometry.unit);
    } else {
        memcpy(bytes, what == PEEK_CELLS ? nor->cells : nor->weak, n);
    }
}

void nor_poke(nor_t *nor, uint32_t address, uint32_t value)
{
    nor->cells[address] = (uint8_t)value;
    nor->units[address / nor->geometry.unit] |= UNIT_PROGRAMMED;
}
