/* Whole runs a call, since every call into the emulator has its price. The core is called as a board would call it. */
#include "entry.h"
#include "crc.h"
#include "digest.h"
#include "frame.h"

ENTRY const uint32_t entry_sizes[ENTRY_SIZES] = {
    sizeof(table_t), sizeof(law_state_t), sizeof(law_joint_state_t), sizeof(law_in_t), sizeof(law_out_t),
    sizeof(table_fault_t), sizeof(frame_receiver_t), sizeof(digest_t),
};

#define PLACE(type, member) (uint32_t) offsetof(type, member)
ENTRY const uint32_t entry_places[ENTRY_PLACES] = {
    PLACE(table_t, joint_count), PLACE(table_t, coupled), PLACE(table_t, joint), PLACE(table_joint_t, operator_sensor),
    PLACE(table_joint_t, position_sensor), PLACE(table_joint_t, response), PLACE(table_joint_t, brake),
    PLACE(table_joint_t, valve), PLACE(table_joint_t, reach_mm), PLACE(table_coupled_t, brake),
    PLACE(law_state_t, permit), PLACE(law_state_t, both_must_open), PLACE(law_state_t, authority_q16), PLACE(law_state_t, joint),
    PLACE(law_joint_state_t, position_sensor), PLACE(law_joint_state_t, matched), PLACE(law_joint_state_t, filter_q16),
    PLACE(law_joint_state_t, speed_filter_q16), PLACE(law_joint_state_t, demand), PLACE(law_joint_state_t, busy_anchor_mdeg),
    PLACE(law_sensor_state_t, disagreement), PLACE(law_track_state_t, primed), PLACE(law_track_state_t, last_value),
    PLACE(law_in_t, counts), PLACE(law_out_t, waits_joint), PLACE(law_out_t, joint), PLACE(law_joint_out_t, flags),
};

/* A plain copy in words: what is copied is a whole number of them. */
static void keep(uint32_t *target, const void *source, uint32_t byte_count)
{
    const uint32_t *from = source;
    for (uint32_t i = 0; i < byte_count / 4u; i++) {
        target[i] = from[i];
    }
}

ENTRY void entry_run(const entry_run_t *run)
{
    /* Through a pointer that the compiler cannot see through: law_step stays a function that is called, and its cost its own. */
    void (*volatile const step)(const table_t *, law_state_t *, const law_in_t *, law_out_t *) = law_step;
    for (uint32_t i = 0; i < run->ticks; i++) {
        step(run->table, run->state, &run->in[i], &run->out[i]);
        if (run->kept != NULL) {
            keep(run->kept + i * (run->kept_bytes / 4u), run->state, run->kept_bytes);
        }
    }
}

/* Result of table_parse; *place: section and field of the fault. */
ENTRY uint32_t entry_parse(const uint8_t *bytes, uint32_t byte_count, table_t *table, uint32_t *place)
{
    const table_fault_t fault = table_parse(bytes, byte_count, table);
    *place = ((uint32_t)fault.section << 16) | fault.field;
    return (uint32_t)fault.result;
}

/* Every byte through one receiver; of every frame that it gives out: kind, tag and content's length and CRC; of every bad one a mark.
 * Returns how many words were written, at most words_max. */
ENTRY uint32_t entry_frames(const uint8_t *bytes, uint32_t byte_count, uint32_t *words, uint32_t words_max)
{
    frame_receiver_t receiver;
    frame_t frame;
    uint32_t count = 0;
    frame_start(&receiver);
    for (uint32_t i = 0; i < byte_count && count + 3u <= words_max; i++) {
        const frame_result_t result = frame_receive(&receiver, bytes[i], &frame);
        if (result == FRAME_NONE) {
            continue;
        }
        words[count++] = ((uint32_t)result << 24) | i;
        if (result == FRAME_READY) {
            words[count++] = ((uint32_t)frame.protocol << 24) | ((uint32_t)frame.kind << 16) | frame.tag;
            words[count++] = crc32_update((uint32_t)frame.content_bytes, frame.content, frame.content_bytes);
        }
    }
    return count;
}

ENTRY uint32_t entry_encode(const uint8_t *content, uint32_t byte_count, uint32_t kind_and_tag, uint8_t *target)
{
    const frame_t frame = {FRAME_PROTOCOL, (uint8_t)(kind_and_tag >> 16), (uint16_t)(kind_and_tag & 0xFFFFu), content, byte_count};
    return (uint32_t)frame_encode(&frame, target, FRAME_ENCODED_MAX);
}

ENTRY uint32_t entry_crc(const uint8_t *bytes, uint32_t byte_count)
{
    return crc32_update(0, bytes, byte_count);
}

ENTRY void entry_digest(const uint8_t *bytes, uint32_t byte_count, uint8_t *result)
{
    digest_t digest;
    digest_start(&digest);
    digest_update(&digest, bytes, byte_count);
    digest_finish(&digest, result);
}

ENTRY uint32_t entry_assert_line(void)
{
    return core_assert_line();
}
