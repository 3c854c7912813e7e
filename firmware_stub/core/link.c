#include "link_transfer.h"

typedef void (*handler_t)(link_t *link, const link_question_t *question, link_answer_t *answer);

static void write_state(const link_facts_t *facts, uint8_t *bytes)
{
    CORE_ASSERT(facts->table <= LINK_TABLE_NOT_TAKEN);
    bytes[0] = facts->state;
    bytes[1] = facts->cause;
    bytes[2] = facts->cause_joint;
    bytes[3] = facts->waits_for;
    bytes[4] = facts->waits_joint;
    bytes[5] = facts->enable ? 1u : 0u;
    bytes[6] = (uint8_t)((facts->standstill ? 1u : 0u) | (facts->key ? 2u : 0u));
    bytes[7] = (uint8_t)facts->table;
}

static void write_transfer(const link_transfer_t *transfer, uint8_t *bytes)
{
    core_write_u32(bytes, transfer->id);
    bytes[4] = (uint8_t)transfer->phase;
    bytes[5] = (uint8_t)transfer->dropped;
    core_write_u16(bytes + 6, 0);
}

static void write_text(const char *text, uint8_t *bytes, size_t n)
{
    core_fill(bytes, 0, n);
    for (size_t i = 0; i < n && text[i] != '\0'; i++) {
        bytes[i] = (uint8_t)text[i];
    }
}

/* machine id 16, firmware 16, state 8, transfer 8, limits 12, record 16, digest 32 */
static void identify(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    (void)question;
    link_facts_t facts;
    link->owner.facts(link->owner.owner, &facts);
    uint8_t *bytes = answer->content;
    core_fill(bytes, 0, 108);
    core_copy(bytes, link->owner.machine_id, TABLE_MACHINE_ID_BYTES);
    write_text(link->owner.firmware, bytes + 16, LINK_FIRMWARE_BYTES);
    write_state(&facts, bytes + 32);
    write_transfer(&link->transfer, bytes + 40);
    core_write_u32(bytes + 48, store_capacity(link->store->config));
    core_write_u16(bytes + 52, LINK_BLOCK_BYTES_MAX);
    core_write_u16(bytes + 54, LINK_WINDOW);
    core_write_u16(bytes + 56, facts.revision);
    if (store_has_table(link->store)) {
        const store_record_t *record = store_record(link->store);
        core_write_u32(bytes + 60, record->sequence);
        core_write_u32(bytes + 64, record->table_bytes);
        core_write_u32(bytes + 68, record->table_crc);
        core_copy(bytes + 76, record->digest, DIGEST_BYTES);
    }
    answer->content_bytes = 108;
}

/* state 8, transfer 8, ticks u32 */
static void status(link_t *link, const link_question_t *question, link_answer_t *answer)
{
    (void)question;
    link_facts_t facts;
    link->owner.facts(link->owner.owner, &facts);
    write_state(&facts, answer->content);
    write_transfer(&link->transfer, answer->content + 8);
    core_write_u32(answer->content + 16, facts.ticks);
    answer->content_bytes = 20;
}

/* Every message: kind, shortest and longest content. Kinds that are not here are answered LINK_UNKNOWN_KIND. */
static const struct {
    link_kind_t kind;
    size_t least, most;
    handler_t handler;
} messages[] = {
    {LINK_IDENTIFY, 0, 0, identify},
    {LINK_STATUS, 0, 0, status},
    {LINK_BEGIN, 48, 48, link_begin},
    {LINK_BLOCK, 9, 8u + LINK_BLOCK_BYTES_MAX, link_block},
    {LINK_FINISH, 4, 4, link_finish},
    {LINK_COMMIT, 4, 4, link_commit},
    {LINK_READ, 8, 8, link_read},
    {LINK_ABORT, 4, 4, link_abort},
};

static void answer_to(link_t *link, const frame_t *frame, link_answer_t *answer)
{
    if (frame->protocol != FRAME_PROTOCOL) {
        answer->result = LINK_OTHER_PROTOCOL;
        return;
    }
    const link_question_t question = {frame->content, frame->content_bytes};
    for (size_t i = 0; i < sizeof messages / sizeof messages[0]; i++) {
        if ((uint8_t)messages[i].kind == frame->kind) {
            if (question.n < messages[i].least || question.n > messages[i].most) {
                answer->result = LINK_BAD_LENGTH;
                return;
            }
            messages[i].handler(link, &question, answer);
            return;
        }
    }
    answer->result = LINK_UNKNOWN_KIND;
}

static void take_frame(link_t *link, const frame_t *frame)
{
    if (frame->kind == 0 || frame->kind >= LINK_ANSWER) {
        return; /* no question: an echo, or another controller on the same line */
    }
    link_answer_t answer;
    answer.result = LINK_OK;
    answer.detail = 0;
    answer.section = 0;
    answer.field = 0;
    answer.content_bytes = 0;
    answer_to(link, frame, &answer);
    CORE_ASSERT(answer.content_bytes <= sizeof answer.content);

    uint8_t content[FRAME_CONTENT_MAX];
    content[0] = (uint8_t)answer.result;
    content[1] = answer.detail;
    core_write_u16(content + 2, answer.section);
    core_write_u16(content + 4, answer.field);
    core_copy(content + LINK_ANSWER_HEAD, answer.content, answer.content_bytes);
    const frame_t out = {FRAME_PROTOCOL, (uint8_t)(frame->kind + LINK_ANSWER), frame->tag, content,
                         LINK_ANSWER_HEAD + answer.content_bytes};
    link->out_count = frame_encode(&out, link->out, sizeof link->out);
    link->out_sent = 0;
    CORE_ASSERT(link->out_count > 0);
}

static void send_waiting(link_t *link)
{
    if (link->out_sent < link->out_count) {
        const size_t left = link->out_count - link->out_sent;
        const size_t sent = link->owner.transmit(link->owner.owner, link->out + link->out_sent, left);
        CORE_ASSERT(sent <= left);
        link->out_sent += sent < left ? sent : left;
    }
    if (link->out_sent >= link->out_count) {
        link->out_count = 0;
        link->out_sent = 0;
    }
}

void link_start(link_t *link, store_t *store, const link_owner_t *owner)
{
    CORE_ASSERT(link != NULL);
    CORE_ASSERT(store != NULL);
    core_fill((uint8_t *)link, 0, sizeof *link);
    link->owner = *owner;
    link->store = store;
    link->transfer.phase = LINK_TRANSFER_NONE;
    link->transfer.dropped = LINK_DROPPED_NOT;
    frame_start(&link->receiver);
}

size_t link_receive(link_t *link, const uint8_t *bytes, size_t n)
{
    CORE_ASSERT(link != NULL);
    CORE_ASSERT(bytes != NULL || n == 0);
    send_waiting(link);
    for (size_t i = 0; i < n; i++) {
        if (link->out_count > 0) {
            return i; /* INV-LINK-4 */
        }
        frame_t frame;
        if (frame_receive(&link->receiver, bytes[i], &frame) == FRAME_READY) {
            take_frame(link, &frame);
            send_waiting(link);
        }
    }
    return n;
}

void link_poll(link_t *link, uint32_t now_ms)
{
    CORE_ASSERT(link != NULL);
    link->now_ms = now_ms;
    CORE_ASSERT(link->store != NULL);
    send_waiting(link);
    link_transfer_poll(link);
}
