#include "link_transfer.h"

#include "crc.h"

#define BLOCK_HEAD_BYTES 8u
#define READ_HEAD_BYTES 8u

static void drop(link_t *link, link_dropped_t reason)
{
    CORE_ASSERT(reason != LINK_DROPPED_NOT);
    store_abandon(link->store);
    link->transfer.phase = LINK_TRANSFER_NONE;
    link->transfer.id = 0;
    link->transfer.dropped = reason;
}

/* True when a table may be taken now; else the answer says why not, and nothing of a transfer is left open. */
static bool may_write(link_t *link, link_answer_t *answer)
{
    CORE_ASSERT(answer->result == LINK_OK);
    link_facts_t facts;
    link->owner.facts(link->owner.owner, &facts);
    if (facts.standstill && facts.key) {
        return true;
    }
    answer->result = facts.standstill ? LINK_KEY_OFF : LINK_MOVING;
    if (link->transfer.phase != LINK_TRANSFER_NONE) {
        drop(link, facts.standstill ? LINK_DROPPED_KEY : LINK_DROPPED_MOVING);
    }
    return false;
}

static bool is_open(link_t *link, uint32_t id, link_answer_t *answer)
{
    if (link->transfer.phase != LINK_TRANSFER_NONE && link->transfer.id == id) {
        link->transfer.last_ms = link->now_ms;
        return true;
    }
    answer->result = LINK_NO_TRANSFER;
    answer->field = (uint16_t)link->transfer.dropped;
    return false;
}

/* The same begin again: it is the same when what it announces is. */
static bool is_repeated(const link_t *link, uint32_t id, const store_record_t *record, uint32_t block_bytes)
{
    const store_record_t *fresh = &link->store->fresh;
    bool same = link->transfer.phase != LINK_TRANSFER_NONE && link->transfer.id == id && link->transfer.block_bytes == block_bytes &&
                fresh->table_bytes == record->table_bytes && fresh->table_crc == record->table_crc;
    /* The digest too: a table ends in its own CRC, so the CRC over all of it is one number for every table. */
    for (uint32_t i = 0; i < DIGEST_BYTES; i++) {
        same = same && fresh->digest[i] == record->digest[i];
    }
    return same;
}

static void open_transfer(link_t *link, uint32_t id, const store_record_t *record, uint32_t block_bytes)
{
    CORE_ASSERT(link->store->writing);
    CORE_ASSERT(block_bytes > 0);
    link_transfer_t *transfer = &link->transfer;
    transfer->phase = LINK_TRANSFER_ERASING;
    transfer->id = id;
    transfer->block_bytes = block_bytes;
    transfer->block_count = (record->table_bytes + block_bytes - 1u) / block_bytes;
    transfer->started_ms = link->now_ms;
    transfer->last_ms = link->now_ms;
    transfer->dropped = LINK_DROPPED_NOT;
    core_fill(transfer->have, 0, sizeof transfer->have);
    CORE_ASSERT(transfer->block_count <= LINK_BLOCKS_MAX);
}

/* transfer u32, length u32, CRC u32, block bytes u16, reserved u16, digest 32 */
void link_begin(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    store_record_t record;
    core_fill((uint8_t *)&record, 0, sizeof record);
    const uint32_t id = core_read_u32(question->bytes);
    record.table_bytes = core_read_u32(question->bytes + 4);
    record.table_crc = core_read_u32(question->bytes + 8);
    const uint32_t block_bytes = core_read_u16(question->bytes + 12);
    core_copy(record.digest, question->bytes + 16, DIGEST_BYTES);
    if (!may_write(link, answer)) {
        return;
    }
    if (id != 0 && id == link->transfer.committed_id) { /* came late: it is done, and opens nothing (INV-LINK-5) */
        answer->result = LINK_NO_TRANSFER;
        answer->field = (uint16_t)LINK_DROPPED_DONE;
        return;
    }
    if (is_repeated(link, id, &record, block_bytes)) {
        link->transfer.last_ms = link->now_ms;
        answer->result = link->transfer.phase == LINK_TRANSFER_ERASING ? LINK_WAIT : LINK_OK;
        return;
    }
    const uint32_t multiple = block_bytes % STORE_UNIT_MAX;
    if (id == 0 || block_bytes == 0 || block_bytes > LINK_BLOCK_BYTES_MAX || multiple != 0) {
        answer->result = LINK_BAD_BLOCK;
        return;
    }
    if (record.table_bytes == 0 || record.table_bytes > block_bytes * LINK_BLOCKS_MAX) {
        answer->result = LINK_TOO_LONG;
        return;
    }
    const store_result_t begun = store_begin(link->store, &record);
    if (begun != STORE_OK) {
        answer->result = begun == STORE_TOO_LONG ? LINK_TOO_LONG : LINK_STORE_FAILED;
        answer->detail = (uint8_t)begun;
        return;
    }
    open_transfer(link, id, &record, block_bytes);
    answer->result = LINK_WAIT;
}

