/* Private to table.c, table_coupled.c and table_read.c: a cursor over the bytes of a table, with the first fault it met. */
#ifndef TABLE_READ_H
#define TABLE_READ_H
#include "table.h"

#define TABLE_FIELD_NONE 0xFFFFu /* the fault is the section's, not one field's */

typedef struct {
    uint16_t offset; /* of the int32_t in its structure */
    uint8_t bytes;   /* 1 .. 4, little endian */
    bool is_signed;
    int32_t min, max;
} table_field_t;

#define TABLE_UNSIGNED_FIELD(type, member, bytes, min, max) {(uint16_t)offsetof(type, member), (bytes), false, (min), (max)}
#define TABLE_SIGNED_FIELD(type, member, bytes, min, max) {(uint16_t)offsetof(type, member), (bytes), true, (min), (max)}
#define TABLE_COUNT_OF(array) (sizeof(array) / sizeof((array)[0]))

typedef enum { TABLE_SHAPE_ANY, TABLE_SHAPE_MONOTONE, TABLE_SHAPE_RISING } table_shape_t;

typedef struct {
    int32_t x_min, x_max, y_min, y_max;
    table_shape_t shape; /* rising: never falling; monotone: never falling or never rising, and not constant */
    bool first_x_is_zero;
} table_curve_rule_t;

typedef struct {
    const uint8_t *bytes;
    size_t at, end; /* next byte to read; end of the section's payload */
    size_t limit;   /* end of all sections */
    table_fault_t fault;
    uint16_t section; /* index of the section being read */
    uint64_t inputs_used; /* bit n: some track is on analog channel n */
} table_reader_t;

/* The cursor: never beyond the section's end, which is never beyond the bytes. */
/*@ predicate reader_sound(table_reader_t *reader) = reader->at <= reader->end && \valid_read(reader->bytes + (0 .. reader->end - 1)) &&
        \separated(reader, reader->bytes + (0 .. reader->end - 1)); */

/*@ requires \valid(reader) && result != TABLE_OK;
    assigns reader->fault;
    ensures refuses: \result == \false && reader->fault.result != TABLE_OK; */
/* Each of these returns false after a fault, so that callers can return it. The first fault is kept. */
bool table_refuse(table_reader_t *reader, table_result_t result, uint16_t field);
/*@ requires \valid(reader);
    assigns reader->fault;
    ensures refuses: \result == \false && reader->fault.result != TABLE_OK; */
bool table_refuse_value(table_reader_t *reader, uint16_t field);
/*@ requires \valid(reader);
    assigns reader->fault;
    ensures refuses: \result == \false && reader->fault.result != TABLE_OK; */
bool table_refuse_structure(table_reader_t *reader, uint16_t field);

/* Reads the fields one after the other into the int32_t members of *target. */
/* WP has no model for the write through *target; tests/proof runs it in Eva for every list of fields and every length. */
/*@ requires \valid(reader) && reader_sound(reader) && \valid_read(fields + (0 .. field_count - 1)) && field_count < TABLE_FIELD_NONE;
    assigns reader->at, reader->fault, ((char *)target)[..];
    ensures cursor: reader_sound(reader) && \old(reader->at) <= reader->at;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK; */
bool table_read_fields(table_reader_t *reader, const table_field_t *fields, size_t field_count, void *target);

/* A curve of its own: fields first_field (count), + 1 (widths), + 2 (x), + 3 (y). */
/*@ requires \valid(reader) && reader_sound(reader) && \valid_read(rule) && \valid(curve) && first_field <= 1000;
    requires \separated(reader, rule, curve, reader->bytes + (0 .. reader->end - 1));
    assigns reader->at, reader->fault, *curve;
    ensures cursor: reader_sound(reader) && \old(reader->at) <= reader->at;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK;
    ensures checked: \result ==> curve_ready(curve) && curve_within(curve, rule->y_min, rule->y_max);
    ensures x_checked: \result ==> \forall integer i; 0 <= i < curve->count ==> rule->x_min <= curve->x[i] <= rule->x_max;
    ensures first: \result && rule->first_x_is_zero ==> curve->x[0] == 0; */
bool table_read_curve(table_reader_t *reader, const table_curve_rule_t *rule, uint16_t first_field, curve_t *curve);

/* Two curves over the same x: fields 0 count, 1 widths, 2 x, 3 y of the first, 4 y of the second. */
/*@ requires \valid(reader) && reader_sound(reader) && \valid_read(rule) && \valid(curve + (0 .. 1));
    requires \separated(reader, rule, curve + (0 .. 1), reader->bytes + (0 .. reader->end - 1));
    assigns reader->at, reader->fault, curve[0 .. 1];
    ensures cursor: reader_sound(reader) && \old(reader->at) <= reader->at;
    ensures refused: !\result ==> reader->fault.result != TABLE_OK;
    ensures checked: \result ==> \forall integer k; 0 <= k < 2 ==>
        curve_ready(&curve[k]) && curve_within(&curve[k], rule->y_min, rule->y_max); */
bool table_read_curves_sharing_x(table_reader_t *reader, const table_curve_rule_t *rule, curve_t curve[2]);

/* table_coupled.c: the payload of one coupled stop (kind 9), into the next free place of the table. */
bool table_read_coupled(table_reader_t *reader, table_t *table);

#endif
