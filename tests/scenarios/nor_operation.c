/* What a program or an erase does to the cells: whole, cut, or by faulty memory. */
#include "nor_parts.h"

#include <string.h>

/* ---- what an operation does to one byte ---- */

static uint8_t target_of(const nor_t *nor, const operation_t *operation, uint32_t i)
{
    const uint8_t erased = (uint8_t)nor->geometry.erased;
    const uint8_t cell = nor->cells[operation->address + i];
    if (operation->bytes == NULL) {
        return erased;
    }
    const uint8_t change = operation->bytes[i] ^ erased;
    return (uint8_t)((cell & ~change) | (operation->bytes[i] & change));
}

/* Cells of the byte that the operation would move or make certain. */
static uint8_t change_of(const nor_t *nor, const operation_t *operation, uint32_t i)
{
    const uint32_t at = operation->address + i;
    const uint8_t moved = nor->cells[at] ^ target_of(nor, operation, i);
    const uint8_t touched = operation->bytes == NULL ? 0xFFu : operation->bytes[i] ^ (uint8_t)nor->geometry.erased;
    return (uint8_t)(moved | (nor->weak[at] & touched));
}

/* The next byte from i on that the operation would change, or n. A sector to be erased is long and mostly blank. */
static uint32_t next_change(const nor_t *nor, const operation_t *operation, uint32_t i)
{
    static const uint8_t no_cells[64];
    uint8_t blank[64];
    memset(blank, (int)nor->geometry.erased, sizeof blank);
    while (i < operation->n) {
        const uint32_t at = operation->address + i;
        if (operation->bytes == NULL && i + 64u <= operation->n && memcmp(nor->cells + at, blank, 64) == 0 &&
            memcmp(nor->weak + at, no_cells, 64) == 0) {
            i += 64u;
            continue;
        }
        if (change_of(nor, operation, i) != 0) {
            return i;
        }
        i++;
    }
    return i;
}

static void begin_byte(nor_t *nor, const operation_t *operation, uint32_t i)
{
    const bool counts = operation->bytes != NULL &&
                        (operation->bytes[i] != nor->geometry.erased || nor->geometry.program_twice == 0);
    if (counts) {
        nor->units[(operation->address + i) / nor->geometry.unit] |= UNIT_PROGRAMMED;
    }
}

static void do_byte(nor_t *nor, const operation_t *operation, uint32_t i)
{
    const uint32_t at = operation->address + i;
    const uint8_t touched = operation->bytes == NULL ? 0xFFu : operation->bytes[i] ^ (uint8_t)nor->geometry.erased;
    begin_byte(nor, operation, i);
    nor->cells[at] = target_of(nor, operation, i);
    nor->weak[at] = (uint8_t)(nor->weak[at] & ~touched);
}

static void clear_units(nor_t *nor, uint32_t from, uint32_t to)
{
    for (uint32_t i = from; i < to; i++) {
        nor->torn -= (nor->units[i] & UNIT_TORN) != 0 ? 1u : 0u;
        nor->units[i] = 0;
    }
}

static void do_all(nor_t *nor, const operation_t *operation)
{
    const uint32_t unit = nor->geometry.unit;
    if (operation->bytes != NULL) {
        for (uint32_t i = 0; i < operation->n; i++) {
            do_byte(nor, operation, i);
        }
        if (nor->torn > 0 && nor->geometry.program_twice != 0) { /* the same bytes again complete a unit */
            for (uint32_t i = operation->address / unit; i < (operation->address + operation->n) / unit; i++) {
                nor->torn -= (nor->units[i] & UNIT_TORN) != 0 ? 1u : 0u;
                nor->units[i] = (uint8_t)(nor->units[i] & ~UNIT_TORN);
            }
        }
        return;
    }
    memset(nor->cells + operation->address, (int)nor->geometry.erased, operation->n);
    memset(nor->weak + operation->address, 0, operation->n);
    clear_units(nor, operation->address / unit, (operation->address + operation->n) / unit);
}

uint32_t nor_would_change(const nor_t *nor, uint32_t address, const uint8_t *bytes, uint32_t n)
{
    const operation_t operation = {address, n, bytes};
    uint32_t count = 0;
    for (uint32_t i = next_change(nor, &operation, 0); i < n; i = next_change(nor, &operation, i + 1u)) {
        count++;
    }
    return count;
}

/* ---- a cut ---- */

/* The byte gets part of its change: `done` of the moving cells move, `weak` of them read at random. */
static void part_of_byte(nor_t *nor, const operation_t *operation, uint32_t i, uint8_t done, uint8_t weak)
{
    const uint32_t at = operation->address + i;
    const uint8_t change = change_of(nor, operation, i);
    const uint8_t target = target_of(nor, operation, i);
    done &= change;
    weak &= change;
    if ((done | weak) == 0) {
        return;
    }
    begin_byte(nor, operation, i);
    nor->cells[at] = (uint8_t)((nor->cells[at] & ~done) | (target & done));
    nor->weak[at] = (uint8_t)(nor->weak[at] & ~done);
    nor_make_weak(nor, at, weak);
    nor->key = nor_mix(nor->key, ((uint64_t)at << 16) | ((uint64_t)nor->cells[at] << 8) | nor->weak[at]);
}