/* transfer u32, number u16, length u16, bytes; the answer repeats transfer and number */
void link_block(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    const uint32_t id = core_read_u32(question->bytes);
    const uint32_t number = core_read_u16(question->bytes + 4);
    const uint32_t length = core_read_u16(question->bytes + 6);
    core_copy(answer->content, question->bytes, 6);
    answer->content_bytes = 6;
    if (!may_write(link, answer) || !is_open(link, id, answer)) {
        return;
    }
    link_transfer_t *transfer = &link->transfer;
    CORE_ASSERT(transfer->block_bytes > 0);
    if (transfer->phase != LINK_TRANSFER_BLOCKS) {
        answer->result = transfer->phase == LINK_TRANSFER_ERASING ? LINK_WAIT : LINK_OK; /* after finish: one that came late */
        return;
    }
    const uint32_t offset = number * transfer->block_bytes;
    const uint32_t total = link->store->fresh.table_bytes;
    if (number >= transfer->block_count || question->n != BLOCK_HEAD_BYTES + length) {
        answer->result = LINK_BAD_BLOCK;
        return;
    }
    const uint32_t left = total - offset;
    if (length != (left < transfer->block_bytes ? left : transfer->block_bytes)) {
        answer->result = LINK_BAD_BLOCK;
        return;
    }
    const uint8_t bit = (uint8_t)(1u << (number % 8u));
    if ((transfer->have[number / 8u] & bit) != 0) {
        return; /* repeated: it is in flash, and flash is not programmed twice */
    }
    const store_result_t written = store_write(link->store, offset, question->bytes + BLOCK_HEAD_BYTES, length);
    if (written != STORE_OK) {
        answer->result = LINK_STORE_FAILED;
        answer->detail = (uint8_t)written;
        drop(link, LINK_DROPPED_STORE);
        return;
    }
    transfer->have[number / 8u] |= bit;
}

/* First block that is not there, block_count when all are. */
static uint32_t first_missing(const link_transfer_t *transfer)
{
    CORE_ASSERT(transfer->block_count <= LINK_BLOCKS_MAX);
    uint32_t number = 0;
    while (number < transfer->block_count && (transfer->have[number / 8u] & (1u << (number % 8u))) != 0) {
        number++;
    }
    return number;
}

/* INV-LINK-3, on what flash gives back. */
static void check(link_t *link, link_answer_t *answer)
{
    CORE_ASSERT(link->store->writing);
    const store_record_t *fresh = &link->store->fresh;
    const uint8_t *bytes = NULL;
    const store_result_t viewed = store_view(link->store, true, &bytes);
    if (viewed != STORE_OK) {
        answer->result = LINK_STORE_FAILED;
        answer->detail = (uint8_t)viewed;
        return;
    }
    if (crc32_update(0, bytes, fresh->table_bytes) != fresh->table_crc) {
        answer->result = LINK_WRONG_CRC;
        return;
    }
    digest_t digest;
    uint8_t found[DIGEST_BYTES];
    digest_start(&digest);
    digest_update(&digest, bytes, fresh->table_bytes);
    digest_finish(&digest, found);
    for (uint32_t i = 0; i < DIGEST_BYTES; i++) {
        if (found[i] != fresh->digest[i]) {
            answer->result = LINK_WRONG_DIGEST;
            return;
        }
    }
    const table_fault_t fault = link->owner.check_table(link->owner.owner, bytes, fresh->table_bytes);
    if (fault.result != TABLE_OK) {
        answer->result = LINK_TABLE_REFUSED;
        answer->detail = (uint8_t)fault.result;
        answer->section = fault.section;
        answer->field = fault.field;
    }
}

/* transfer u32 */
void link_finish(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    if (!may_write(link, answer) || !is_open(link, core_read_u32(question->bytes), answer)) {
        return;
    }
    link_transfer_t *transfer = &link->transfer;
    if (transfer->phase == LINK_TRANSFER_CHECKED) {
        return; /* repeated */
    }
    if (transfer->phase == LINK_TRANSFER_ERASING) {
        answer->result = LINK_WAIT;
        return;
    }
    const uint32_t missing = first_missing(transfer);
    if (missing < transfer->block_count) {
        answer->result = LINK_INCOMPLETE;
        answer->field = (uint16_t)missing;
        return;
    }
    check(link, answer);
    if (answer->result == LINK_OK) {
        transfer->phase = LINK_TRANSFER_CHECKED;
    } else {
        drop(link, LINK_DROPPED_REFUSED);
    }
}

