/* What the parts of the store share: where things are in a slot, their bytes, and what can be read there. */
#ifndef STORE_PARTS_H
#define STORE_PARTS_H
#include "store.h"

/* First words of the end records. */
#define COMMIT_MAGIC 0x4D434254u    /* "TBCM" */
#define SETTLED_MAGIC 0x54534254u   /* "TBST" */
#define CONFIRMED_MAGIC 0x46434254u /* "TBCF", a verdict */
#define CANCELLED_MAGIC 0x58584254u /* "TBXX", a verdict */
#define CHUNK_BYTES 64u

bool store_geometry_holds(const store_config_t *config);
uint32_t store_header_at(const store_config_t *config, uint32_t slot);
uint32_t store_table_at(const store_config_t *config, uint32_t slot);
uint32_t store_mark_at(const store_config_t *config, uint32_t slot, uint32_t magic);

void store_write_header(const store_record_t *record, uint8_t bytes[STORE_HEADER_BYTES]);
void store_write_mark(const store_record_t *record, uint32_t magic, uint8_t bytes[STORE_COMMIT_BYTES]);
bool store_is_same(const uint8_t *a, const uint8_t *b, uint32_t n);
bool store_is_blank(const uint8_t *bytes, uint32_t n, uint8_t erased);

/* What a mark of the slot says. With a good header it must belong to that, and its bytes are known. Without one its own CRC says what
 * is known, and sequence and header CRC are taken from it for the marks that are read after it. */
store_part_t store_read_mark(const store_config_t *config, uint32_t slot, uint32_t magic, bool header_good, store_record_t *record);
bool store_table_is_whole(const store_config_t *config, uint32_t slot, const store_record_t *record);
store_class_t store_look_at(const store_config_t *config, uint32_t slot, store_record_t *record);

#endif
