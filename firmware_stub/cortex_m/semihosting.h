/* Calls to the host that runs the emulator (Arm semihosting, version 2), used for two things only: flash.c's file, and to end the
 * emulator with an exit code. Must not be called where nothing answers: on a board without a debugger the call is a fault. */
#ifndef SEMIHOSTING_H
#define SEMIHOSTING_H
#include <stdbool.h>
#include <stdint.h>

int32_t semihosting_open(const char *path);              /* for reading and writing; the file's handle, -1 if it cannot be opened */
int32_t semihosting_length(int32_t file);                /* -1 if it is not known */
bool semihosting_read(int32_t file, uint32_t at, uint8_t *bytes, uint32_t n);
bool semihosting_write(int32_t file, uint32_t at, const uint8_t *bytes, uint32_t n);
void semihosting_say(const char *text);
void semihosting_exit(uint32_t code);

#endif
