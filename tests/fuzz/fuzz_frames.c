/* Frames: whatever bytes come, the receiver gives out what a second, plain decoder of the definition gives out, and nothing else
 * (INV-FRAME-1, 2); what it gives out is encoded without a zero inside and received again as the same (INV-FRAME-3).
 *
 * First byte: 0 and 1, the rest are bytes of the line; 2, a plain frame, which gets a right CRC and is stuffed here; 3, the same with
 * one byte of the line changed. */
#include <stdlib.h>
#include <string.h>

#include "frame.h"
#include "fuzz.h"

#define LINE_MAX 8192u

typedef struct {
    uint8_t bytes[LINE_MAX];
    size_t n;
} line_t;

static void put(line_t *line, uint8_t byte)
{
    if (line->n < LINE_MAX) {
        line->bytes[line->n] = byte;
        line->n++;
    }
}

/* COBS as its paper describes it: blocks of up to 254 bytes that are not zero, each after its length + 1. */
static void stuff_plain(const uint8_t *plain, size_t n, line_t *line)
{
    put(line, 0);
    size_t at = 0;
    bool zero_follows = true;
    while (zero_follows || at < n) {
        size_t run = 0;
        while (at + run < n && plain[at + run] != 0 && run < 254u) {
            run++;
        }
        put(line, (uint8_t)(run + 1u));
        for (size_t i = 0; i < run; i++) {
            put(line, plain[at + i]);
        }
        at += run;
        zero_follows = run < 254u && at < n;
        at += zero_follows ? 1u : 0u;
    }
    put(line, 0);
}

/* What the bytes between two zeros say. Returns the count, or SIZE_MAX for no whole code. */
static size_t unstuff_plain(const uint8_t *coded, size_t n, uint8_t *plain)
{
    size_t count = 0;
    for (size_t at = 0; at < n;) {
        const uint8_t code = coded[at];
        at++;
        for (uint8_t i = 1; i < code; i++) {
            if (at >= n) {
                return SIZE_MAX;
            }
            plain[count++] = coded[at++];
        }
        if (code != 0xFFu && at < n) {
            plain[count++] = 0;
        }
    }
    return count;
}

static frame_result_t expected(const uint8_t *coded, size_t n, uint8_t *plain, size_t *count)
{
    if (n == 0) {
        return FRAME_NONE;
    }
    *count = unstuff_plain(coded, n, plain);
    if (*count == SIZE_MAX || *count > FRAME_BYTES_MAX || *count < FRAME_HEAD_BYTES + FRAME_CRC_BYTES) {
        return FRAME_BAD;
    }
    return fuzz_crc32(plain, *count - 4u) == core_read_u32(plain + *count - 4u) ? FRAME_READY : FRAME_BAD;
}

static void check_same(const frame_t *frame, const uint8_t *plain, size_t count)
{
    FUZZ_REQUIRE(frame->protocol == plain[0]);
    FUZZ_REQUIRE(frame->kind == plain[1]);
    FUZZ_REQUIRE(frame->tag == plain[2] + 256u * plain[3]);
    FUZZ_REQUIRE(frame->content_bytes == count - 8u);
    FUZZ_REQUIRE(memcmp(frame->content, plain + 4, frame->content_bytes) == 0);
}

static void check_there_and_back(const frame_t *frame, const uint8_t *plain, size_t count)
{
    static line_t reference;
    reference.n = 0;
    stuff_plain(plain, count, &reference);
    const size_t room = count + 3u + count / 254u; /* what frame_encode asks for */
    uint8_t *line = malloc(room);
    FUZZ_REQUIRE(line != NULL);
    FUZZ_REQUIRE(frame_encode(frame, line, room - 1u) == 0);
    const size_t n = frame_encode(frame, line, room);
    FUZZ_REQUIRE(n == reference.n && memcmp(line, reference.bytes, n) == 0);
    FUZZ_REQUIRE(line[0] == 0 && line[n - 1u] == 0 && memchr(line + 1, 0, n - 2u) == NULL);
    FUZZ_REQUIRE(n <= FRAME_ENCODED_MAX);
    frame_receiver_t receiver;
    frame_t again;
    frame_start(&receiver);
    for (size_t i = 0; i < n; i++) {
        FUZZ_REQUIRE(frame_receive(&receiver, line[i], &again) == (i + 1u == n ? FRAME_READY : FRAME_NONE));
    }
    check_same(&again, plain, count);
    free(line);
}

static void check_line(const line_t *line)
{
    static uint8_t plain[2u * LINE_MAX];
    frame_receiver_t *receiver = malloc(sizeof *receiver); /* of its own, so that a byte beyond it is seen */
    FUZZ_REQUIRE(receiver != NULL);
    memset(receiver, 0xA5, sizeof *receiver);
    frame_start(receiver);
    size_t begun = 0;
    for (size_t i = 0; i < line->n; i++) {
        frame_t frame;
        const frame_result_t result = frame_receive(receiver, line->bytes[i], &frame);
        if (line->bytes[i] != 0) {
            FUZZ_REQUIRE(result == FRAME_NONE);
            continue;
        }
        size_t count = 0;
        FUZZ_REQUIRE(result == expected(line->bytes + begun, i - begun, plain, &count));
        if (result == FRAME_READY) {
            check_same(&frame, plain, count);
            check_there_and_back(&frame, plain, count);
        }
        begun = i + 1u;
    }
    free(receiver);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    static line_t line;
    line.n = 0;
    if (n == 0 || n > 2048u) {
        return 0;
    }
    const uint8_t mode = data[0] & 3u;
    if (mode < 2u) {
        for (size_t i = 1; i < n; i++) {
            put(&line, data[i]);
        }
    } else {
        const size_t skip = mode == 2u ? 1u : 4u;
        static uint8_t plain[2048u + 4u];
        const size_t count = n > skip ? n - skip : 0;
        memcpy(plain, data + (n > skip ? skip : n), count);
        core_write_u32(plain + count, fuzz_crc32(plain, count));
        stuff_plain(plain, count + 4u, &line);
        if (mode == 3u && n > skip) {
            line.bytes[(data[1] + 256u * data[2]) % line.n] ^= data[3];
        }
    }
    check_line(&line);
    FUZZ_REQUIRE(core_assert_line() == 0);
    return 0;
}
