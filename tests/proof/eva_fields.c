/* Every list of fields of a table, from any bytes, with every length from none to one more than it takes: where it writes, what it
 * multiplies afterwards, and that the cursor stays inside. Includes the sources, to call what is static in them. */
#include "__fc_builtin.h"

#include "table.c"
#define rule_brake coupled_rule_brake
#include "table_coupled.c"

static uint8_t bytes[128];
static table_t table;

static table_reader_t reader_of(size_t end)
{
    const table_reader_t reader = {bytes, 0, end, end, {TABLE_OK, 0, TABLE_FIELD_NONE}, 0, 0};
    return reader;
}

int main(void)
{
    Frama_C_make_unknown((char *)bytes, sizeof bytes);
    for (size_t end = 0; end <= 34u; end++) {
        table_reader_t reader = reader_of(end);
        (void)read_machine(&reader, &table);
        /*@ assert machine_cursor: reader.at <= end; */
    }
    table.tick_us = Frama_C_int_interval(1000, 20000);
    for (size_t end = 0; end <= 98u; end++) {
        table_reader_t reader = reader_of(end);
        (void)read_joint_settings(&reader, &table, &table.joint[0]);
        /*@ assert joint_cursor: reader.at <= end; */
    }
    for (size_t end = 0; end <= 6u; end++) {
        table_reader_t reader = reader_of(end);
        (void)table_read_fields(&reader, track_fields, TABLE_COUNT_OF(track_fields), &table.joint[0].position_sensor.track[1]);
        /*@ assert track_cursor: reader.at <= end; */
    }
    for (size_t end = 0; end <= 10u; end++) {
        table_reader_t reader = reader_of(end);
        (void)table_read_fields(&reader, coupled_fields, TABLE_COUNT_OF(coupled_fields), &table.coupled[TABLE_COUPLED_MAX - 1]);
        /*@ assert coupled_cursor: reader.at <= end; */
    }
    return 0;
}
