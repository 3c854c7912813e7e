/* Frames on the serial line: COBS (S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing") with a zero byte at both ends, and
 * inside it, little endian:
 *
 *   0     protocol version (FRAME_PROTOCOL)
 *   1     kind: 1 .. 127 asked by the PC, the same + 128 answered by the controller
 *   2..3  tag: chosen by the PC, given back in the answer
 *   4..   content
 *   last 4  CRC-32 (crc.h) over everything before it
 *
 * These places and the CRC are the same in every protocol version, so that a strange version can be answered by name.
 *
 * INV-FRAME-1  No sequence of bytes makes the receiver write outside its buffer or keep anything of a bad frame.
 * INV-FRAME-2  A frame is given out only when its CRC holds; a zero byte always starts anew.
 * INV-FRAME-3  An encoded frame holds no zero byte between its two ends.
 */
#ifndef FRAME_H
#define FRAME_H
#include "core.h"

#define FRAME_PROTOCOL 1u
#define FRAME_HEAD_BYTES 4u
#define FRAME_CRC_BYTES 4u
/* Head and content together are 370 bytes at most: up to 371 bytes CRC-32 finds every change of up to four bits
 * (P. Koopman, CRC Polynomial Selection, 0x82608EDB: HD 5 to 2,974 bits). */
#define FRAME_CONTENT_MAX 366u
#define FRAME_BYTES_MAX (FRAME_HEAD_BYTES + FRAME_CONTENT_MAX + FRAME_CRC_BYTES)
/* Both zeros, one code byte at the start and one more for every 254 bytes. */
#define FRAME_ENCODED_MAX (FRAME_BYTES_MAX + 2u + 1u + FRAME_BYTES_MAX / 254u)

typedef struct {
    uint8_t protocol;
    uint8_t kind;
    uint16_t tag;
    const uint8_t *content;
    size_t content_bytes;
} frame_t;

typedef enum {
    FRAME_NONE = 0, /* nothing complete yet */
    FRAME_READY,    /* *frame is filled and points into the receiver, until its next byte */
    FRAME_BAD       /* something ended that is no frame: it is gone */
} frame_result_t;

typedef struct {
    uint8_t bytes[FRAME_BYTES_MAX];
    size_t count;
    uint8_t code;      /* code byte of the COBS block that is being read, 0 before the first */
    uint8_t remaining; /* bytes still to come in that block */
    bool too_long;
} frame_receiver_t;

/*@ predicate frame_fits(frame_receiver_t *receiver) = receiver->count <= FRAME_BYTES_MAX; */

/*@ requires \valid(receiver);
    assigns receiver->count, receiver->code, receiver->remaining, receiver->too_long;
    ensures fresh: receiver->count == 0 && receiver->code == 0 && receiver->remaining == 0 && !receiver->too_long; */
void frame_start(frame_receiver_t *receiver);
/* INV-FRAME-1: nothing outside the receiver's own bytes is written, and none at or beyond FRAME_BYTES_MAX. */
/*@ requires \valid(receiver) && \valid(frame) && \separated(receiver, frame);
    requires frame_fits(receiver);
    assigns *receiver, *frame;
    ensures fits: frame_fits(receiver);
    ensures anew: byte == 0 ==> receiver->count == 0 && receiver->code == 0 && receiver->remaining == 0 && !receiver->too_long;
    ensures grows: byte != 0 ==> receiver->count <= \old(receiver->count) + 1 && \result == FRAME_NONE;
    ensures ready: \result == FRAME_READY ==> byte == 0 && frame->content == &receiver->bytes[FRAME_HEAD_BYTES] &&
        frame->content_bytes == \old(receiver->count) - 8 && frame->content_bytes <= FRAME_CONTENT_MAX;
    ensures whole: \result == FRAME_READY ==> !\old(receiver->too_long) && \old(receiver->remaining) == 0;
    ensures else_untouched: \result != FRAME_READY ==> *frame == \old(*frame); */
frame_result_t frame_receive(frame_receiver_t *receiver, uint8_t byte, frame_t *frame);

/* Writes the encoded frame with both zeros to `target` (FRAME_ENCODED_MAX bytes are always enough). Returns the bytes written, 0 when
 * it does not fit or the content is too long. */
/*@ requires \valid_read(frame) && \valid_read(frame->content + (0 .. frame->content_bytes - 1));
    requires frame->content != \null || frame->content_bytes == 0;
    requires \valid(target + (0 .. target_bytes - 1)) && target_bytes <= 65536 && target != \null;
    requires \separated(target + (0 .. target_bytes - 1), frame, frame->content + (0 .. frame->content_bytes - 1));
    assigns target[0 .. target_bytes - 1];
    ensures fits: 0 <= \result <= target_bytes && \result <= FRAME_ENCODED_MAX;
    ensures always_enough: \old(frame->content_bytes) <= FRAME_CONTENT_MAX && target_bytes >= FRAME_ENCODED_MAX ==> \result > 0;
    ensures ends: \result > 0 ==> target[0] == 0 && target[\result - 1] == 0;
    ensures no_zero_inside: \forall integer i; 1 <= i < \result - 1 ==> target[i] != 0; */
size_t frame_encode(const frame_t *frame, uint8_t *target, size_t target_bytes);

#endif