/* One to three of the cells that would change. */
static void pick_cells(const nor_t *nor, const operation_t *operation, uint32_t at[3], uint8_t bit[3])
{
    const nor_cut_t *cut = &nor->cut;
    const uint32_t changing = nor_would_change(nor, operation->address, operation->bytes, operation->n);
    for (uint32_t k = 0; k < 3u; k++) {
        at[k] = operation->n;
        bit[k] = 0;
        if (changing == 0 || k > cut->amount % 3u) {
            continue;
        }
        uint32_t rank = (uint32_t)(nor_mix(cut->seed, 77u + k) % changing);
        uint32_t i = next_change(nor, operation, 0);
        for (; rank > 0; rank--) {
            i = next_change(nor, operation, i + 1u);
        }
        at[k] = i;
        uint8_t one = (uint8_t)(1u << (nor_mix(cut->seed, 99u + k) % 8u));
        while ((one & change_of(nor, operation, i)) == 0) {
            one = (uint8_t)((one << 1) | (one >> 7));
        }
        bit[k] = one;
    }
}

static void cut_few(nor_t *nor, const operation_t *operation)
{
    uint32_t at[3];
    uint8_t bit[3];
    pick_cells(nor, operation, at, bit);
    for (uint32_t i = next_change(nor, operation, 0); i < operation->n; i = next_change(nor, operation, i + 1u)) {
        uint8_t weak = 0;
        for (uint32_t k = 0; k < 3u; k++) {
            weak |= at[k] == i ? bit[k] : 0;
        }
        part_of_byte(nor, operation, i, nor->cut.how == NOR_CUT_MARGINAL ? (uint8_t)~weak : 0, weak);
    }
}

/* A run is 1 to 32 bytes that would change, with one fate. */
static void cut_runs(nor_t *nor, const operation_t *operation)
{
    uint32_t left = 0;
    uint32_t fate = 0;
    for (uint32_t i = 0; i < operation->n; i++) {
        const uint64_t draw = nor_mix(nor->cut.seed, i);
        if (left == 0) {
            left = 1u + (uint32_t)(draw % 32u);
            fate = (uint32_t)(draw >> 32) % 3u;
        }
        left--;
        part_of_byte(nor, operation, i, fate == 0 ? 0xFFu : fate == 1u ? 0 : (uint8_t)(draw >> 8), 0);
    }
}

static void cut_counted(nor_t *nor, const operation_t *operation)
{
    const nor_cut_t *cut = &nor->cut;
    const uint32_t changing = nor_would_change(nor, operation->address, operation->bytes, operation->n);
    const uint32_t unit = nor->geometry.unit;
    const uint32_t amount = (cut->amount & NOR_FRACTION) != 0 ? changing * (cut->amount & 255u) / 256u : cut->amount;
    const uint32_t skipped = cut->how == NOR_CUT_SUFFIX && changing > amount ? changing - amount : 0;
    uint32_t seen = 0;
    uint32_t front = operation->n;
    for (uint32_t i = next_change(nor, operation, 0); i < operation->n; i = next_change(nor, operation, i + 1u)) {
        seen++;
        if (cut->how == NOR_CUT_SUFFIX ? seen > skipped : seen <= amount) {
            part_of_byte(nor, operation, i, 0xFFu, 0);
        } else if (cut->how == NOR_CUT_FRONT) {
            front = front == operation->n ? i : front;
            if ((operation->address + i) / unit == (operation->address + front) / unit) {
                part_of_byte(nor, operation, i, 0, 0xFFu);
            }
        }
    }
}

/* What an error code cannot make good: units that got a part of their change, or whose cells read at random. */
static void tear_units(nor_t *nor, const operation_t *operation, const uint8_t *before)
{
    const uint32_t unit = nor->geometry.unit;
    const bool any_weak = nor->weak_from < nor->weak_to;
    for (uint32_t from = 0; from < operation->n; from += unit) {
        if (!any_weak && memcmp(before + from, nor->cells + operation->address + from, unit) == 0) {
            continue;
        }
        bool moved = false;
        bool left = false;
        for (uint32_t i = from; i < from + unit; i++) {
            const uint32_t at = operation->address + i;
            moved = moved || nor->cells[at] != before[i] || nor->weak[at] != 0;
            left = left || change_of(nor, operation, i) != 0;
        }
        if (moved && left) {
            nor_tear_unit(nor, operation->address + from);
        } else if (moved && operation->bytes == NULL) {
            clear_units(nor, (operation->address + from) / unit, (operation->address + from) / unit + 1u);
        }
    }
}

