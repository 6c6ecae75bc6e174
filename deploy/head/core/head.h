/* The head: samples latched by the board become frames; identity, health and bursts come by themselves.

   Two callers, no locks: `head_latch`, `head_crank` and `head_cam` from the sampling interrupt, everything else from the
   main loop. No allocation; every loop is bounded. */
#ifndef CAMDRIFT_HEAD_H
#define CAMDRIFT_HEAD_H

#include "frames.h"

#define HEAD_RING 512u   /* samples between the interrupt and the frames: a second at 500 Hz */
#define HEAD_OUT 8192u   /* bytes between the frames and the wire */
#define HEALTH_US 1000000u
#define IDENTITY_US 10000000u
#define SLOW_RPM_X10 100u          /* below this, and for SLOW_US after, bursts are off: work at the drive is live */
#define SLOW_US 3600000000ull

typedef struct {
    identity_t identity;
    uint16_t block;      /* samples in a frame, 1 to SAMPLES_MAX */
    uint32_t burst_us;   /* length of a burst; 0 = continuous */
    uint32_t period_us;  /* from the start of one burst to the start of the next */
} head_config_t;

typedef struct {
    sample_t s;
    uint64_t us;
    uint8_t valid;
    uint8_t missing; /* bit 0: the crank's angle is still to come; bit 1: the cam's */
} slot_t;

/* What the board reads once a second: temperatures, supply, index slips, turns. */
typedef void (*head_health_fn)(health_t *h);

typedef struct {
    head_config_t config;
    head_health_fn health;
    uint32_t boot;
    uint16_t sequence;
    slot_t ring[HEAD_RING];
    volatile uint32_t head, tail; /* next to be latched, next to be sent */
    uint16_t lost;
    uint64_t health_us, identity_us, slow_us;
    uint64_t travel_us, watched_us;
    uint32_t watched_x256;        /* crank travel since the speed was last looked at */
    uint32_t turns_x256;          /* crank travel since the last health frame, in 1/65,536 turns */
    uint16_t last_crank, largest_jitter_us, rpm_x10;
    uint64_t last_latch_us;
    uint8_t has_last, in_burst, was_slow;
    uint8_t out[HEAD_OUT];
    volatile uint32_t out_head, out_tail;
    uint8_t frame[FRAME_MAX];
} head_t;

/* `starts`: starts since the head was last connected; goes into the health tail. */
void head_init(head_t *h, const head_config_t *config, uint32_t boot, head_health_fn health);

/* A sample was latched at `us`; returns its id. Its angles follow by `head_crank` and `head_cam`, at once or later. */
uint32_t head_latch(head_t *h, uint64_t us, uint16_t loop_ua, uint8_t loop_valid);
void head_crank(head_t *h, uint32_t id, uint16_t angle, uint8_t valid);
void head_cam(head_t *h, uint32_t id, uint16_t angle, uint8_t valid);

/* From the main loop, at least ten times a second: make the frames that are due at `us`. */
void head_poll(head_t *h, uint64_t us);

/* The next byte for the wire, or -1. */
int head_byte(head_t *h);

#endif
