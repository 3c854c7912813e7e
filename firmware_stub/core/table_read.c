/* See table_read.h, and the invariants at the top of table.c. */
#include "table_read.h"

typedef struct {
    int32_t count;
    uint8_t x_bytes, y_bytes;
} curve_head_t;

/* Keeps the first fault and returns false, so that callers can return it. */
bool table_refuse(table_reader_t *reader, table_result_t result, uint16_t field)
{
    CORE_ASSERT(result != TABLE_OK);
    if (reader->fault.result == TABLE_OK) {
        reader->fault.result = result;
        reader->fault.section = reader->section;
        reader->fault.field = field;
    }
    return false;
}

bool table_refuse_value(table_reader_t *reader, uint16_t field)
{
    return table_refuse(reader, TABLE_BAD_VALUE, field);
}

bool table_refuse_structure(table_reader_t *reader, uint16_t field)
{
    return table_refuse(reader, TABLE_BAD_STRUCTURE, field);
}

static int64_t read_number(const uint8_t *bytes, uint8_t byte_count, bool is_signed)
{
    CORE_ASSERT(byte_count >= 1 && byte_count <= 4);
    uint32_t raw = 0;
    for (uint8_t i = 0; i < byte_count; i++) {
        raw |= (uint32_t)bytes[i] << (8u * i);
    }
    int64_t value = (int64_t)raw;
    if (is_signed && (bytes[byte_count - 1] & 0x80u) != 0) {
        value -= (int64_t)1 << (8u * byte_count);
    }
    return value;
}

static bool has_bytes(const table_reader_t *reader, size_t byte_count)
{
    return reader->end - reader->at >= byte_count;
}

bool table_read_fields(table_reader_t *reader, const table_field_t *fields, size_t field_count, void *target)
{
    CORE_ASSERT(field_count < TABLE_FIELD_NONE);
    for (size_t i = 0; i < field_count; i++) {
        const table_field_t *field = &fields[i];
        if (!has_bytes(reader, field->bytes)) {
            return table_refuse_structure(reader, (uint16_t)i);
        }
        const int64_t value = read_number(&reader->bytes[reader->at], field->bytes, field->is_signed);
        if (value < field->min || value > field->max) {
            return table_refuse_value(reader, (uint16_t)i);
        }
        *(int32_t *)(void *)((uint8_t *)target + field->offset) = (int32_t)value;
        reader->at += field->bytes;
    }
    return true;
}

static bool is_width(uint8_t byte_count)
{
    return byte_count >= 2 && byte_count <= 4;
}

static bool read_head(table_reader_t *reader, uint16_t first_field, curve_head_t *head)
{
    if (!has_bytes(reader, 2)) {
        return table_refuse_structure(reader, first_field);
    }
    head->count = reader->bytes[reader->at];
    head->x_bytes = reader->bytes[reader->at + 1] & 15u;
    head->y_bytes = (uint8_t)(reader->bytes[reader->at + 1] >> 4);
    if (head->count < 2 || head->count > CURVE_POINTS_MAX) {
        return table_refuse_value(reader, first_field);
    }
    if (!is_width(head->x_bytes) || !is_width(head->y_bytes)) {
        return table_refuse_structure(reader, (uint16_t)(first_field + 1));
    }
    reader->at += 2;
    return true;
}

static bool read_values(table_reader_t *reader, uint16_t field, const curve_head_t *head, uint8_t byte_count, int32_t *values)
{
    CORE_ASSERT(head->count >= 2 && head->count <= CURVE_POINTS_MAX);
    CORE_ASSERT(is_width(byte_count));
    if (!has_bytes(reader, (size_t)byte_count * (size_t)head->count)) {
        return table_refuse_structure(reader, field);
    }
    for (int32_t i = 0; i < head->count; i++) {
        values[i] = (int32_t)read_number(&reader->bytes[reader->at], byte_count, true); /* signed: fits */
        reader->at += byte_count;
    }
    return true;
}

