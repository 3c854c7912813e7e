#include "frame.h"

#include "crc.h"

#define COBS_FULL 0xFFu /* code of a block of 254 bytes after which no zero is meant */

void frame_start(frame_receiver_t *receiver)
{
    CORE_ASSERT(receiver != NULL);
    receiver->count = 0;
    receiver->code = 0;
    receiver->remaining = 0;
    receiver->too_long = false;
}

/*@ requires \valid(receiver) && frame_fits(receiver);
    assigns receiver->bytes[0 .. FRAME_BYTES_MAX - 1], receiver->count, receiver->too_long;
    ensures fits: frame_fits(receiver);
    ensures grows: \old(receiver->count) <= receiver->count <= \old(receiver->count) + 1;
    ensures too_long: receiver->count == \old(receiver->count) ==> receiver->too_long;
    ensures kept: receiver->count > \old(receiver->count) ==>
        receiver->bytes[\old(receiver->count)] == byte && receiver->too_long == \old(receiver->too_long); */
static void put_byte(frame_receiver_t *receiver, uint8_t byte)
{
    if (receiver->count >= FRAME_BYTES_MAX) {
        receiver->too_long = true;
        return;
    }
    receiver->bytes[receiver->count] = byte;
    receiver->count++;
}

/*@ requires \valid_read(receiver) && \valid(frame) && \separated(receiver, frame);
    requires frame_fits(receiver);
    assigns *frame;
    ensures ready: \result == FRAME_READY ==> frame->content == &receiver->bytes[FRAME_HEAD_BYTES] &&
        frame->content_bytes == receiver->count - 8 && frame->content_bytes <= FRAME_CONTENT_MAX;
    ensures whole: \result == FRAME_READY ==> !receiver->too_long && receiver->remaining == 0;
    ensures else_untouched: \result != FRAME_READY ==> *frame == \old(*frame); */
/* What stands in the buffer when a zero byte ends it. */
static frame_result_t finish(const frame_receiver_t *receiver, frame_t *frame)
{
    if (receiver->code == 0) {
        return FRAME_NONE; /* the zero in front of a frame, or line noise that was all zeros */
    }
    if (receiver->too_long || receiver->remaining > 0 || receiver->count < FRAME_HEAD_BYTES + FRAME_CRC_BYTES) {
        return FRAME_BAD;
    }
    const size_t summed = receiver->count - FRAME_CRC_BYTES;
    CORE_ASSERT(summed <= FRAME_BYTES_MAX);
    if (crc32_update(0, receiver->bytes, summed) != core_read_u32(receiver->bytes + summed)) {
        return FRAME_BAD;
    }
    frame->protocol = receiver->bytes[0];
    frame->kind = receiver->bytes[1];
    frame->tag = core_read_u16(receiver->bytes + 2);
    frame->content = receiver->bytes + FRAME_HEAD_BYTES;
    frame->content_bytes = summed - FRAME_HEAD_BYTES;
    return FRAME_READY;
}

frame_result_t frame_receive(frame_receiver_t *receiver, uint8_t byte, frame_t *frame)
{
    CORE_ASSERT(receiver != NULL);
    CORE_ASSERT(frame != NULL);
    if (byte == 0) {
        const frame_result_t result = finish(receiver, frame);
        frame_start(receiver); /* the bytes stay where they are until the next one comes */
        return result;
    }
    if (receiver->remaining == 0) {
        if (receiver->code != 0 && receiver->code != COBS_FULL) {
            put_byte(receiver, 0);
        }
        receiver->code = byte;
        receiver->remaining = (uint8_t)(byte - 1u);
    } else {
        put_byte(receiver, byte);
        receiver->remaining--;
    }
    return FRAME_NONE;
}

typedef struct {
    uint8_t *target;
    size_t count;
    size_t code_at; /* where the code byte of the open block goes */
} stuffer_t;

/* Where a byte more has gone in, code_at - 255 * count has gone down by 255 at most: so one code byte in 254 bytes. */
/*@ predicate stuffed(stuffer_t *stuffer, integer bytes) =
        1 <= stuffer->code_at < stuffer->count && stuffer->count - stuffer->code_at <= 255 && bytes + 2 <= stuffer->count &&
        stuffer->code_at - 1 >= 255 * (stuffer->count - 2 - bytes);
    predicate no_zero(stuffer_t *stuffer) =
        \forall integer i; 1 <= i < stuffer->count && i != stuffer->code_at ==> stuffer->target[i] != 0; */
