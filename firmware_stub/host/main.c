/* The controller as a process on a PC: the unmodified core, its serial line on a pseudo terminal, its flash in a file.
 *
 *   _controller --machine-id ID --flash FILE [--realtime] [--cut-after N [--cut-bytes K]]
 *   _controller --version
 *
 * Standard output: first the line "serial PATH", then binary records. Standard input: one record of 66 little-endian int32 for every
 * tick (elapsed_us, digital inputs, 64 counts); each is answered by one record of 121 int32 (bench.h). In lockstep, the ordinary case,
 * a record is a tick. With --realtime ticks come from the clock, a record sets the inputs, and its answer is the last tick's output.
 * The process ends when standard input is closed, so none is left behind when its parent goes.
 */
#define _XOPEN_SOURCE 600
#define _DEFAULT_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "../bench/bench.h"
#include "../core/controller.h"
#include "flash_file.h"

#ifndef CORE_SOURCE_DIGEST
#define CORE_SOURCE_DIGEST "not known"
#endif

#define IN_BYTES (4u * BENCH_IN_INTS)
#define OUT_BYTES (4u * BENCH_OUT_INTS)
#define IDLE_MS 20
#define TICK_US_WITHOUT_TABLE 10000
enum { EXIT_USAGE_WRONG = 64, EXIT_FILE = 2, EXIT_SYSTEM = 71 };

typedef struct {
    const char *machine_id, *flash;
    bool realtime;
    uint32_t cut_after, cut_bytes;
} options_t;

typedef struct {
    controller_config_t config;
    controller_t controller;
    flash_file_t flash;
    int line;                /* master side of the pseudo terminal */
    uint8_t waiting[4096];   /* from the line, not taken by the core yet */
    size_t waiting_count;
    uint8_t record[IN_BYTES]; /* from standard input, until it is whole */
    size_t record_count;
    law_in_t in;
    law_out_t out;
    bool realtime;
    int64_t last_tick_us;
} host_t;

