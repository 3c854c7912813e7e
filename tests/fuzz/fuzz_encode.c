/* The bytes of a table, from what the parser made of them. A table has one encoding (INV-PARSE-2), so these must be the bytes that
 * were parsed. Written from firmware_stub/README.md, "The table"; shares nothing with core/table.c. */
#include "fuzz.h"

typedef struct {
    uint8_t *bytes;
    size_t n;
} writer_t;

static void number(writer_t *writer, int64_t value, unsigned bytes)
{
    const uint64_t raw = (uint64_t)value;
    for (unsigned i = 0; i < bytes; i++) {
        FUZZ_REQUIRE(writer->n < FUZZ_TABLE_MAX);
        writer->bytes[writer->n] = (uint8_t)((raw >> (8u * i)) & 0xFFu);
        writer->n++;
    }
}

static void numbers(writer_t *writer, const int32_t *values, int32_t count, unsigned bytes)
{
    for (int32_t i = 0; i < count; i++) {
        number(writer, values[i], bytes);
    }
}

/* 2, 3 or 4: the fewest that hold all values, signed. */
static unsigned width(const int32_t *values, int32_t count, unsigned at_least)
{
    unsigned bytes = at_least;
    for (int32_t i = 0; i < count; i++) {
        while (bytes < 4u && (values[i] < -(1 << (8u * bytes - 1u)) || values[i] >= 1 << (8u * bytes - 1u))) {
            bytes++;
        }
    }
    return bytes;
}

static void curve(writer_t *writer, const curve_t *one)
{
    const unsigned x = width(one->x, one->count, 2);
    const unsigned y = width(one->y, one->count, 2);
    number(writer, one->count, 1);
    number(writer, x + 16u * y, 1);
    numbers(writer, one->x, one->count, x);
    numbers(writer, one->y, one->count, y);
}

static size_t open_section(writer_t *writer, uint8_t kind, int32_t joint)
{
    number(writer, kind, 1);
    number(writer, joint, 1);
    number(writer, 0, 2);
    return writer->n;
}

static void close_section(writer_t *writer, size_t begin)
{
    const size_t length = writer->n - begin;
    writer->bytes[begin - 2u] = (uint8_t)(length & 0xFFu);
    writer->bytes[begin - 1u] = (uint8_t)(length >> 8);
    uint8_t *sections = writer->bytes + 30;
    const unsigned count = sections[0] + 256u * sections[1] + 1u;
    sections[0] = (uint8_t)(count & 0xFFu);
    sections[1] = (uint8_t)(count >> 8);
}

static void header(writer_t *writer, const table_t *table)
{
    const char magic[4] = {'H', 'J', 'T', '1'};
    for (size_t i = 0; i < sizeof magic; i++) {
        number(writer, magic[i], 1);
    }
    number(writer, 2, 2);
    number(writer, 80, 2);
    number(writer, 0, 4);
    for (size_t i = 0; i < 16u; i++) {
        number(writer, table->machine_id[i], 1);
    }
    number(writer, table->revision, 2);
    number(writer, 0, 2);
    number(writer, table->joint_count, 1);
    for (size_t i = 0; i < 3u; i++) {
        number(writer, table->tool_version[i], 1);
    }
    for (size_t i = 0; i < 32u; i++) {
        number(writer, table->profile_digest[i], 1);
    }
    for (size_t i = 0; i < 12u; i++) {
        number(writer, 0, 1);
    }
}

static void machine(writer_t *writer, const table_t *table)
{
    const size_t begin = open_section(writer, 1, 255);
    number(writer, table->tick_us, 2);
    number(writer, table->tick_hz, 2);
    number(writer, table->late_us, 2);
    number(writer, table->pump_ml_min, 3);
    number(writer, table->power_up_ticks, 2);
    number(writer, table->discrepancy_ticks, 2);
    number(writer, table->reset_min_ticks, 2);
    number(writer, table->reset_max_ticks, 2);
    number(writer, table->load_ticks, 2);
    number(writer, table->match_ticks, 2);
    number(writer, table->authority_step_q16, 3);
    number(writer, table->stop_category, 1);
    number(writer, table->stop_ticks, 2);
    number(writer, table->release_ticks, 2);
    number(writer, table->tip_mdeg_mm_s, 4);
    close_section(writer, begin);
}

static void sensor(writer_t *writer, const table_sensor_t *one)
{
    number(writer, one->step_max, 3);
    number(writer, one->disagreement, 3);
    number(writer, one->bad_ticks, 2);
}

