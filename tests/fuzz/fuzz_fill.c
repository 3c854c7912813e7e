/* core_fill and core_copy by the library's: nine tenths of a run would go into counting their loops. The bytes that they touch are
 * looked at by the sanitizer all the same. core.c is compiled with its own two under other names (fuzz_build.py). */
#include <string.h>

#include "core.h"

void core_copy(uint8_t *target, const uint8_t *source, size_t byte_count)
{
    if (byte_count > 0) {
        memmove(target, source, byte_count);
    }
}

void core_fill(uint8_t *target, uint8_t value, size_t byte_count)
{
    if (byte_count > 0) {
        memset(target, value, byte_count);
    }
}
