#include "frames.h"

#define VERSION 1

/* One head, one link: the payload is built here and nowhere else. */
static uint8_t payload[PAYLOAD_MAX + 4];

static writer_t begin(uint8_t kind, stamp_t at)
{
    writer_t w = {payload, sizeof payload, 0, 0};
    put_u8(&w, VERSION);
    put_u8(&w, kind);
    put_u16(&w, at.sequence);
    put_u32(&w, at.boot);
    put_u64(&w, at.us);
    return w;
}

static size_t finish(writer_t *w, uint8_t *out)
{
    put_u32(w, crc32(w->data, w->used));
    if (w->full) {
        return 0;
    }
    size_t n = cobs_encode(w->data, w->used, out);
    out[n] = 0;
    return n + 1;
}

size_t frame_identity(uint8_t *out, stamp_t at, const identity_t *it)
{
    writer_t w = begin(KIND_IDENTITY, at);
    put_u32(&w, it->serial);
    put_u16(&w, it->major);
    put_u16(&w, it->minor);
    put_u32(&w, it->interval_ns);
    put_u32(&w, it->crank_counts);
    put_u32(&w, it->cam_counts);
    for (unsigned i = 0; i < sizeof it->name; i++) {
        put_u8(&w, (uint8_t)it->name[i]);
    }
    return finish(&w, out);
}

size_t frame_samples(uint8_t *out, stamp_t at, uint32_t interval_ns, uint8_t valid, const sample_t *s, uint16_t n)
{
    if (n == 0 || n > SAMPLES_MAX || interval_ns == 0) {
        return 0;
    }
    writer_t w = begin(KIND_SAMPLES, at);
    put_u32(&w, interval_ns);
    put_u16(&w, n);
    put_u8(&w, valid);
    put_u8(&w, 0);
    for (uint16_t i = 0; i < n; i++) {
        put_u16(&w, s[i].crank);
        put_u16(&w, s[i].cam);
        put_u16(&w, s[i].loop_ua);
    }
    return finish(&w, out);
}

size_t frame_health(uint8_t *out, stamp_t at, const health_t *h)
{
    writer_t w = begin(KIND_HEALTH, at);
    put_u16(&w, (uint16_t)h->head_dc);
    put_u16(&w, (uint16_t)h->casing_dc);
    put_u16(&w, (uint16_t)h->frame_dc);
    put_u16(&w, h->supply_mv);
    put_u16(&w, h->fuel_index_ua);
    put_u16(&w, h->crank_slips);
    put_u16(&w, h->cam_slips);
    put_u16(&w, h->lost);
    put_u32(&w, h->crank_turns);
    if (h->tail) {
        put_u16(&w, h->rpm_x10);
        put_u16(&w, h->starts);
        put_u16(&w, h->jitter_us);
        put_u16(&w, (uint16_t)h->skew_ns);
    }
    return finish(&w, out);
}