static void cut_operation(nor_t *nor, const operation_t *operation)
{
    static uint8_t before[NOR_BYTES_MAX];
    const nor_cut_t *cut = &nor->cut;
    nor->dead = true;
    nor->happened = true;
    nor->per_start = cut->per_start;
    nor->key = nor_mix(nor->key, ((uint64_t)operation->address << 32) | operation->n);
    nor->key = nor_mix(nor->key, nor->operations);
    if (cut->how == NOR_CUT_BEFORE) {
        return;
    }
    if (cut->how == NOR_CUT_AFTER) {
        do_all(nor, operation);
        nor->key = nor_mix(nor->key, 1);
        return;
    }
    memcpy(before, nor->cells + operation->address, operation->n);
    if (cut->how == NOR_CUT_MARGINAL || cut->how == NOR_CUT_FAINT) {
        cut_few(nor, operation);
    } else if (cut->how == NOR_CUT_HALF) {
        cut_runs(nor, operation);
    } else if (cut->how == NOR_CUT_PREFIX || cut->how == NOR_CUT_SUFFIX || cut->how == NOR_CUT_FRONT) {
        cut_counted(nor, operation);
    } else {
        for (uint32_t i = next_change(nor, operation, 0); i < operation->n; i = next_change(nor, operation, i + 1u)) {
            const uint64_t draw = nor_mix(cut->seed, i);
            const uint8_t many = (uint8_t)(draw | (draw >> 8) | (draw >> 16));
            const uint8_t few = (uint8_t)(draw & (draw >> 8) & (draw >> 16));
            const uint8_t some = cut->amount % 3u == 0 ? (uint8_t)draw : cut->amount % 3u == 1u ? few : many;
            part_of_byte(nor, operation, i, cut->how == NOR_CUT_BITS ? some : 0, cut->how == NOR_CUT_BITS ? 0 : 0xFFu);
        }
    }
    nor->key = nor_mix(nor->key, nor->weak_from == nor->weak_to ? 0 : cut->per_start);
    tear_units(nor, operation, before);
}

/* ---- a faulty operation ---- */

static store_result_t faulty(nor_t *nor, const operation_t *operation)
{
    const nor_fault_t *fault = &nor->fault;
    const uint32_t unit = nor->geometry.unit;
    const uint32_t at = (uint32_t)(nor_mix(fault->seed, nor->fault_operations) % operation->n);
    const uint8_t kept = nor->cells[operation->address + at];
    nor->happened = true;
    nor->key = nor_mix(nor->key, ((uint64_t)operation->address << 32) | (operation->n << 4) | fault->how);
    if (fault->how == NOR_FAULT_FAILS_DONE) {
        do_all(nor, operation);
    } else if (fault->how == NOR_FAULT_FAILS_PARTLY) {
        operation_t half = *operation;
        half.n = operation->n / 2u / unit * unit;
        do_all(nor, &half);
    } else if (fault->how == NOR_FAULT_STUCK) {
        do_all(nor, operation);
        const uint8_t bit = (uint8_t)(1u << (nor_mix(fault->seed, at) % 8u));
        uint8_t *cell = &nor->cells[operation->address + at];
        *cell = (uint8_t)((*cell & ~bit) | (kept & bit));
        nor->key = nor_mix(nor->key, ((uint64_t)(operation->address + at) << 8) | *cell);
    }
    const bool says_done = fault->how == NOR_FAULT_SILENT || fault->how == NOR_FAULT_STUCK;
    if (operation->bytes == NULL && says_done) {
        for (uint32_t i = operation->address / unit; i < (operation->address + operation->n) / unit; i++) {
            nor->units[i] = (uint8_t)(UNIT_LIED | (nor->units[i] & UNIT_TORN)); /* whoever programs this was told that it is erased */
        }
        for (uint32_t i = 0; i < operation->n; i++) {
            nor->unseen = nor->unseen || nor->weak[operation->address + i] != 0;
        }
    }
    return says_done ? STORE_OK : STORE_FAILED;
}

store_result_t nor_operate(nor_t *nor, const operation_t *operation)
{
    nor->last_address = operation->address;
    nor->last_bytes = operation->n;
    nor->last_erases = operation->bytes == NULL;
    nor->fault_operations++;
    const nor_fault_t *fault = &nor->fault;
    if (fault->how != NOR_FAULT_NONE && (fault->operation == nor->fault_operations ||
                                         (fault->lasting != 0 && nor->fault_operations > fault->operation))) {
        return faulty(nor, operation);
    }
    if (nor->cut.how != NOR_CUT_NONE && nor->cut.operation == nor->operations) {
        cut_operation(nor, operation);
        return STORE_FAILED;
    }
    do_all(nor, operation);
    return STORE_OK;
}