static void settings(writer_t *writer, const table_joint_t *joint, int32_t index)
{
    const int32_t wide[] = {joint->filter_q16, joint->speed_filter_q16, joint->deadband, joint->speed_deadband_mdeg_s,
                            joint->gain_q16, joint->feed_q16, joint->match_window_mdeg, joint->gap_mdeg,
                            joint->speed_mdeg_s[0][0], joint->speed_mdeg_s[0][1], joint->speed_mdeg_s[1][0], joint->speed_mdeg_s[1][1],
                            joint->accelerate_mdeg_s, joint->decelerate_mdeg_s, joint->stop_mdeg_s,
                            joint->soft_stop_mdeg[0], joint->soft_stop_mdeg[1]};
    const size_t begin = open_section(writer, 2, index);
    number(writer, joint->control, 1);
    number(writer, joint->continuous, 1);
    number(writer, joint->polarity, 1);
    sensor(writer, &joint->operator_sensor);
    sensor(writer, &joint->position_sensor);
    numbers(writer, wide, (int32_t)(sizeof wide / sizeof wide[0]), 3);
    number(writer, joint->flow_max_e4[0], 2);
    number(writer, joint->flow_max_e4[1], 2);
    number(writer, joint->flow_full_ml_min, 3);
    number(writer, joint->drive_max_e4, 2);
    number(writer, joint->reversal_ticks, 2);
    number(writer, joint->settle_ticks, 2);
    number(writer, joint->still_ticks, 2);
    number(writer, joint->still_mdeg, 3);
    number(writer, joint->stall_flow_e4, 2);
    number(writer, joint->stall_ticks, 2);
    number(writer, joint->stall_mdeg, 3);
    number(writer, joint->reach_mm, 2);
    close_section(writer, begin);
}

static void tracks(writer_t *writer, const table_sensor_t *one, uint8_t kind, int32_t index)
{
    for (int32_t i = 0; i < one->track_count; i++) {
        const size_t begin = open_section(writer, kind, index);
        number(writer, one->track[i].input, 1);
        number(writer, one->track[i].count_min, 2);
        number(writer, one->track[i].count_max, 2);
        curve(writer, &one->track[i].curve);
        close_section(writer, begin);
    }
}

static void pair(writer_t *writer, const curve_t curves[2], uint8_t kind, int32_t index)
{
    const size_t begin = open_section(writer, kind, index);
    curve(writer, &curves[0]);
    curve(writer, &curves[1]);
    close_section(writer, begin);
}

static void flow(writer_t *writer, const curve_t curves[2], int32_t index)
{
    const int32_t count = curves[0].count;
    const unsigned x = width(curves[0].x, count, 2);
    const unsigned y = width(curves[1].y, count, width(curves[0].y, count, 2));
    const size_t begin = open_section(writer, 7, index);
    number(writer, count, 1);
    number(writer, x + 16u * y, 1);
    numbers(writer, curves[0].x, count, x);
    numbers(writer, curves[0].y, count, y);
    numbers(writer, curves[1].y, count, y);
    close_section(writer, begin);
}

static void joint(writer_t *writer, const table_joint_t *one, int32_t index)
{
    settings(writer, one, index);
    tracks(writer, &one->operator_sensor, 3, index);
    tracks(writer, &one->position_sensor, 4, index);
    const size_t begin = open_section(writer, 5, index);
    curve(writer, &one->response);
    close_section(writer, begin);
    pair(writer, one->brake, 6, index);
    flow(writer, one->flow_per_speed_q16, index);
    pair(writer, one->valve, 8, index);
}

size_t fuzz_encode_table(const table_t *table, uint8_t *target)
{
    writer_t writer = {target, 0};
    header(&writer, table);
    machine(&writer, table);
    for (int32_t i = 0; i < table->joint_count; i++) {
        joint(&writer, &table->joint[i], i);
    }
    for (int32_t i = 0; i < table->coupled_count; i++) {
        const table_coupled_t *stop = &table->coupled[i];
        const size_t begin = open_section(&writer, 9, 255);
        number(&writer, stop->joint[0], 1);
        number(&writer, stop->joint[1], 1);
        number(&writer, stop->weight_e3[0], 2);
        number(&writer, stop->weight_e3[1], 2);
        number(&writer, stop->limit_mdeg, 3);
        curve(&writer, &stop->brake);
        close_section(&writer, begin);
    }
    const uint32_t total = (uint32_t)writer.n + 4u;
    for (unsigned i = 0; i < 4u; i++) {
        target[8u + i] = (uint8_t)((total >> (8u * i)) & 0xFFu);
    }
    number(&writer, fuzz_crc32(target, writer.n), 4);
    return writer.n;
}
