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
/* Contracts between slash-star-at and star-slash are ACSL, for tests/proof; a compiler takes them as comments. This one makes each
 * CORE_ASSERT a thing to prove: a call has to be shown unreachable. */
/*@ requires our_mistake: \false;
    assigns \nothing; */
void core_assert_failed(uint32_t line);
/*@ assigns \nothing; */
uint32_t core_assert_line(void); /* 0 while none has failed since start */
void core_assert_clear(void);    /* only for tests and at start-up */
#define CORE_ASSERT(condition)                       \
    do {                                             \
        if (!(condition)) {                          \
            core_assert_failed((uint32_t)__LINE__);  \
        }                                            \
    } while (0)

/*@ requires ordered: lower <= upper;
    assigns \nothing;
    ensures in_range: lower <= \result <= upper;
    ensures nearest: \result == (value < lower ? lower : value > upper ? upper : value); */
int32_t core_clamp(int32_t value, int32_t lower, int32_t upper);
/*@ requires value > INT32_MIN;
    assigns \nothing;
    ensures exact: \result == (value < 0 ? -value : value); */
int32_t core_magnitude(int32_t value);              /* value must not be INT32_MIN */
/*@ requires magnitude >= 0;
    assigns \nothing;
    ensures exact: \result == (signed_value < 0 ? -magnitude : magnitude); */
int32_t core_with_sign(int32_t magnitude, int32_t signed_value); /* -magnitude where signed_value is below 0 */
/*@ assigns \nothing;
    ensures exact: \result == (value > INT32_MAX ? INT32_MAX : value < -INT32_MAX ? -INT32_MAX : value); */
int32_t core_narrow(int64_t value);                 /* limited to -INT32_MAX .. INT32_MAX */
/*@ assigns \nothing;
    ensures inside: -INT32_MAX <= \result <= INT32_MAX;
    ensures exact: -INT32_MAX <= value_q16 / 65536 <= INT32_MAX ==> \result == value_q16 / 65536;
    ensures above: value_q16 / 65536 > INT32_MAX ==> \result == INT32_MAX;
    ensures below: value_q16 / 65536 < -INT32_MAX ==> \result == -INT32_MAX; */
int32_t core_whole_q16(int64_t value_q16);           /* value / 65536, toward zero, limited as core_narrow does */
/*@ assigns \nothing;
    ensures inside: -INT32_MAX <= \result <= INT32_MAX;
    ensures exact: -INT32_MAX <= value * q16 / 65536 <= INT32_MAX ==> \result == value * q16 / 65536;
    ensures shrinks: 0 <= q16 <= 65536 && 0 <= value ==> 0 <= \result <= value; */
int32_t core_scale_q16(int32_t value, int32_t q16); /* value * q16 / 65536, toward zero, limited to 32 bits */
/*@ assigns \nothing;
    ensures floor: \result * 65536 <= product < (\result + 1) * 65536;
    ensures bounded: -140737488355328 <= \result <= 140737488355327; */
int64_t core_floor_q16(int64_t product);            /* floor(product / 65536) */
/*@ assigns \nothing;
    ensures exact: \result == (counter < 65535 ? counter + 1 : 65535); */
uint32_t core_count_up(uint32_t counter);           /* saturates at 65535 */

/*@ requires \valid_read(bytes + (0 .. 1));
    assigns \nothing;
    ensures exact: \result == bytes[0] + 256 * bytes[1]; */
uint16_t core_read_u16(const uint8_t *bytes); /* little endian, any alignment */
/*@ requires \valid_read(bytes + (0 .. 3));
    assigns \nothing;
    ensures exact: \result == bytes[0] + 256 * bytes[1] + 65536 * (bytes[2] + 256 * bytes[3]); */
uint32_t core_read_u32(const uint8_t *bytes);
/*@ requires \valid_read(bytes + (0 .. 1));
    assigns \nothing;
    ensures exact: \result == bytes[0] + 256 * bytes[1] - (bytes[1] >= 128 ? 65536 : 0); */
int16_t core_read_i16(const uint8_t *bytes);
/*@ requires \valid_read(bytes + (0 .. 3));
    assigns \nothing;
    ensures exact: \result == bytes[0] + 256 * bytes[1] + 65536 * (bytes[2] + 256 * bytes[3]) - (bytes[3] >= 128 ? 4294967296 : 0); */
int32_t core_read_i32(const uint8_t *bytes);
/*@ requires \valid(bytes + (0 .. 1));
    assigns bytes[0 .. 1];
    ensures exact: bytes[0] == value % 256 && bytes[1] == value / 256; */
void core_write_u16(uint8_t *bytes, uint16_t value);
/*@ requires \valid(bytes + (0 .. 3));
    assigns bytes[0 .. 3];
    ensures low: bytes[0] == value % 256 && bytes[1] == value / 256 % 256;
    ensures high: bytes[2] == value / 65536 % 256 && bytes[3] == value / 16777216; */
void core_write_u32(uint8_t *bytes, uint32_t value);
/*@ requires \valid(target + (0 .. byte_count - 1)) && \valid_read(source + (0 .. byte_count - 1));
    requires \separated(target + (0 .. byte_count - 1), source + (0 .. byte_count - 1));
    assigns target[0 .. byte_count - 1];
    ensures copied: \forall integer i; 0 <= i < byte_count ==> target[i] == source[i]; */
void core_copy(uint8_t *target, const uint8_t *source, size_t byte_count);
/*@ requires \valid(target + (0 .. byte_count - 1));
    assigns target[0 .. byte_count - 1];
    ensures filled: \forall integer i; 0 <= i < byte_count ==> target[i] == value; */
void core_fill(uint8_t *target, uint8_t value, size_t byte_count);

#endif
