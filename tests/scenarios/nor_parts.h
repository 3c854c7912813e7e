/* What the halves of the NOR model share. */
#ifndef NOR_PARTS_H
#define NOR_PARTS_H
#include "nor.h"

enum { UNIT_PROGRAMMED = 1, UNIT_TORN = 2, UNIT_LIED = 4 };

typedef struct {
    uint32_t address, n;
    const uint8_t *bytes; /* NULL: erase */
} operation_t;

void nor_make_weak(nor_t *nor, uint32_t at, uint8_t bits);
void nor_tear_unit(nor_t *nor, uint32_t at);
/* Does it, with the cut or the fault that is set for it. */
store_result_t nor_operate(nor_t *nor, const operation_t *operation);

#endif
