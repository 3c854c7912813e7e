/* See table_read.h, and the invariants at the top of table.c. */
#include "table_read.h"

/* Shown as a bit vector by tests/proof, as WP does not know shifts. */
/*@ admit lemma one_shifted: \forall integer n; 0 <= n <= 32 ==> 1 <= (1 << n) <= 4294967296 && (n <= 30 ==> (1 << n) <= 1073741824); */

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

/*@ requires \valid_read(bytes + (0 .. byte_count - 1)) && 1 <= byte_count <= 4;
    assigns \nothing;
    ensures range: -4294967296 <= \result <= 4294967295; */
static int64_t read_number(const uint8_t *bytes, uint8_t byte_count, bool is_signed)
{
    CORE_ASSERT(byte_count >= 1 && byte_count <= 4);
    uint32_t raw = 0;
    /*@ loop invariant 0 <= i <= byte_count;
        loop assigns i, raw;
        loop variant byte_count - i; */
    for (uint8_t i = 0; i < byte_count; i++) {
        raw |= (uint32_t)bytes[i] << (8u * i);
    }
    int64_t value = (int64_t)raw;
    if (is_signed && (bytes[byte_count - 1] & 0x80u) != 0) {
        value -= (int64_t)1 << (8u * byte_count);
    }
    return value;
}

/*@ requires \valid_read(reader) && reader->at <= reader->end;
    assigns \nothing;
    ensures exact: \result <==> reader->at + byte_count <= reader->end; */
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

/*@ assigns \nothing;
    ensures exact: \result <==> 2 <= byte_count <= 4; */
static bool is_width(uint8_t byte_count)
{
    return byte_count >= 2 && byte_count <= 4;
}

/*@ requires \valid(reader) && reader_sound(reader) && \valid(head) && first_field <= 1000;
    requires \separated(reader, head, reader->bytes + (0 .. reader->end - 1));
    assigns reader->at, reader->fault, *head;
    ensures cursor: reader_sound(reader) && \old(reader->at) <= reader->at;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK;
    ensures head: \result ==> 2 <= head->count <= CURVE_POINTS_MAX && 2 <= head->x_bytes <= 4 && 2 <= head->y_bytes <= 4; */
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

/*@ requires \valid(reader) && reader_sound(reader) && \valid_read(head) && \valid(values + (0 .. CURVE_POINTS_MAX - 1));
    requires \separated(reader, head, values + (0 .. CURVE_POINTS_MAX - 1), reader->bytes + (0 .. reader->end - 1));
    requires 2 <= head->count <= CURVE_POINTS_MAX && 2 <= byte_count <= 4;
    assigns reader->at, reader->fault, values[0 .. CURVE_POINTS_MAX - 1];
    ensures cursor: reader_sound(reader) && \old(reader->at) <= reader->at;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK; */
static bool read_values(table_reader_t *reader, uint16_t field, const curve_head_t *head, uint8_t byte_count, int32_t *values)
{
    CORE_ASSERT(head->count >= 2 && head->count <= CURVE_POINTS_MAX);
    CORE_ASSERT(is_width(byte_count));
    if (!has_bytes(reader, (size_t)byte_count * (size_t)head->count)) {
        return table_refuse_structure(reader, field);
    }
    /*@ loop invariant 0 <= i <= head->count && reader->at == \at(reader->at, Pre) + i * byte_count;
        loop assigns i, reader->at, values[0 .. CURVE_POINTS_MAX - 1];
        loop variant head->count - i; */
    for (int32_t i = 0; i < head->count; i++) {
        values[i] = (int32_t)read_number(&reader->bytes[reader->at], byte_count, true); /* signed: fits */
        reader->at += byte_count;
    }
    return true;
}

/*@ requires 2 <= count <= CURVE_POINTS_MAX && 2 <= byte_count <= 4 && \valid_read(values + (0 .. count - 1));
    assigns \nothing;
    ensures two: byte_count == 2 ==> \result == \false; */