/* transfer u32; the answer: sequence u32 of the record in use */
void link_commit(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    const uint32_t id = core_read_u32(question->bytes);
    link_transfer_t *transfer = &link->transfer;
    const bool repeated = id != 0 && id == transfer->committed_id && transfer->phase == LINK_TRANSFER_NONE;
    if (!repeated) {
        if (!may_write(link, answer) || !is_open(link, id, answer)) {
            return;
        }
        if (transfer->phase != LINK_TRANSFER_CHECKED) {
            answer->result = LINK_INCOMPLETE;
            answer->field = (uint16_t)first_missing(transfer);
            return;
        }
        const store_result_t committed = store_commit(link->store);
        if (committed != STORE_OK) {
            answer->result = LINK_STORE_FAILED;
            answer->detail = (uint8_t)committed;
            drop(link, LINK_DROPPED_STORE);
            return;
        }
        drop(link, LINK_DROPPED_DONE);
        transfer->committed_id = id;
        link->owner.take_table(link->owner.owner);
    }
    CORE_ASSERT(store_has_table(link->store));
    CORE_ASSERT(transfer->phase == LINK_TRANSFER_NONE);
    core_write_u32(answer->content, store_record(link->store)->sequence);
    answer->content_bytes = 4;
}

/* key u32, number u16, block bytes u8 in units of 32, source u8: 0 the table in use (key: its sequence), 1 the one of the open,
 * checked transfer (key: the transfer). The answer: key, number, length u16, bytes. */
void link_read(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    const uint32_t key = core_read_u32(question->bytes);
    const uint32_t number = core_read_u16(question->bytes + 4);
    const uint32_t block_bytes = STORE_UNIT_MAX * question->bytes[6];
    const bool fresh = question->bytes[7] == 1u;
    if (block_bytes == 0 || block_bytes > LINK_BLOCK_BYTES_MAX || question->bytes[7] > 1u) {
        answer->result = LINK_BAD_BLOCK;
        return;
    }
    if (fresh) {
        if (!is_open(link, key, answer)) {
            return;
        }
        if (link->transfer.phase != LINK_TRANSFER_CHECKED) {
            answer->result = LINK_INCOMPLETE;
            return;
        }
    } else if (!store_has_table(link->store) || store_record(link->store)->sequence != key) {
        answer->result = store_has_table(link->store) ? LINK_OTHER_RECORD : LINK_NO_TABLE;
        return;
    }
    const uint32_t total = fresh ? link->store->fresh.table_bytes : store_record(link->store)->table_bytes;
    const uint32_t offset = number * block_bytes;
    if (offset >= total) {
        answer->result = LINK_BAD_BLOCK;
        return;
    }
    const uint32_t length = total - offset < block_bytes ? total - offset : block_bytes;
    CORE_ASSERT(READ_HEAD_BYTES + length <= sizeof answer->content);
    const store_result_t result = store_read(link->store, fresh, offset, answer->content + READ_HEAD_BYTES, length);
    if (result != STORE_OK) {
        answer->result = LINK_STORE_FAILED;
        answer->detail = (uint8_t)result;
        return;
    }
    core_copy(answer->content, question->bytes, 6);
    core_write_u16(answer->content + 6, (uint16_t)length);
    answer->content_bytes = READ_HEAD_BYTES + length;
}

/* transfer u32; without such a transfer there is nothing to do */
void link_abort(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    CORE_ASSERT(answer->result == LINK_OK);
    if (link->transfer.phase != LINK_TRANSFER_NONE && link->transfer.id == core_read_u32(question->bytes)) {
        drop(link, LINK_DROPPED_ABORT);
    }
}

static bool is_overdue(const link_transfer_t *transfer, uint32_t now_ms)
{
    CORE_ASSERT(transfer->phase != LINK_TRANSFER_NONE);
    const uint32_t idle_ms = now_ms - transfer->last_ms; /* also right when the clock has wrapped */
    if (transfer->phase == LINK_TRANSFER_CHECKED) {
        return idle_ms > LINK_CONFIRM_MS;
    }
    return idle_ms > LINK_IDLE_MS || now_ms - transfer->started_ms > LINK_TOTAL_MS;
}

void link_transfer_poll(link_t *link)
{
    link_transfer_t *transfer = &link->transfer;
    if (transfer->phase == LINK_TRANSFER_NONE) {
        return;
    }
    link_facts_t facts;
    link->owner.facts(link->owner.owner, &facts);
    if (!facts.standstill || !facts.key) {
        drop(link, facts.standstill ? LINK_DROPPED_KEY : LINK_DROPPED_MOVING);
        return;
    }
    if (is_overdue(transfer, link->now_ms)) {
        drop(link, LINK_DROPPED_DEADLINE);
        return;
    }
    if (transfer->phase == LINK_TRANSFER_ERASING) {
        const store_result_t result = store_erase_step(link->store);
        if (result == STORE_OK) {
            transfer->phase = LINK_TRANSFER_BLOCKS;
        } else if (result != STORE_BUSY) {
            drop(link, LINK_DROPPED_STORE);
        }
    }
}