static bool fits_fewer_bytes(const int32_t *values, int32_t count, uint8_t byte_count)
{
    CORE_ASSERT(count >= 2 && count <= CURVE_POINTS_MAX);
    CORE_ASSERT(is_width(byte_count));
    if (byte_count == 2) {
        return false;
    }
    int32_t bound = (int32_t)1 << (8 * (byte_count - 1) - 1);
    bool fits = true;
    for (int32_t i = 0; i < count; i++) {
        fits = fits && values[i] >= -bound && values[i] < bound;
    }
    return fits;
}

static bool has_shape(const curve_t *curve, table_shape_t shape)
{
    CORE_ASSERT(curve->count >= 2 && curve->count <= CURVE_POINTS_MAX);
    bool rises = false;
    bool falls = false;
    for (int32_t i = 0; i + 1 < curve->count; i++) {
        rises = rises || curve->y[i + 1] > curve->y[i];
        falls = falls || curve->y[i + 1] < curve->y[i];
    }
    switch (shape) {
        case TABLE_SHAPE_ANY: return true;
        case TABLE_SHAPE_RISING: return !falls;
        case TABLE_SHAPE_MONOTONE: return rises != falls;
    }
    return false;
}

/* Fields: x_field for a fault of x, y_field for one of y or of a slope. */
static bool check_curve(table_reader_t *reader, const table_curve_rule_t *rule, curve_t *curve, uint16_t x_field, uint16_t y_field)
{
    for (int32_t i = 0; i < curve->count; i++) {
        bool rises = i == 0 || curve->x[i] > curve->x[i - 1];
        if (!rises || curve->x[i] < rule->x_min || curve->x[i] > rule->x_max) {
            return table_refuse_value(reader, x_field);
        }
        if (curve->y[i] < rule->y_min || curve->y[i] > rule->y_max) {
            return table_refuse_value(reader, y_field);
        }
    }
    if (rule->first_x_is_zero && curve->x[0] != 0) {
        return table_refuse_value(reader, x_field);
    }
    if (!has_shape(curve, rule->shape) || !curve_prepare(curve)) {
        return table_refuse_value(reader, y_field);
    }
    return true;
}

bool table_read_curve(table_reader_t *reader, const table_curve_rule_t *rule, uint16_t first_field, curve_t *curve)
{
    curve_head_t head = {0, 0, 0};
    uint16_t x_field = (uint16_t)(first_field + 2);
    uint16_t y_field = (uint16_t)(first_field + 3);
    if (!read_head(reader, first_field, &head)) {
        return false;
    }
    curve->count = head.count;
    if (!read_values(reader, x_field, &head, head.x_bytes, curve->x) ||
        !read_values(reader, y_field, &head, head.y_bytes, curve->y)) {
        return false;
    }
    if (fits_fewer_bytes(curve->x, head.count, head.x_bytes) || fits_fewer_bytes(curve->y, head.count, head.y_bytes)) {
        return table_refuse_structure(reader, (uint16_t)(first_field + 1));
    }
    return check_curve(reader, rule, curve, x_field, y_field);
}

bool table_read_curves_sharing_x(table_reader_t *reader, const table_curve_rule_t *rule, curve_t curve[2])
{
    curve_head_t head = {0, 0, 0};
    curve_t *first = &curve[0];
    curve_t *second = &curve[1];
    if (!read_head(reader, 0, &head)) {
        return false;
    }
    if (!read_values(reader, 2, &head, head.x_bytes, first->x) || !read_values(reader, 3, &head, head.y_bytes, first->y) ||
        !read_values(reader, 4, &head, head.y_bytes, second->y)) {
        return false;
    }
    first->count = head.count;
    second->count = head.count;
    for (int32_t i = 0; i < head.count; i++) {
        second->x[i] = first->x[i];
    }
    if (fits_fewer_bytes(first->x, head.count, head.x_bytes) ||
        (fits_fewer_bytes(first->y, head.count, head.y_bytes) && fits_fewer_bytes(second->y, head.count, head.y_bytes))) {
        return table_refuse_structure(reader, 1);
    }
    return check_curve(reader, rule, first, 2, 3) && check_curve(reader, rule, second, 2, 4);
}