static bool fits_fewer_bytes(const int32_t *values, int32_t count, uint8_t byte_count)
{
    CORE_ASSERT(count >= 2 && count <= CURVE_POINTS_MAX);
    CORE_ASSERT(is_width(byte_count));
    if (byte_count == 2) {
        return false;
    }
    int32_t bound = (int32_t)1 << (8 * (byte_count - 1) - 1);
    bool fits = true;
    /*@ loop invariant 0 <= i <= count;
        loop assigns i, fits;
        loop variant count - i; */
    for (int32_t i = 0; i < count; i++) {
        fits = fits && values[i] >= -bound && values[i] < bound;
    }
    return fits;
}

/*@ requires \valid_read(curve) && curve_sized(curve);
    assigns \nothing;
    ensures rising: \result && shape == TABLE_SHAPE_RISING ==>
        \forall integer i; 0 <= i < curve->count - 1 ==> curve->y[i] <= curve->y[i + 1];
    ensures monotone: \result && shape == TABLE_SHAPE_MONOTONE ==>
        (\forall integer i; 0 <= i < curve->count - 1 ==> curve->y[i] <= curve->y[i + 1]) ||
        (\forall integer i; 0 <= i < curve->count - 1 ==> curve->y[i] >= curve->y[i + 1]); */
static bool has_shape(const curve_t *curve, table_shape_t shape)
{
    CORE_ASSERT(curve->count >= 2 && curve->count <= CURVE_POINTS_MAX);
    bool rises = false;
    bool falls = false;
    /*@ loop invariant 0 <= i < curve->count;
        loop invariant !falls ==> \forall integer k; 0 <= k < i ==> curve->y[k] <= curve->y[k + 1];
        loop invariant !rises ==> \forall integer k; 0 <= k < i ==> curve->y[k] >= curve->y[k + 1];
        loop assigns i, rises, falls;
        loop variant curve->count - i; */
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

/*@ requires \valid(reader) && \valid_read(rule) && \valid(curve) && \separated(reader, rule, curve) && curve_sized(curve);
    assigns reader->fault, curve->slope_q16[0 .. CURVE_POINTS_MAX - 1];
    ensures refused: !\result ==> reader->fault.result != TABLE_OK;
    ensures checked: \result ==> curve_ready(curve) && curve_within(curve, rule->y_min, rule->y_max);
    ensures x_checked: \result ==> \forall integer i; 0 <= i < curve->count ==> rule->x_min <= curve->x[i] <= rule->x_max;
    ensures first: \result && rule->first_x_is_zero ==> curve->x[0] == 0; */
/* Fields: x_field for a fault of x, y_field for one of y or of a slope. */
static bool check_curve(table_reader_t *reader, const table_curve_rule_t *rule, curve_t *curve, uint16_t x_field, uint16_t y_field)
{
    /*@ loop invariant 0 <= i <= curve->count;
        loop invariant \forall integer k; 0 <= k < i ==>
            rule->x_min <= curve->x[k] <= rule->x_max && rule->y_min <= curve->y[k] <= rule->y_max;
        loop assigns i;
        loop variant curve->count - i; */
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
    /*@ loop invariant 0 <= i <= head.count;
        loop assigns i, second->x[0 .. CURVE_POINTS_MAX - 1];
        loop variant head.count - i; */
    for (int32_t i = 0; i < head.count; i++) {
        second->x[i] = first->x[i];
    }
    if (fits_fewer_bytes(first->x, head.count, head.x_bytes) ||
        (fits_fewer_bytes(first->y, head.count, head.y_bytes) && fits_fewer_bytes(second->y, head.count, head.y_bytes))) {
        return table_refuse_structure(reader, 1);
    }
    return check_curve(reader, rule, first, 2, 3) && check_curve(reader, rule, second, 2, 4);
}
