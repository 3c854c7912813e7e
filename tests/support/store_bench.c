/* The unmodified store for Python: a store with callbacks from outside, behind plain numbers. For tests only. */
#include "../../firmware_stub/core/frame.h"
#include "../../firmware_stub/core/store.h"

typedef struct {
    store_t store;
    store_config_t config;
    uint8_t work[65536];
} store_bench_t;

typedef struct {
    uint32_t slot_0, slot_1, sector_bytes, sectors, unit, erased, program_twice;
} store_geometry_t;

typedef store_result_t (*read_t)(void *, uint32_t, uint8_t *, uint32_t);
typedef store_result_t (*program_t)(void *, uint32_t, const uint8_t *, uint32_t);
typedef store_result_t (*erase_t)(void *, uint32_t);

size_t store_bench_bytes(void);
void store_bench_memory(store_bench_t *bench, const store_geometry_t *geometry, read_t read, program_t program, erase_t erase);
int32_t store_bench_start(store_bench_t *bench);
int32_t store_bench_begin(store_bench_t *bench, uint32_t byte_count, uint32_t crc, const uint8_t *digest);
int32_t store_bench_erase_step(store_bench_t *bench);
int32_t store_bench_write(store_bench_t *bench, uint32_t offset, const uint8_t *bytes, uint32_t n);
int32_t store_bench_commit(store_bench_t *bench);
int32_t store_bench_read(store_bench_t *bench, int32_t fresh, uint32_t offset, uint8_t *bytes, uint32_t n);
uint32_t store_bench_sequence(const store_bench_t *bench);
uint32_t store_bench_length(const store_bench_t *bench);
uint32_t store_bench_capacity(const store_bench_t *bench);
int32_t store_bench_slot_class(const store_bench_t *bench, int32_t slot);
size_t store_bench_encode(int32_t kind, int32_t tag, const uint8_t *content, size_t n, uint8_t *target, size_t target_bytes);
int32_t store_bench_receive(frame_receiver_t *receiver, const uint8_t *bytes, size_t n, uint8_t *content, int32_t head[4]);
size_t store_bench_receiver_bytes(void);
void store_bench_digest(const uint8_t *bytes, size_t n, uint8_t *result);

size_t store_bench_bytes(void)
{
    return sizeof(store_bench_t);
}

void store_bench_memory(store_bench_t *bench, const store_geometry_t *geometry, read_t read, program_t program, erase_t erase)
{
    core_fill((uint8_t *)bench, 0xA5, sizeof *bench);
    store_config_t *config = &bench->config;
    config->context = NULL;
    config->read = read;
    config->program = program;
    config->erase = erase;
    config->map = NULL;
    config->work = bench->work;
    config->work_bytes = sizeof bench->work;
    config->slot_address[0] = geometry->slot_0;
    config->slot_address[1] = geometry->slot_1;
    config->sector_bytes = geometry->sector_bytes;
    config->sectors = geometry->sectors;
    config->unit = geometry->unit;
    config->erased = (uint8_t)geometry->erased;
    config->program_twice = geometry->program_twice != 0;
}

int32_t store_bench_start(store_bench_t *bench)
{
    core_fill((uint8_t *)&bench->store, 0xA5, sizeof bench->store);
    return (int32_t)store_start(&bench->store, &bench->config);
}

int32_t store_bench_begin(store_bench_t *bench, uint32_t byte_count, uint32_t crc, const uint8_t *digest)
{
    store_record_t record;
    core_fill((uint8_t *)&record, 0, sizeof record);
    record.table_bytes = byte_count;
    record.table_crc = crc;
    core_copy(record.digest, digest, DIGEST_BYTES);
    return (int32_t)store_begin(&bench->store, &record);
}

int32_t store_bench_erase_step(store_bench_t *bench)
{
    return (int32_t)store_erase_step(&bench->store);
}

int32_t store_bench_write(store_bench_t *bench, uint32_t offset, const uint8_t *bytes, uint32_t n)
{
    return (int32_t)store_write(&bench->store, offset, bytes, n);
}

int32_t store_bench_commit(store_bench_t *bench)
{
    return (int32_t)store_commit(&bench->store);
}

int32_t store_bench_read(store_bench_t *bench, int32_t fresh, uint32_t offset, uint8_t *bytes, uint32_t n)
{
    return (int32_t)store_read(&bench->store, fresh != 0, offset, bytes, n);
}

uint32_t store_bench_sequence(const store_bench_t *bench)
{
    return store_has_table(&bench->store) ? store_record(&bench->store)->sequence : 0;
}

uint32_t store_bench_length(const store_bench_t *bench)
{
    return store_has_table(&bench->store) ? store_record(&bench->store)->table_bytes : 0;
}

uint32_t store_bench_capacity(const store_bench_t *bench)
{
    return store_capacity(&bench->config);
}

int32_t store_bench_slot_class(const store_bench_t *bench, int32_t slot)
{
    return (int32_t)bench->store.slot_class[slot];
}

size_t store_bench_encode(int32_t kind, int32_t tag, const uint8_t *content, size_t n, uint8_t *target, size_t target_bytes)
{
    const frame_t frame = {FRAME_PROTOCOL, (uint8_t)kind, (uint16_t)tag, content, n};
    return frame_encode(&frame, target, target_bytes);
}

/* Feeds all bytes; head gets protocol, kind, tag and length of the last whole frame, the result is the number of whole frames. */
int32_t store_bench_receive(frame_receiver_t *receiver, const uint8_t *bytes, size_t n, uint8_t *content, int32_t head[4])
{
    int32_t frames = 0;
    frame_t frame;
    for (size_t i = 0; i < n; i++) {
        if (frame_receive(receiver, bytes[i], &frame) == FRAME_READY) {
            frames++;
            head[0] = frame.protocol;
            head[1] = frame.kind;
            head[2] = frame.tag;
            head[3] = (int32_t)frame.content_bytes;
            core_copy(content, frame.content, frame.content_bytes);
        }
    }
    return frames;
}

size_t store_bench_receiver_bytes(void)
{
    return sizeof(frame_receiver_t);
}

void store_bench_digest(const uint8_t *bytes, size_t n, uint8_t *result)
{
    digest_t digest;
    digest_start(&digest);
    digest_update(&digest, bytes, n);
    digest_finish(&digest, result);
}
