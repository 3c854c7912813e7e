/* What every part of the core shares: fixed-width integers, rounding helpers, assertions, byte order.
 *
 * The core is freestanding C99: no heap, no recursion, no floating point, no library calls. All state is in
 * structures that the caller owns.
 */
#ifndef CORE_H
#define CORE_H
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CORE_Q16 65536

/* An assertion is for a mistake of ours, never for what flash, wire or a sensor delivers. It stays on in the field:
 * a failed one is latched by core_assert_failed, which the law reads as a fault (rule L9), so every drive goes to zero. */
void core_assert_failed(uint32_t line);
uint32_t core_assert_line(void); /* 0 while none has failed since start */
void core_assert_clear(void);    /* only for tests and at start-up */
#define CORE_ASSERT(condition)                       \
    do {                                             \
        if (!(condition)) {                          \
            core_assert_failed((uint32_t)__LINE__);  \
        }                                            \
    } while (0)

int32_t core_clamp(int32_t value, int32_t lower, int32_t upper);
int32_t core_magnitude(int32_t value);              /* value must not be INT32_MIN */
int32_t core_with_sign(int32_t magnitude, int32_t signed_value); /* -magnitude where signed_value is below 0 */
int32_t core_narrow(int64_t value);                 /* limited to -INT32_MAX .. INT32_MAX */
int32_t core_scale_q16(int32_t value, int32_t q16); /* value * q16 / 65536, toward zero, limited to 32 bits */
int64_t core_floor_q16(int64_t product);            /* floor(product / 65536) */
uint32_t core_count_up(uint32_t counter);           /* saturates at 65535 */

uint16_t core_read_u16(const uint8_t *bytes); /* little endian, any alignment */
uint32_t core_read_u32(const uint8_t *bytes);
int16_t core_read_i16(const uint8_t *bytes);
int32_t core_read_i32(const uint8_t *bytes);
void core_write_u16(uint8_t *bytes, uint16_t value);
void core_write_u32(uint8_t *bytes, uint32_t value);
void core_copy(uint8_t *target, const uint8_t *source, size_t byte_count);
void core_fill(uint8_t *target, uint8_t value, size_t byte_count);

#endif
