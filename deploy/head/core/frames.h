/* Frames of the sensor head link, version 1: identity, samples, health (with its optional tail). */
#ifndef CAMDRIFT_FRAMES_H
#define CAMDRIFT_FRAMES_H

#include "bytes.h"

#define SAMPLES_MAX 256
#define PAYLOAD_MAX (16 + 8 + SAMPLES_MAX * 6)
#define FRAME_MAX (PAYLOAD_MAX + 4 + (PAYLOAD_MAX + 4) / 254 + 2)
#define NOT_FITTED_I16 0x7FFF
#define NOT_FITTED_U16 0xFFFFu
#define NOT_FITTED_U32 0xFFFFFFFFu
#define SKEW_UNKNOWN ((int16_t)-32768)

enum { KIND_IDENTITY = 1, KIND_SAMPLES = 2, KIND_HEALTH = 3 };
enum { VALID_CRANK = 1, VALID_CAM = 2, VALID_LOOP = 4 };

typedef struct {
    uint16_t sequence;
    uint32_t boot;
    uint64_t us;
} stamp_t;

typedef struct {
    uint32_t serial;
    uint16_t major, minor;
    uint32_t interval_ns, crank_counts, cam_counts;
    char name[16]; /* UTF-8, zero-padded */
} identity_t;

typedef struct {
    uint16_t crank, cam; /* binary angles */
    uint16_t loop_ua;
} sample_t;

typedef struct {
    int16_t head_dc, casing_dc, frame_dc; /* 0.1 degree C */
    uint16_t supply_mv, fuel_index_ua, crank_slips, cam_slips, lost;
    uint32_t crank_turns;
    uint8_t tail;                         /* send the optional tail too */
    uint16_t rpm_x10, starts, jitter_us;
    int16_t skew_ns;
} health_t;

/* Each writes a whole frame with its delimiter to `out` (FRAME_MAX bytes) and returns its length; 0 where a figure
   cannot be (n of 0 or beyond SAMPLES_MAX, interval of 0). */
size_t frame_identity(uint8_t *out, stamp_t at, const identity_t *it);
size_t frame_samples(uint8_t *out, stamp_t at, uint32_t interval_ns, uint8_t valid, const sample_t *s, uint16_t n);
size_t frame_health(uint8_t *out, stamp_t at, const health_t *h);

#endif
