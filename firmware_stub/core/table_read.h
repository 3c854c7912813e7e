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

/* Each of these returns false after a fault, so that callers can return it. The first fault is kept. */
bool table_refuse(table_reader_t *reader, table_result_t result, uint16_t field);
bool table_refuse_value(table_reader_t *reader, uint16_t field);
bool table_refuse_structure(table_reader_t *reader, uint16_t field);

/* Reads the fields one after the other into the int32_t members of *target. */
bool table_read_fields(table_reader_t *reader, const table_field_t *fields, size_t field_count, void *target);

/* A curve of its own: fields first_field (count), + 1 (widths), + 2 (x), + 3 (y). */
bool table_read_curve(table_reader_t *reader, const table_curve_rule_t *rule, uint16_t first_field, curve_t *curve);

/* Two curves over the same x: fields 0 count, 1 widths, 2 x, 3 y of the first, 4 y of the second. */
bool table_read_curves_sharing_x(table_reader_t *reader, const table_curve_rule_t *rule, curve_t curve[2]);

/* table_coupled.c: the payload of one coupled stop (kind 9), into the next free place of the table. */
bool table_read_coupled(table_reader_t *reader, table_t *table);

#endif