static int64_t clock_us(void)
{
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static void fail(int code, const char *what, const char *detail)
{
    (void)fprintf(stderr, "%s: %s\n", what, detail);
    exit(code);
}

/* ---- serial line ---- */

static size_t transmit(void *context, const uint8_t *bytes, size_t n)
{
    const host_t *host = (const host_t *)context;
    const ssize_t sent = write(host->line, bytes, n);
    return sent > 0 ? (size_t)sent : 0;
}

/* The slave side stays open here, so that the line keeps its raw setting and does not hang up when a program lets go of it. */
static const char *open_line(host_t *host)
{
    struct termios setting;
    host->line = posix_openpt(O_RDWR | O_NOCTTY);
    if (host->line < 0 || grantpt(host->line) != 0 || unlockpt(host->line) != 0) {
        return NULL;
    }
    const char *path = ptsname(host->line);
    const int slave = path != NULL ? open(path, O_RDWR | O_NOCTTY) : -1;
    if (slave < 0 || tcgetattr(slave, &setting) != 0) {
        return NULL;
    }
    cfmakeraw(&setting);
    const int flags = fcntl(host->line, F_GETFL);
    if (tcsetattr(slave, TCSANOW, &setting) != 0 || flags < 0 || fcntl(host->line, F_SETFL, flags | O_NONBLOCK) != 0) {
        return NULL;
    }
    return path;
}

static void serve_line(host_t *host, bool readable)
{
    if (readable && host->waiting_count < sizeof host->waiting) {
        const ssize_t got = read(host->line, host->waiting + host->waiting_count, sizeof host->waiting - host->waiting_count);
        host->waiting_count += got > 0 ? (size_t)got : 0;
    }
    const size_t taken = controller_receive(&host->controller, host->waiting, host->waiting_count);
    memmove(host->waiting, host->waiting + taken, host->waiting_count - taken);
    host->waiting_count -= taken;
}

/* ---- ticks ---- */

static void tick(host_t *host, uint32_t elapsed_us)
{
    host->in.elapsed_us = elapsed_us;
    controller_tick(&host->controller, &host->in, &host->out);
}

static void take_record(host_t *host)
{
    const uint32_t elapsed_us = core_read_u32(host->record);
    host->in.digital = core_read_u32(host->record + 4);
    for (size_t i = 0; i < TABLE_INPUTS_MAX; i++) {
        const int32_t count = core_read_i32(host->record + 8 + 4 * i);
        host->in.counts[i] = (uint16_t)core_clamp(count, 0, 65535);
    }
    if (!host->realtime) {
        tick(host, elapsed_us);
    }
}

static void write_out(const law_out_t *out, uint8_t *bytes)
{
    const uint32_t head[BENCH_OUT_HEAD] = {out->state, out->cause, out->cause_joint, out->mode, out->enable,
                                           (uint32_t)out->authority_q16, (uint32_t)out->share_q16, out->waits_for, out->waits_joint};
    for (size_t i = 0; i < BENCH_OUT_HEAD; i++) {
        core_write_u32(bytes + 4 * i, head[i]);
    }
    for (size_t j = 0; j < TABLE_JOINTS_MAX; j++) {
        const law_joint_out_t *joint = &out->joint[j];
        const uint32_t values[BENCH_OUT_JOINT] = {(uint32_t)joint->target, (uint32_t)joint->position_mdeg, (uint32_t)joint->wanted_mdeg_s,
                                                  (uint32_t)joint->speed_mdeg_s, (uint32_t)joint->flow_e4, (uint32_t)joint->drive_e4,
                                                  joint->flags};
        for (size_t i = 0; i < BENCH_OUT_JOINT; i++) {
            core_write_u32(bytes + 4 * (BENCH_OUT_HEAD + BENCH_OUT_JOINT * j + i), values[i]);
        }
    }
}

/* False when the parent is gone. */
static bool answer_record(host_t *host)
{
    uint8_t bytes[OUT_BYTES];
    write_out(&host->out, bytes);
    size_t sent = 0;
    while (sent < sizeof bytes) {
        const ssize_t part = write(STDOUT_FILENO, bytes + sent, sizeof bytes - sent);
        if (part < 0 && errno == EINTR) {
            continue;
        }
        if (part <= 0) {
            return false;
        }
        sent += (size_t)part;
    }
    return true;
}

static bool serve_channel(host_t *host)
{
    const ssize_t got = read(STDIN_FILENO, host->record + host->record_count, sizeof host->record - host->record_count);
    if (got <= 0) {
        return got < 0 && (errno == EINTR || errno == EAGAIN);
    }
    host->record_count += (size_t)got;
    if (host->record_count < sizeof host->record) {
        return true;
    }
    host->record_count = 0;
    take_record(host);
    return answer_record(host);
}

/* Ticks by the clock; returns the milliseconds until the next one. */
static int serve_clock(host_t *host)
{
    const bool live = host->controller.table_state == LINK_TABLE_IN_USE;
    const int64_t period_us = live ? host->controller.table.tick_us : TICK_US_WITHOUT_TABLE;
    const int64_t now_us = clock_us();
    if (now_us - host->last_tick_us >= period_us) {
        tick(host, (uint32_t)(now_us - host->last_tick_us));
        host->last_tick_us = now_us;
        return 0;
    }
    return (int)((period_us - (now_us - host->last_tick_us) + 999) / 1000);
}

/* The one loop: ends when the parent closes the channel. */
static void serve(host_t *host)
{
    struct pollfd wait[2] = {{STDIN_FILENO, POLLIN, 0}, {host->line, POLLIN, 0}};
    for (;;) {
        int wait_ms = host->realtime ? serve_clock(host) : IDLE_MS;
        if (host->controller.link.transfer.phase == LINK_TRANSFER_ERASING) {
            wait_ms = 0;
        }
        const bool stuck = host->waiting_count > 0 || host->controller.link.out_count > 0;
        wait[1].events = (short)(stuck ? POLLOUT : POLLIN);
        if (poll(wait, 2, wait_ms) < 0 && errno != EINTR) {
            fail(EXIT_SYSTEM, "poll", strerror(errno));
        }
        controller_poll(&host->controller, (uint32_t)((uint64_t)(clock_us() / 1000) & UINT32_MAX));
        serve_line(host, (wait[1].revents & POLLIN) != 0);
        if ((wait[0].revents & (POLLIN | POLLHUP | POLLERR | POLLNVAL)) != 0 && !serve_channel(host)) {
            return;
        }
        wait[0].revents = 0;
        wait[1].revents = 0;
    }
}

/* ---- start ---- */

/* A file that is opened while one of the three is closed takes its number, and what is said on it would go into the flash. */
static void need_channels(void)
{
    for (int descriptor = STDIN_FILENO; descriptor <= STDERR_FILENO; descriptor++) {
        if (fcntl(descriptor, F_GETFD) < 0) {
            exit(EXIT_SYSTEM);
        }
    }
}

static uint32_t number(const char *text)
{
    char *end = NULL;
    const unsigned long value = strtoul(text, &end, 10);
    if (end == text || *end != '\0' || value > 1000000000ul) {
        fail(EXIT_USAGE_WRONG, text, "not a number from 0 to 1000000000");
    }
    return (uint32_t)value;
}

static options_t read_options(int count, char **words)
{
    options_t options = {NULL, NULL, false, 0, 0};
    for (int i = 1; i < count; i++) {
        const char *value = i + 1 < count ? words[i + 1] : "";
        if (strcmp(words[i], "--version") == 0) {
            (void)puts(CORE_SOURCE_DIGEST);
            exit(0);
        } else if (strcmp(words[i], "--realtime") == 0) {
            options.realtime = true;
            continue;
        } else if (strcmp(words[i], "--machine-id") == 0) {
            options.machine_id = value;
        } else if (strcmp(words[i], "--flash") == 0) {
            options.flash = value;
        } else if (strcmp(words[i], "--cut-after") == 0) {
            options.cut_after = number(value);
        } else if (strcmp(words[i], "--cut-bytes") == 0) {
            options.cut_bytes = number(value);
        } else {
            fail(EXIT_USAGE_WRONG, words[i], "no such option; --machine-id, --flash, --realtime, --cut-after, --cut-bytes, --version");
        }
        i++;
    }
    if (options.machine_id == NULL || options.flash == NULL) {
        fail(EXIT_USAGE_WRONG, "command line", "--machine-id ID and --flash FILE are needed");
    }
    const size_t length = strlen(options.machine_id);
    if (length < 1 || length > TABLE_MACHINE_ID_BYTES) {
        fail(EXIT_USAGE_WRONG, options.machine_id, "a machine id has 1 to 16 ASCII characters");
    }
    return options;
}

int main(int count, char **words)
{
    static host_t host;
    need_channels();
    const options_t options = read_options(count, words);
    host.realtime = options.realtime;
    host.flash.cut_at = options.cut_after;
    host.flash.cut_bytes = options.cut_bytes;
    const char *wrong = flash_file_open(&host.flash, options.flash);
    if (wrong != NULL) {
        fail(EXIT_FILE, options.flash, wrong);
    }
    const char *path = open_line(&host);
    if (path == NULL) {
        fail(EXIT_SYSTEM, "pseudo terminal", strerror(errno));
    }
    (void)signal(SIGPIPE, SIG_IGN);
    flash_file_config(&host.flash, &host.config.store);
    memcpy(host.config.machine_id, options.machine_id, strlen(options.machine_id));
    host.config.firmware = CORE_SOURCE_DIGEST;
    host.config.context = &host;
    host.config.transmit = transmit;
    memset(&host.controller, 0xA5, sizeof host.controller); /* as memory is after power-up: anything */
    (void)controller_start(&host.controller, &host.config);
    host.last_tick_us = clock_us();
    (void)printf("serial %s\n", path);
    (void)fflush(stdout);
    serve(&host);
    return 0;
}