/*@ requires \valid(stuffer) && stuffer->count <= 1000 && stuffer->code_at < stuffer->count <= stuffer->code_at + 255;
    requires \valid(stuffer->target + (0 .. stuffer->count + 1));
    requires \separated(stuffer, stuffer->target + (0 .. stuffer->count + 1));
    requires no_zero(stuffer) && 1 <= stuffer->code_at;
    assigns stuffer->count, stuffer->code_at, stuffer->target[\old(stuffer->code_at) .. \old(stuffer->count) + 1];
    ensures no_zero(stuffer);
    ensures 1 <= stuffer->code_at < stuffer->count <= stuffer->code_at + 255;
    ensures \old(stuffer->count) < stuffer->count <= \old(stuffer->count) + 2;
    ensures stuffer->code_at >= \old(stuffer->code_at);
    ensures spends: stuffer->code_at - 255 * stuffer->count >= \old(stuffer->code_at) - 255 * \old(stuffer->count) - 255; */
static void stuff(stuffer_t *stuffer, uint8_t byte)
{
    if (stuffer->count - stuffer->code_at == 255u) { /* 254 bytes since the code */
        stuffer->target[stuffer->code_at] = COBS_FULL;
        stuffer->code_at = stuffer->count;
        stuffer->count++;
    }
    if (byte == 0) {
        stuffer->target[stuffer->code_at] = (uint8_t)(stuffer->count - stuffer->code_at);
        stuffer->code_at = stuffer->count;
    } else {
        stuffer->target[stuffer->count] = byte;
    }
    stuffer->count++;
}

size_t frame_encode(const frame_t *frame, uint8_t *target, size_t target_bytes)
{
    CORE_ASSERT(frame != NULL);
    CORE_ASSERT(target != NULL);
    const size_t plain = FRAME_HEAD_BYTES + frame->content_bytes + FRAME_CRC_BYTES;
    if (frame->content_bytes > FRAME_CONTENT_MAX || target_bytes < plain + 3u + plain / 254u) {
        return 0;
    }
    uint8_t head[FRAME_HEAD_BYTES];
    head[0] = frame->protocol;
    head[1] = frame->kind;
    core_write_u16(head + 2, frame->tag);
    uint8_t sum[FRAME_CRC_BYTES];
    core_write_u32(sum, crc32_update(crc32_update(0, head, sizeof head), frame->content, frame->content_bytes));

    stuffer_t stuffer = {target, 2, 1};
    target[0] = 0;
    /*@ loop invariant 0 <= i <= 4 && stuffed(&stuffer, 0 + i) && no_zero(&stuffer);
        loop invariant stuffer.target == target && target[0] == 0;
        loop assigns i, stuffer.count, stuffer.code_at, target[1 .. target_bytes - 1];
        loop variant 4 - i; */
    for (size_t i = 0; i < sizeof head; i++) {
        stuff(&stuffer, head[i]);
    }
    /*@ loop invariant 0 <= i <= frame->content_bytes && stuffed(&stuffer, 4 + i) && no_zero(&stuffer);
        loop invariant stuffer.target == target && target[0] == 0;
        loop assigns i, stuffer.count, stuffer.code_at, target[1 .. target_bytes - 1];
        loop variant frame->content_bytes - i; */
    for (size_t i = 0; i < frame->content_bytes; i++) {
        stuff(&stuffer, frame->content[i]);
    }
    /*@ loop invariant 0 <= i <= 4 && stuffed(&stuffer, 4 + frame->content_bytes + i) && no_zero(&stuffer);
        loop invariant stuffer.target == target && target[0] == 0;
        loop assigns i, stuffer.count, stuffer.code_at, target[1 .. target_bytes - 1];
        loop variant 4 - i; */
    for (size_t i = 0; i < sizeof sum; i++) {
        stuff(&stuffer, sum[i]);
    }
    target[stuffer.code_at] = (uint8_t)(stuffer.count - stuffer.code_at);
    target[stuffer.count] = 0;
    CORE_ASSERT(stuffer.count < target_bytes);
    return stuffer.count + 1u;
}
